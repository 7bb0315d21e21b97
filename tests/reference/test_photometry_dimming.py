"""Reference: dimming curves against IEC 62386-102, CIE 1976 lightness, and Fritsch and Carlson's own
conditions.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator
from scipy.optimize import brentq

from fillside.photometry.dimming import (
    TableCurve,
    code_from_level,
    curve,
    level_from_code,
    outputs_of_codes,
    wire_octets,
)
from fillside.photometry.monotone import MonotoneCubic, monotone_slopes

# IEC 62386-102, logarithmic dimming curve: arc power in percent by level, four significant digits. 127 and
# 229 are quoted from its table in public; the others its formula 10^((n - 1) / (253 / 3) - 1), from memory.
DALI_PERCENT = {
    1: "0.1000",
    10: "0.1279",
    50: "0.3811",
    85: "0.9909",
    86: "1.018",
    100: "1.492",
    126: "3.035",
    127: "3.119",
    144: "4.962",
    170: "10.09",
    180: "13.26",
    200: "22.89",
    210: "30.08",
    220: "39.52",
    229: "50.53",
    230: "51.93",
    240: "68.23",
    250: "89.65",
    254: "100.0",
}


def half_a_digit(printed: str) -> float:
    return 0.5001 * 10.0 ** -len(printed.partition(".")[2])


@pytest.mark.parametrize(("n", "percent"), DALI_PERCENT.items())
def test_logarithmic_curve_is_that_of_iec_62386_102(n: int, percent: str) -> None:
    level = max((n - 1) / 253, 1e-12)
    output = curve("log").output_from_level(level)
    assert 100 * output == pytest.approx(float(percent), abs=half_a_digit(percent))
    assert curve("log").level_from_output(output) == pytest.approx(level, abs=1e-12)


def test_logarithmic_curve_steps_and_range() -> None:
    """One level of IEC 62386-102 is a factor 1.02768, all of them 9.966 stops; level 0 is out."""
    log = curve("log")
    step = log.output_from_level(101 / 253) / log.output_from_level(100 / 253)
    assert step == pytest.approx(1.02768, abs=0.5e-5)
    assert math.log2(1 / log.output_from_level(1e-12)) == pytest.approx(9.966, abs=0.5e-3)
    assert log.output_from_level(0.0) == 0.0


# CIE 1976 lightness (CIE 15, ISO/CIE 11664-4): Y/Yn by L*, from the definition, printed to six decimals.
LUMINANCE_BY_LIGHTNESS = [
    (1, 0.001107),
    (8, 0.008856),
    (10, 0.011260),
    (18, 0.025180),
    (20, 0.029891),
    (25, 0.044155),
    (40, 0.112510),
    (50, 0.184187),
    (60, 0.281233),
    (75, 0.482781),
    (80, 0.566813),
    (90, 0.763034),
    (100, 1.000000),
]


@pytest.mark.parametrize(("lightness", "luminance"), LUMINANCE_BY_LIGHTNESS)
def test_lightness_curve_is_cie_1976(lightness: float, luminance: float) -> None:
    assert curve("lightness").output_from_level(lightness / 100) == pytest.approx(luminance, abs=0.5001e-6)


@pytest.mark.parametrize(
    ("luminance", "lightness"),
    [(0.18, 49.4961), (0.5, 76.0693), (0.1, 37.8424), (0.01, 8.9914), (0.001, 0.9033)],
)
def test_lightness_of_a_luminance_is_cie_1976(luminance: float, lightness: float) -> None:
    """CIE 1976: 18 % grey is L* 49.5; below Y/Yn 216/24389 the straight part of slope 24389/27."""
    assert 100 * curve("lightness").level_from_output(luminance) == pytest.approx(lightness, abs=0.5001e-4)


@pytest.mark.parametrize(("level", "output"), [(0.5, 0.25), (0.25, 0.0625), (0.9, 0.81), (1.0, 1.0)])
def test_square_law_gives_a_quarter_at_half(level: float, output: float) -> None:
    """Square-law dimming, IES Lighting Handbook, from memory: light goes with the square of the control."""
    assert curve("square").output_from_level(level) == pytest.approx(output, rel=1e-15)
    assert curve("square").level_from_output(output) == pytest.approx(level, rel=1e-15)


# Change in stops from one 8-bit code to the next: log2 of the two outputs by the definition of each curve.
STEPS = [
    (1, 1.0000, 2.0000, 1.0000),
    (2, 0.5850, 1.1699, 0.5850),
    (5, 0.2630, 0.5261, 0.2630),
    (10, 0.1375, 0.2750, 0.1375),
    (14, 0.0995, 0.1991, 0.0995),
    (20, 0.0704, 0.1408, 0.0708),
    (51, 0.0280, 0.0560, 0.0469),
    (64, 0.0224, 0.0447, 0.0411),
    (102, 0.0141, 0.0282, 0.0302),
    (128, 0.0112, 0.0225, 0.0256),
    (192, 0.0075, 0.0150, 0.0186),
    (254, 0.0057, 0.0113, 0.0147),
]


@pytest.mark.parametrize("row", STEPS)
def test_step_of_one_code_in_stops(row: tuple[int, float, float, float]) -> None:
    n, *stops = row
    for name, expected in zip(("linear", "square", "lightness"), stops, strict=True):
        outputs = outputs_of_codes(curve(name), 255)
        assert math.log2(outputs[n + 1] / outputs[n]) == pytest.approx(expected, abs=0.5001e-4)


@pytest.mark.parametrize(
    ("level", "code", "octets"),
    [
        (0.0, 0, [0, 0]),
        (0.01, 655, [2, 143]),
        (0.1, 6554, [25, 154]),
        (0.18, 11796, [46, 20]),
        (1 / 3, 21845, [85, 85]),
        (0.5, 32768, [128, 0]),
        (1.0, 65535, [255, 255]),
    ],
)
def test_sixteen_bits_go_coarse_slot_first(level: float, code: int, octets: list[int]) -> None:
    """Two DMX slots as one number, high octet first (common practice); 16-bit value round(level *
    65535), halves up.
    """
    assert code_from_level(level, 65535) == code
    assert wire_octets(code, 65535) == octets
    assert octets[0] * 256 + octets[1] == code
    assert level_from_code(code, 65535) == pytest.approx(level, abs=0.5 / 65535 + 1e-15)


# Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980)

# The paper's two data sets, from memory: radiochemistry (RPN 14) and Akima's.
RPN_14 = (
    (7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0),
    (0.0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994),
)
AKIMA = (
    (0.0, 2.0, 3.0, 5.0, 6.0, 8.0, 9.0, 11.0, 12.0, 14.0, 15.0),
    (10.0, 10.0, 10.0, 10.0, 10.0, 10.0, 10.5, 15.0, 50.0, 60.0, 85.0),
)


@pytest.mark.parametrize(("x", "y"), [RPN_14, AKIMA], ids=["RPN 14", "Akima"])
def test_the_papers_data_stay_monotone(x: tuple[float, ...], y: tuple[float, ...]) -> None:
    """Where the paper's unlimited cubics overshoot, ours rises through every point, and is flat where
    the data are.
    """
    cubic = MonotoneCubic(x, y)
    fine = np.linspace(x[0], x[-1], 20_001)
    values = cubic(fine)
    assert (np.diff(values) >= -1e-12 * y[-1]).all()
    assert cubic(np.array(x)) == pytest.approx(np.array(y), rel=1e-14)
    for left, right, low, high in zip(x, x[1:], y, y[1:], strict=False):
        inside = values[(fine >= left) & (fine <= right)]
        assert inside.min() >= low
        assert inside.max() <= high


@pytest.mark.parametrize(("x", "y"), [RPN_14, AKIMA], ids=["RPN 14", "Akima"])
def test_slopes_lie_in_the_papers_circle(x: tuple[float, ...], y: tuple[float, ...]) -> None:
    """The paper's sufficient condition: alpha, beta >= 0 and alpha^2 + beta^2 <= 9, slopes over the
    secant.
    """
    slopes = np.array(monotone_slopes(x, y))
    secants = np.diff(y) / np.diff(x)
    assert (slopes >= 0).all()
    assert (np.hypot(slopes[:-1], slopes[1:]) <= 3 * secants * (1 + 1e-12)).all()


def test_on_the_circle_both_slopes_keep_their_proportion() -> None:
    """The paper's step 2B: (alpha, beta) goes to tau (alpha, beta), tau = 3 / sqrt(alpha^2 + beta^2).

    Secants 1, 0.1 and 1: slopes start at 0.55 around the middle interval, alpha = beta = 5.5, so both end at
    0.1 * 3 / sqrt(2).
    """
    slopes = monotone_slopes([0, 1, 2, 3], [0.0, 1.0, 1.1, 2.1])
    assert slopes == pytest.approx([1.0, 0.3 / math.sqrt(2), 0.3 / math.sqrt(2), 1.0], rel=1e-12)


def test_a_gentle_table_is_the_plain_cubic_hermite_interpolant() -> None:
    """Where no slope must be limited: scipy's CubicHermiteSpline with the mean secants as slopes."""
    x = np.linspace(0, 1, 9)
    y = x * (0.4 + 0.6 * x)
    secants = np.diff(y) / np.diff(x)
    slopes = np.concatenate([secants[:1], (secants[1:] + secants[:-1]) / 2, secants[-1:]])
    fine = np.linspace(0, 1, 777)
    table = TableCurve(tuple(x), tuple(y))
    assert table.output_from_level(fine) == pytest.approx(CubicHermiteSpline(x, y, slopes)(fine), abs=1e-14)


