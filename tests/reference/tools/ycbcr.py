"""Makes colour/ycbcr_10bit.csv: R'G'B' signals as 10-bit Y'CbCr, by colour-science (pip install colour-science)."""

import itertools
from importlib.metadata import version

import colour
import numpy

LEVELS = (0, 0.1, 0.37, 0.75, 1)

print(f"# 10-bit Y'CbCr of non-constant luminance, by colour-science {version('colour-science')} (BSD-3-Clause): RGB_to_YCbCr with its weights of ITU-R BT.709 and BT.2020.")
print("# Exact; what lies within 1e-6 of a half is left out, as libraries round halves differently.")
print("space,range,r,g,b,y,cb,cr")
for space, is_narrow in itertools.product(("BT.709", "BT.2020"), (True, False)):
    weights = colour.WEIGHTS_YCBCR[f"ITU-R {space}"]
    for signal in itertools.product(LEVELS, repeat=3):
        made = {"K": weights, "in_bits": 10, "in_legal": False, "in_int": False, "out_bits": 10, "out_legal": is_narrow}
        # Not rounded, of full range it has differences about 0.
        share = 1023 * colour.RGB_to_YCbCr(numpy.array(signal), out_int=False, **made) + (0 if is_narrow else numpy.array([0, 512, 512]))
        if numpy.all(numpy.abs(share % 1 - 0.5) > 1e-6):
            codes = colour.RGB_to_YCbCr(numpy.array(signal), out_int=True, **made)
            print(space, "narrow" if is_narrow else "full", *(f"{part:g}" for part in signal), *(int(code) for code in codes), sep=",")
