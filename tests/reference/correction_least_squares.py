"""Makes correction_least_squares.json: matrices by weighted least squares, by two routes that are not ours.

Run with numpy 2.4.6 and scipy 1.17.1. The paired readings are those of four_colour_matrix.json, made untrue by fixed amounts.
"""

import json
import os

import numpy
import scipy
import scipy.optimize

HERE = os.path.dirname(os.path.abspath(__file__))
CASES = json.load(open(os.path.join(HERE, "four_colour_matrix.json")))["cases"]
PRIMARIES = {"white": "W", "red": "R", "green": "G", "blue": "B"}
MIXTURES = ["cyan", "magenta", "yellow", "grey50"]


def pairs(case):
    names = list(PRIMARIES) + MIXTURES
    tests = {test["name"]: test for test in case["tests"]}
    meter = [case["instrument_XYZ"][PRIMARIES[n]] if n in PRIMARIES else tests[n]["instrument_XYZ"] for n in names]
    truth = [case["reference_XYZ"][PRIMARIES[n]] if n in PRIMARIES else tests[n]["reference_XYZ"] for n in names]
    return names, numpy.array(meter), numpy.array(truth)


def fit(meter, truth):
    """Rows of M that make sum |M m - r|^2 / Y^2 smallest."""
    weight = 1 / truth[:, 1:2]
    return numpy.linalg.lstsq(meter * weight, truth * weight, rcond=None)[0].T


def fit_again(meter, truth):
    """The same by iteration, from the unit matrix."""
    weight = 1 / truth[:, 1:2]
    far = lambda m: ((meter @ m.reshape(3, 3).T - truth) * weight).ravel()
    found = scipy.optimize.least_squares(far, numpy.eye(3).ravel(), method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    return found.x.reshape(3, 3)


def main():
    cases = {}
    spread = 0.0
    for index, name in enumerate(["lcd_linear", "oled_linear", "oled_white_subpixel", "lcd_rounded_readings"]):
        names, meter, truth = pairs(CASES[name])
        noise = numpy.random.default_rng(index).normal(size=meter.shape)
        meter = numpy.round(meter * (1 + 0.003 * noise), 6)
        matrix = fit(meter, truth)
        spread = max(spread, numpy.abs(matrix - fit_again(meter, truth)).max())
        unseen = []
        for left in range(len(names)):
            keep = [i for i in range(len(names)) if i != left]
            unseen.append((fit(meter[keep], truth[keep]) @ meter[left]).tolist())
        cases[name] = {
            "names": names,
            "instrument_XYZ": meter.tolist(),
            "reference_XYZ": truth.tolist(),
            "matrix": matrix.tolist(),
            "left_out_XYZ": unseen,
        }
    result = {
        "source": "Computed by correction_least_squares.py with numpy %s and scipy %s." % (numpy.__version__, scipy.__version__),
        "method": "M that makes sum |M m - r|^2 / Y_r^2 smallest: numpy.linalg.lstsq; checked by scipy.optimize.least_squares.",
        "spread_of_the_two": "%.1e" % spread,
        "tolerance": "1e-9 relative to the largest element",
        "cases": cases,
    }
    with open(os.path.join(HERE, "correction_least_squares.json"), "w") as out:
        json.dump(result, out, indent=1)
        out.write("\n")
    print(result["spread_of_the_two"])


main()
