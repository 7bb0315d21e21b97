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
    codes_from_outputs,
    curve,
    level_from_code,
    outputs_of_codes,
    wire_octets,
)
from fillside.photometry.monotone import MonotoneCubic, monotone_slopes

# IEC 62386-102, logarithmic dimming curve: arc power in percent of levels 1 to 254, to four decimals, by its
# formula 10^((n - 1) / (253 / 3) - 1). 127 and 229 (3.12 % and 50.53 %) are quoted from its table in public.
DALI_PERCENT = (
    "0.1000 0.1028 0.1056 0.1085 0.1115 0.1146 0.1178 0.1211 0.1244 0.1279 0.1314 0.1350 0.1388 0.1426 "
    "0.1466 0.1506 0.1548 0.1591 0.1635 0.1680 0.1726 0.1774 0.1823 0.1874 0.1926 0.1979 0.2034 0.2090 "
    "0.2148 0.2207 0.2268 0.2331 0.2396 0.2462 0.2530 0.2600 0.2672 0.2746 0.2822 0.2900 0.2981 0.3063 "
    "0.3148 0.3235 0.3325 0.3417 0.3511 0.3608 0.3708 0.3811 0.3916 0.4025 0.4136 0.4251 0.4368 0.4489 "
    "0.4614 0.4741 0.4872 0.5007 0.5146 0.5288 0.5435 0.5585 0.5740 0.5899 0.6062 0.6230 0.6402 0.6579 "
    "0.6761 0.6949 0.7141 0.7339 0.7542 0.7750 0.7965 0.8185 0.8412 0.8645 0.8884 0.9130 0.9383 0.9643 "
    "0.9909 1.0184 1.0466 1.0755 1.1053 1.1359 1.1673 1.1996 1.2328 1.2670 1.3020 1.3381 1.3751 1.4132 "
    "1.4523 1.4925 1.5338 1.5763 1.6199 1.6647 1.7108 1.7582 1.8068 1.8568 1.9082 1.9611 2.0153 2.0711 "
    "2.1284 2.1874 2.2479 2.3101 2.3741 2.4398 2.5073 2.5767 2.6480 2.7213 2.7967 2.8741 2.9536 3.0354 "
    "3.1194 3.2057 3.2945 3.3857 3.4794 3.5757 3.6747 3.7764 3.8809 3.9883 4.0987 4.2122 4.3288 4.4486 "
    "4.5717 4.6983 4.8283 4.9619 5.0993 5.2404 5.3855 5.5346 5.6878 5.8452 6.0070 6.1732 6.3441 6.5197 "
    "6.7002 6.8856 7.0762 7.2721 7.4734 7.6803 7.8928 8.1113 8.3358 8.5666 8.8037 9.0474 9.2978 9.5551 "
    "9.8196 10.0914 10.3708 10.6578 10.9528 11.2560 11.5675 11.8877 12.2168 12.5549 12.9024 13.2596 13.6266 "
    "14.0038 14.3914 14.7897 15.1991 15.6198 16.0522 16.4965 16.9531 17.4223 17.9046 18.4002 18.9095 "
    "19.4329 19.9708 20.5236 21.0917 21.6755 22.2754 22.8920 23.5256 24.1768 24.8460 25.5338 26.2405 "
    "26.9668 27.7133 28.4804 29.2687 30.0788 30.9114 31.7670 32.6463 33.5499 34.4786 35.4329 36.4137 "
    "37.4216 38.4574 39.5219 40.6159 41.7401 42.8954 44.0828 45.3029 46.5569 47.8456 49.1699 50.5309 "
    "51.9296 53.3670 54.8442 56.3622 57.9223 59.5256 61.1732 62.8665 64.6066 66.3948 68.2326 70.1213 "
    "72.0622 74.0568 76.1067 78.2133 80.3782 82.6030 84.8895 87.2392 89.6539 92.1355 94.6857 97.3066 "
    "100.0000 "
)


