"""Reference: the simulated lamps against closed forms of a Lambertian disc, so that the reference itself is
checked.

Configuration factors of a disc to a differential element: J. R. Howell, A Catalog of Radiation Heat Transfer
Configuration Factors, sections B-12 and B-13, and for the offset ones numerical integration to the printed
digits. With F = E / (pi L) and I0 = L pi R^2, E = I0 F / R^2.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillside_drivers.sim.truth import SimHead, Vector, direct_lux, unit

DOWN = (0.0, 0.0, -1.0)
KEY, KEY_AXIS = (0.734846923, 0.734846923, 0.6), (-0.612372436, -0.612372436, -0.5)


def factor(centre: Vector, radius: float, axis: Vector, normal: Vector) -> float:
    head = SimHead("a", centre, axis, intensity_cd=1 / radius**2, diameter_m=2 * radius)
    return direct_lux(head, "flat", (0.0, 0.0, 0.0), unit(normal)) * radius**4


@pytest.mark.parametrize(
    ("centre", "radius", "axis", "normal", "expected"),
    [
        ((0.0, 0.0, 1.0), 0.5, DOWN, (0.0, 0.0, 1.0), 0.200000),
        ((0.0, 0.0, 5.0), 0.5, DOWN, (0.0, 0.0, 1.0), 0.009901),
        ((0.0, 0.0, 1.0), 0.5, DOWN, (0.5, 0.0, 0.866025404), 0.173205),
        ((0.0, 0.0, 1.0), 0.5, DOWN, (0.866025404, 0.0, 0.5), 0.100000),
        ((0.0, 0.0, 1.0), 0.5, DOWN, (0.866025404, 0.0, -0.5), 0.0),
        ((1.0, 0.0, 1.0), 0.5, DOWN, (0.0, 0.0, 1.0), 0.065878),
        ((1.0, 0.0, 1.0), 0.5, DOWN, (1.0, 0.0, 0.0), 0.058156),
        ((1.0, 0.0, 1.0), 0.5, DOWN, (0.707106781, 0.0, 0.707106781), 0.087706),
        (KEY, 0.4191, KEY_AXIS, (0.0, 1.0, 0.0), 0.066574),
        (KEY, 0.4191, KEY_AXIS, (-0.965925826, 0.258819045, 0.0), 0.0),
        (
            (0.6, 0.2, 1.1),
            0.3,
            (-0.633022222, -0.111618897, -0.766044443),
            (-0.321393805, -0.116977778, 0.939692621),
            0.033236,
        ),
    ],
)
def test_disc_above_or_below_the_horizon(
    centre: Vector, radius: float, axis: Vector, normal: Vector, expected: float
) -> None:
    assert factor(centre, radius, axis, normal) == pytest.approx(expected, abs=5e-7)


# Where the horizon cuts the disc, the sum over elements is good to four digits, no better.
@pytest.mark.parametrize(
    ("centre", "normal", "expected"),
    [
        ((0.0, 0.0, 1.0), (0.965925826, 0.0, 0.258819045), 0.054608),
        ((0.0, 0.0, 1.0), (1.0, 0.0, 0.0), 0.020260),
        ((0.0, 0.0, 1.0), (0.965925826, 0.0, -0.258819045), 0.002844),
        ((0.3, 0.0, 1.0), (1.0, 0.0, 0.0), 0.046093),
        ((0.3, 0.0, 1.0), (-1.0, 0.0, 0.0), 0.002686),
        ((0.3, 0.0, 1.0), (0.492403877, 0.852868532, 0.173648178), 0.053857),
    ],
)
def test_disc_cut_by_the_horizon(centre: Vector, normal: Vector, expected: float) -> None:
    assert factor(centre, 0.5, DOWN, normal) == pytest.approx(expected, abs=5e-5)


def test_worked_case() -> None:
    """4000 lm from a Lambertian disc of 0.6 m at 1.5 m on axis: E = pi L R^2 / (R^2 + d^2) = 544.12 lx."""
    head = SimHead("a", (0.0, 0.0, 1.5), DOWN, intensity_cd=4000 / math.pi, diameter_m=0.6)
    assert round(direct_lux(head, "flat", (0.0, 0.0, 0.0), unit((0, 0, 1))), 2) == 544.12
    point = SimHead("a", (0.0, 0.0, 1.5), DOWN, intensity_cd=4000 / math.pi)
    assert round(direct_lux(point, "flat", (0.0, 0.0, 0.0), unit((0, 0, 1))), 2) == 565.88


@pytest.mark.parametrize(
    ("spread", "degrees", "part"), [(1.0, 60, 0.5), (2.0, 45, 0.5), (4.81884167930642, 30, 0.5)]
)
def test_half_intensity_direction(spread: float, degrees: float, part: float) -> None:
    """cos^m falls to half at half the beam angle: m = ln 0.5 / ln cos(beam / 2); 120, 90 and 60 degrees."""
    angle = math.radians(degrees)
    head = SimHead("a", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), intensity_cd=100.0, spread=spread)
    at = (10 * math.sin(angle), 0.0, 10 * math.cos(angle))
    assert direct_lux(head, "flat", at, -np.asarray(at) / 10) == pytest.approx(part, rel=1e-12)


# CIE 15: Y from L*, and IEC 62386-102 by level; values to the digits printed there or by the formula.
@pytest.mark.parametrize(
    ("curve", "level", "output"),
    [
        ("linear", 0.4, 0.4),
        ("square", 0.5, 0.25),
        ("lightness", 0.5, 0.184187),
        ("lightness", 0.08, 0.008856),
        ("log", 1.0, 1.0),
        ("log", 0.0, 0.0),
        ("log", 2 / 3, 0.1),
        (((0.5, 1.0), (0.2, 1.0)), 0.25, 0.1),
        (((0.5, 1.0), (0.2, 1.0)), 0.75, 0.6),
    ],
)
def test_stated_curves(curve: object, level: float, output: float) -> None:
    head = SimHead("a", (0.0, 0.0, 0.0), DOWN, 1.0, curve=curve)  # type: ignore[arg-type]
    assert head.output(level) == pytest.approx(output, abs=5e-7)
