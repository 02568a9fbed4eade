"""Makes the tables of colour-matching functions and the expected sums of tests/reference/spectral.

    python3 -m venv /tmp/reference && /tmp/reference/bin/pip install colour-science==0.4.7 'numpy<2.3' scipy
    /tmp/reference/bin/python tests/reference/tools/spectral.py          # from the top of the repository

luxpy 1.12.5 has the same tables (those of 2015 to 1e-7, its rounding). colour-science 0.4.7 (BSD-3-Clause) holds the CIE's tables and interpolates (Sprague); the sums, and the correction for bandwidth
(Stearns and Stearns 1988), are plain numpy. The library's own bandpass_correction_Stearns1988 works in place: it takes the
neighbour on the left as it has just corrected it, not as it was measured, which is not the formula of the paper.
"""

import csv
import json
from pathlib import Path

import colour
import numpy as np

ROOT = Path(__file__).parents[3]
TABLES = ROOT / "protocol/src/colorimetry/cmf"
SPECTRAL = ROOT / "tests/reference/spectral"

OBSERVERS = {
    "1931-2": ("CIE 1931 2 Degree Standard Observer", "CIE 1931 standard colorimetric observer, 2 degrees (ISO/CIE 11664-1)"),
    "1964-10": ("CIE 1964 10 Degree Standard Observer", "CIE 1964 supplementary colorimetric observer, 10 degrees (ISO/CIE 11664-1)"),
    "2015-2": ("CIE 2015 2 Degree Standard Observer", "CIE 2015 cone-fundamental-based tristimulus functions, 2 degrees (CIE 170-2:2015)"),
    "2015-10": ("CIE 2015 10 Degree Standard Observer", "CIE 2015 cone-fundamental-based tristimulus functions, 10 degrees (CIE 170-2:2015)"),
}

KM = 683.0


def cmf(observer):
    return colour.MSDS_CMFS[OBSERVERS[observer][0]]


def table(observer):
    name = OBSERVERS[observer][1]
    functions = cmf(observer)
    path = TABLES / ("cie_" + observer.replace("-", "_") + ".csv")
    with path.open("w") as out:
        out.write(f"# {name}, 1 nm.\n")
        out.write("# Values of the CIE (its digital tables: CC BY-SA 4.0, from memory), as colour-science 0.4.7 (BSD-3-Clause) ships them.\n")
        out.write("# Made by tests/reference/tools/spectral.py.\n")
        out.write("wavelength_nm,x,y,z\n")
        for nm, row in zip(functions.wavelengths, functions.values):
            out.write(f"{int(nm)},{','.join(repr(float(v)) for v in row)}\n")


def corrected(m):
    """S = M + 0.083 (2 M - M_left - M_right), at the ends M + 0.083 (M - M_neighbour)."""
    left, right = np.r_[m[0], m[:-1]], np.r_[m[1:], m[-1]]
    return m + 0.083 * (2 * m - left - right)


def display_spectra():
    lines = [line for line in (SPECTRAL / "display_spectra.csv").read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.reader(lines))
    names, values = rows[0][1:], np.array(rows[1:], dtype=float)
    return values[:, 0], {name: values[:, 1 + i] for i, name in enumerate(names)}


def summed(distribution, observer):
    functions = cmf(observer)
    low = max(distribution.wavelengths[0], functions.wavelengths[0])
    high = min(distribution.wavelengths[-1], functions.wavelengths[-1])
    s = distribution.values[(distribution.wavelengths >= low) & (distribution.wavelengths <= high)]
    bars = functions.values[(functions.wavelengths >= low) & (functions.wavelengths <= high)]
    return [float(v) for v in KM * s @ bars]


def expected():
    wavelengths, spectra = display_spectra()
    rows = []
    for name in ["rgbled_W", "lcdnarrowred_W", "oled_W", "laser_W", "planck2856_100"]:
        for start, step in [(380, 1), (380, 2), (380, 4), (380, 5), (380, 10), (383, 5), (381, 4)]:
            picked = (wavelengths >= start) & (wavelengths <= 780) & ((wavelengths - start) % step == 0)
            for correction in [False, True]:
                sd = colour.SpectralDistribution(spectra[name][picked], wavelengths[picked])
                if correction:
                    sd = colour.SpectralDistribution(corrected(spectra[name][picked]), wavelengths[picked])
                if step > 1:
                    end = sd.wavelengths[-1]
                    sd.interpolate(colour.SpectralShape(start, end, 1), interpolator=colour.SpragueInterpolator)
                for observer in OBSERVERS:
                    rows.append({"spectrum": name, "start_nm": start, "step_nm": step, "end_nm": 780,
                                 "bandwidth_nm": step if correction else None, "observer": observer,
                                 "xyz": summed(sd, observer)})
    out = {"made_by": "tests/reference/tools/spectral.py with colour-science 0.4.7, numpy " + np.__version__, "sums": rows}
    text = json.dumps(out)
    (SPECTRAL / "sums.json").write_text(text.replace('{"spectrum"', '\n{"spectrum"') + "\n")


for observer in OBSERVERS:
    table(observer)
expected()