def test_logarithmic_curve_is_that_of_iec_62386_102_at_all_levels() -> None:
    printed = DALI_PERCENT.split()
    assert len(printed) == 254
    for n, percent in enumerate(printed, start=1):
        level = max((n - 1) / 253, 1e-12)
        output = curve("log").output_from_level(level)
        assert 100 * output == pytest.approx(float(percent), abs=0.5001e-4), n
        assert curve("log").level_from_output(output) == pytest.approx(level, abs=1e-12), n


@pytest.mark.parametrize(
    ("n", "percent"),
    [(85, 0.99094), (126, 3.035383), (127, 3.119401), (170, 10.091427), (229, 50.530932), (254, 100.0)],
)
def test_logarithmic_curve_to_six_decimals(n: int, percent: float) -> None:
    """The same formula of IEC 62386-102."""
    assert 100 * curve("log").output_from_level((n - 1) / 253) == pytest.approx(percent, abs=0.5001e-6)


def test_logarithmic_curve_steps_and_range() -> None:
    """One level of IEC 62386-102 is a factor 10^(3 / 253) = 1.0276795335, 0.0393904517 stop, and all of them
    log2(1000) = 9.965784285 stops; level 0 is out."""
    log = curve("log")
    step = log.output_from_level(101 / 253) / log.output_from_level(100 / 253)
    assert step == pytest.approx(1.0276795335, abs=0.5001e-10)
    assert math.log2(step) == pytest.approx(0.0393904517, abs=0.5001e-10)
    assert math.log2(1 / log.output_from_level(1e-12)) == pytest.approx(9.965784285, abs=0.5001e-9)
    assert log.output_from_level(0.0) == 0.0


# CIE 1976 lightness (CIE 15, ISO/CIE 11664-4): Y/Yn by L*, from the definition, to ten decimals.
LUMINANCE_BY_LIGHTNESS = [
    (1, 0.0011070565),
    (8, 0.0088564517),
    (10, 0.0112601993),
    (18, 0.0251804092),
    (20, 0.0298905244),
    (25, 0.0441547675),
    (40, 0.1125097380),
    (50, 0.1841865185),
    (60, 0.2812333429),
    (75, 0.4827810437),
    (80, 0.5668129075),
    (90, 0.7630335397),
    (100, 1.0000000000),
]


@pytest.mark.parametrize(("lightness", "luminance"), LUMINANCE_BY_LIGHTNESS)
def test_lightness_curve_is_cie_1976(lightness: float, luminance: float) -> None:
    assert curve("lightness").output_from_level(lightness / 100) == pytest.approx(luminance, abs=0.6e-10)


@pytest.mark.parametrize(
    ("luminance", "lightness"),
    [(0.18, 49.49610761), (0.5, 76.06926101), (0.1, 37.84243047), (0.01, 8.991442404), (0.001, 0.9032962963)],
)
def test_lightness_of_a_luminance_is_cie_1976(luminance: float, lightness: float) -> None:
    """CIE 1976: 18 % grey is L* 49.5; below Y/Yn 216/24389 the straight part of slope 24389/27."""
    assert 100 * curve("lightness").level_from_output(luminance) == pytest.approx(lightness, abs=0.5001e-8)


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


@pytest.mark.parametrize(("stops", "lowest"), [(0.1, 14), (0.05, 29), (0.02, 72), (0.01, 144)])
def test_lowest_linear_code_above_which_steps_are_small(stops: float, lowest: int) -> None:
    """A linear step is log2((n + 1) / n), at most s stops from n = 1 / (2^s - 1) on."""
    steps = np.diff(np.log2(outputs_of_codes(curve("linear"), 255)[1:]))
    assert 1 + int(np.flatnonzero(steps <= stops)[0]) == lowest


def test_a_lit_bulb_is_at_1_to_254() -> None:
    """Level Control of lighting in the Zigbee Cluster Library and Matter, from memory: CurrentLevel is 1 to
    254; 0 is not used, and 255 means unknown."""
    outputs = np.concatenate([np.logspace(-9, 0, 2001), [1.0]])
    for name in ("linear", "square", "log", "lightness"):
        codes = codes_from_outputs(curve(name), outputs, 254)
        assert (codes.min(), codes.max()) == (1, 254)


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