def test_another_monotone_cubic_agrees_to_what_they_share() -> None:
    """scipy's PchipInterpolator has the slopes of Fritsch and Butland (1984), not of Fritsch and Carlson.

    On a smooth curve sampled finely the two differ by no more than their common order of error; they are
    not equal.
    """
    x = np.linspace(0, 1, 33)
    fine = np.linspace(0, 1, 1001)
    table = TableCurve(tuple(x), tuple(x**2.2))
    butland = PchipInterpolator(x, x**2.2)(fine)
    ours = table.output_from_level(fine)
    assert np.abs(ours - butland).max() < 5e-4
    assert np.abs(ours - butland).max() > 1e-7
    assert np.abs(ours - fine**2.2).max() < 5e-4


@pytest.mark.parametrize("output", [1e-9, 1e-4, 0.01, 0.08, 0.0801, 0.3, 0.77, 0.999999])
def test_the_inverse_of_a_table_is_brents_root(output: float) -> None:
    table = TableCurve((0.1, 0.2, 0.35, 0.5, 0.8, 1.0), (0.0, 0.02, 0.08, 0.4, 0.8, 1.0))
    root = brentq(lambda level: table.output_from_level(level) - output, 0.1, 1.0, xtol=1e-15, rtol=1e-14)
    assert table.level_from_output(output) == pytest.approx(root, abs=1e-10)
