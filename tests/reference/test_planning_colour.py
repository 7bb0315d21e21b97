"""Mired, McCamy, Duv and the black-body locus against published values and Planck's law integrated."""

from __future__ import annotations

import pytest

from fillside.photometry.colour import (
    cct_after_shift_k,
    duv,
    mccamy_cct_k,
    mired,
    planckian_uv,
    shift_mired,
    white_duv,
)
from fillside.planning.look.colour import colour_answers, steps_apart, uv_per_mired


# 10^6 / T, two printed digits; the list is that of common lamps and daylights.
@pytest.mark.parametrize(
    ("kelvin", "value"),
    [
        (2700, 370.37), (2856, 350.14), (3000, 333.33), (3200, 312.50), (4000, 250.00), (4300, 232.56),
        (5000, 200.00), (5500, 181.82), (5600, 178.57), (5700, 175.44), (6500, 153.85),
    ],
)  # fmt: skip
def test_mired(kelvin: float, value: float) -> None:
    assert mired(kelvin) == pytest.approx(value, abs=0.005)


def test_filter_from_tungsten_to_daylight() -> None:
    # printed in the encyclopedia article "Mired": 3200 K to 5700 K takes -137
    assert round(shift_mired(3200, 5700)) == -137
    # a textbook of cinematography: 5000 K and 6000 K lie 33 mired apart
    assert round(abs(shift_mired(5000, 6000))) == 33
    assert cct_after_shift_k(3200, shift_mired(3200, 5600)) == pytest.approx(5600)


@pytest.mark.parametrize("shift", [-250.0, -251.0])
def test_no_filter_leads_to_no_mired_at_all(shift: float) -> None:
    """4000 K is 250 mired."""
    with pytest.raises(ValueError, match="0 mired"):
        cct_after_shift_k(4000, shift)
    assert cct_after_shift_k(4000, -249.5) == pytest.approx(2e6), "any other is one"


# 10^6 (1 / to - 1 / from), to the printed digits.
@pytest.mark.parametrize(
    ("source", "wanted", "shift"),
    [
        (3200, 5600, -133.9285714),
        (3200, 5500, -130.6818182),
        (5500, 3200, 130.6818182),
        (3200, 5700, -137.0614035),
        (5600, 4300, 53.98671096),
    ],
)
def test_shift_between_two_lights(source: float, wanted: float, shift: float) -> None:
    assert shift_mired(source, wanted) == pytest.approx(shift, abs=0.5001e-7)


# Chromaticities of CIE illuminants (CIE 15). McCamy's own results for A and D65 are printed as 2857.13 K and
# 6504.39 K; Duv of a CIE daylight near 0.0032 is common to published tables, that of A is 0.
@pytest.mark.parametrize(
    ("x", "y", "kelvin", "off_locus"),
    [
        (0.44758, 0.40745, 2857.13, 0.00001),
        (0.34567, 0.35850, 5002.10, 0.00321),
        (0.33242, 0.34743, 5502.62, 0.00326),
        (0.31271, 0.32902, 6504.39, 0.00321),
        (1 / 3, 1 / 3, 5458.95, -0.00442),
    ],
)
def test_mccamy_and_duv_of_cie_illuminants(x: float, y: float, kelvin: float, off_locus: float) -> None:
    assert mccamy_cct_k(x, y) == pytest.approx(kelvin, abs=0.005)
    assert duv(x, y) == pytest.approx(off_locus, abs=6e-6)


# The nominal whites of ANSI C78.377-2015 in its own table: target CCT and target Duv, each to +-0.006 (from
# memory).
@pytest.mark.parametrize(
    ("kelvin", "target"),
    [
        (2238, 0.0000), (2460, 0.0000), (2725, 0.0000), (3045, 0.0001), (3465, 0.0005), (3985, 0.0010),
        (4503, 0.0015), (5029, 0.0020), (5667, 0.0025), (6532, 0.0031),
    ],
)  # fmt: skip
def test_the_whites_of_lamps_leave_the_black_bodys_line_as_they_cool(kelvin: float, target: float) -> None:
    assert white_duv(kelvin) == pytest.approx(target, abs=5e-5)


def test_outside_the_standards_range_its_nearest_white_counts() -> None:
    assert white_duv(1000) == 0
    assert white_duv(15_000) == white_duv(6535) == pytest.approx(0.0031, abs=5e-5)


# u'v' moved by one mired, by finite difference on the locus from Planck's law and the CIE 1931 observer.
@pytest.mark.parametrize(
    ("kelvin", "moved"), [(3200, 0.000376), (4300, 0.000429), (5600, 0.000477), (6500, 0.000498)]
)
def test_one_mired_moves_the_locus(kelvin: float, moved: float) -> None:
    assert uv_per_mired(kelvin) == pytest.approx(moved, abs=5e-6)


def test_planckian_locus_at_illuminant_a() -> None:
    # CIE 15: illuminant A, x = 0.44758, y = 0.40745, is a black body of 2855.5 K (c2 = 1.4388e-2 m K);
    # the approximation is quoted as good to 8e-5 in u and 9e-5 in v; here it is 9.9e-5 off in v
    x, y = 0.44758, 0.40745
    u, v = 4 * x / (-2 * x + 12 * y + 3), 6 * y / (-2 * x + 12 * y + 3)
    got_u, got_v = planckian_uv(2855.5)
    assert abs(got_u - u) < 1e-4
    assert abs(got_v - v) < 1e-4


def test_one_step_in_mired() -> None:
    # a circle of 0.0011 in u'v' is 2.9 mired at 3200 K and 2.3 mired at 5600 K (CIE TN 001:2014, from memory)
    assert 0.0011 / uv_per_mired(3200) == pytest.approx(2.9, abs=0.05)
    assert 0.0011 / uv_per_mired(5600) == pytest.approx(2.3, abs=0.05)
    assert steps_apart(5600, 5600) == 0


def test_only_what_is_seen_and_lights_the_face_matters() -> None:
    ccts = {"key": 5600.0, "fill": 5500.0, "hair": 3200.0, "far": 3200.0, "monitor": 6500.0}
    answers = {a.source: a for a in colour_answers(ccts, "key", {"fill": 0.3, "hair": 0.2, "far": 0.01})}
    assert not answers["fill"].matters
    assert answers["hair"].matters
    assert answers["hair"].shift_mired == pytest.approx(-133.93, abs=0.005)
    assert not answers["far"].matters
    assert answers["monitor"].matters
