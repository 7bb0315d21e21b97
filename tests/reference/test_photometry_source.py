"""Reference: light of discs on flat and dome receptors, against configuration factors and adaptive
integration.
"""

from __future__ import annotations

import math
from itertools import pairwise, product

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import dblquad

from fillside.photometry.source import LightSources, facing_lux, receptor_lux

Vector = NDArray[np.float64]
EYE = np.zeros(3)


def unit(v: ArrayLike) -> Vector:
    w = np.asarray(v, dtype=float)
    return np.asarray(w / np.linalg.norm(w))


def one(
    centre: ArrayLike, axis: ArrayLike, radius: float, spread: float = 1.0, intensity: float = 1.0
) -> LightSources:
    row, zero = np.array([1.0]), np.zeros(1)
    return LightSources(
        np.array([centre], dtype=float),
        unit(axis)[None],
        row * intensity,
        row * spread,
        row * 2 * radius,
        zero,
    )


def lux(head: LightSources, facing: ArrayLike, *, dome: bool = False, at: ArrayLike = EYE) -> float:
    return float(receptor_lux(head, at, unit(facing)[None], [dome])[0, 0])


def factor(centre: ArrayLike, axis: ArrayLike, radius: float, facing: ArrayLike) -> float:
    """Configuration factor F = E / (pi L) of a Lambertian disc: with I0 = L pi R^2 of pi R^2, E is pi F."""
    return lux(one(centre, axis, radius, intensity=math.pi * radius**2), facing) / math.pi


# Howell, A Catalog of Radiation Heat Transfer Configuration Factors, section B


def howell_b13(radius: float, height: float, tilt: float) -> float:
    """B-13: element on the disc's axis, its normal turned by `tilt` from the axis, whole and cut disc."""
    h = height / radius
    if tilt <= math.atan(h):
        return math.cos(tilt) / (1 + h * h)
    if tilt >= math.pi - math.atan(h):
        return 0.0
    y = -h / math.tan(tilt)
    q = math.sin(tilt) * math.sqrt(1 - y * y)
    return ((math.cos(tilt) * math.acos(y) - h * q) / (1 + h * h) + math.atan(q / h)) / math.pi


@pytest.mark.parametrize("height", [0.6, 1.0, 2.0, 5.0, 20.0])
@pytest.mark.parametrize("tilt_degrees", [0, 30, 55, 70, 80, 89, 90, 91, 100, 120, 150, 179])
def test_an_element_on_the_axis_gets_what_howell_b13_says(height: float, tilt_degrees: float) -> None:
    tilt = math.radians(tilt_degrees)
    expected = howell_b13(1.0, height, tilt)
    found = factor((0, 0, height), (0, 0, -1), 1.0, (math.sin(tilt), 0, math.cos(tilt)))
    assert found == pytest.approx(expected, rel=1e-4, abs=1e-12)


@pytest.mark.parametrize(("h", "a"), [*product([0.35, 0.6, 1.0, 3.0, 10.0], [0.01, 0.5, 1.0, 2.0, 8.0])])
def test_parallel_and_upright_elements_off_the_axis(h: float, a: float) -> None:
    """Offset disc of radius 1: parallel element, and (where the horizon clears the disc) one upright to it.

    The closed forms of section B of the catalogue for an element parallel and perpendicular to an offset
    disc.
    """
    total = a * a + h * h + 1
    root = math.sqrt(total * total - 4 * a * a)
    assert factor((a, 0, h), (0, 0, -1), 1.0, (0, 0, 1)) == pytest.approx(
        0.5 * (1 - (total - 2) / root), rel=1e-4
    )
    if a >= 1:
        upright = h / (2 * a) * (total / root - 1)
        assert factor((a, 0, h), (0, 0, -1), 1.0, (1, 0, 0)) == pytest.approx(upright, rel=1e-4)


FACTORS = [
    ("on axis, facing", (0, 0, 1), 0.5, (0, 0, -1), (0, 0, 1), 0.200000),
    ("on axis at five diameters", (0, 0, 5), 0.5, (0, 0, -1), (0, 0, 1), 0.009901),
    ("tilted 30", (0, 0, 1), 0.5, (0, 0, -1), (0.5, 0, 0.866025), 0.173205),
    ("tilted 60, just clear", (0, 0, 1), 0.5, (0, 0, -1), (0.866025, 0, 0.5), 0.100000),
    ("tilted 75, cut", (0, 0, 1), 0.5, (0, 0, -1), (0.965926, 0, 0.258819), 0.054608),
    ("tilted 90, half seen", (0, 0, 1), 0.5, (0, 0, -1), (1, 0, 0), 0.020260),
    ("tilted 105", (0, 0, 1), 0.5, (0, 0, -1), (0.965926, 0, -0.258819), 0.002844),
    ("tilted 120, nothing seen", (0, 0, 1), 0.5, (0, 0, -1), (0.866025, 0, -0.5), 0.000000),
    ("offset, parallel", (1, 0, 1), 0.5, (0, 0, -1), (0, 0, 1), 0.065878),
    ("offset, upright", (1, 0, 1), 0.5, (0, 0, -1), (1, 0, 0), 0.058156),
    ("offset, aimed at the centre", (1, 0, 1), 0.5, (0, 0, -1), (1, 0, 1), 0.087706),
    ("offset 0.3, upright, cut", (0.3, 0, 1), 0.5, (0, 0, -1), (1, 0, 0), 0.046093),
    ("offset 0.3, turned away, cut", (0.3, 0, 1), 0.5, (0, 0, -1), (-1, 0, 0), 0.002686),
    ("tilted 80 aside", (0.3, 0, 1), 0.5, (0, 0, -1), (0.492404, 0.852869, 0.173648), 0.053857),
    ("key", (0.734847, 0.734847, 0.6), 0.4191, (-0.612372, -0.612372, -0.5), (0, 1, 0), 0.066574),
    (
        "key, cheek away",
        (0.734847, 0.734847, 0.6),
        0.4191,
        (-0.612372, -0.612372, -0.5),
        (-0.866025, 0.5, 0),
        0.000540,
    ),
    (
        "key, cheek dark",
        (0.734847, 0.734847, 0.6),
        0.4191,
        (-0.612372, -0.612372, -0.5),
        (-0.965926, 0.258819, 0),
        0.000000,
    ),
    (
        "not aimed here",
        (0.6, 0.2, 1.1),
        0.3,
        (-0.633022, -0.111619, -0.766044),
        (-0.321394, -0.116978, 0.939693),
        0.033236,
    ),
    ("a tenth of a diameter", (0.4, 0, 0.1), 0.5, (0, 0, -1), (0, 0, 1), 0.812348),
]


@pytest.mark.parametrize(
    ("centre", "radius", "axis", "facing", "expected"), [f[1:] for f in FACTORS], ids=[f[0] for f in FACTORS]
)
def test_factors_of_lambertian_discs(
    centre: ArrayLike, radius: float, axis: ArrayLike, facing: ArrayLike, expected: float
) -> None:
    """Six printed decimals from adaptive integration; 1e6-sample Monte Carlo and the contour integral agree.

    The contour integral is Fock's and Lambert's: E = L / 2 times the integral of n.(r x dr) / r^2 round the
    seen part.
    """
    assert factor(centre, axis, radius, facing) == pytest.approx(expected, abs=2e-6)


def test_a_tiny_source_is_a_point() -> None:
    """R = 0.01 at (1, 1, 1), parallel: F = 1.111148e-5 by the closed form for an offset parallel disc."""
    assert factor((1, 1, 1), (0, 0, -1), 0.01, (0, 0, 1)) == pytest.approx(1.111148e-05, abs=0.5e-11)


# rectangles, of many points


def tiled(
    centre: ArrayLike, half_x: ArrayLike, half_y: ArrayLike, axis: ArrayLike, facing: ArrayLike
) -> float:
    """F of a Lambertian rectangle whose light is given by points at the nodes of Gauss and Legendre.

    Where the receptor's horizon cuts it along x, it is split there: both parts are smooth, one of them dark.
    """
    c, x, y = np.array(centre), np.array(half_x), np.array(half_y)
    n = unit(facing)
    lean = float(n @ x)
    cut = -float(n @ c) / lean if abs(lean) > 1e-12 else 2.0
    edges = [-1.0, cut, 1.0] if -1 < cut < 1 else [-1.0, 1.0]
    node, weight = np.polynomial.legendre.leggauss(40)
    total = 0.0
    for low, high in pairwise(edges):
        across, share = (low + high + (high - low) * node) / 2, (high - low) / 4 * weight
        places = np.array([c + u * x + v * y for u in across for v in node])
        area_m2 = 4 * float(np.linalg.norm(x) * np.linalg.norm(y))
        none = np.zeros(len(places))
        points = LightSources(
            places,
            np.tile(unit(axis), (len(places), 1)),
            area_m2 * np.outer(share, weight / 2).ravel(),
            none + 1,
            none,
            none,
            none,
        )
        total += float(receptor_lux(points, EYE, n[None], [False]).sum())
    return total / math.pi


# Lambert's polygon formula cut at the horizon; a product rule of Gauss and Legendre agrees.
RECTANGLES = [
    ("0.6 x 0.9 at 1.2 m", (0, 0, 1.2), 0.3, 0.45, (0, 0, 1), 0.1052735106),
    ("a square metre at 1 m", (0, 0, 1), 0.5, 0.5, (0, 0, 1), 0.2394564705),
    ("tilted 45", (0, 0, 1.2), 0.3, 0.45, (0.707106781, 0, 0.707106781), 0.07443961321),
    ("tilted 80, cut", (0, 0, 1.2), 0.3, 0.45, (0.984807753, 0, 0.173648178), 0.0188121131),
    ("a strip aside", (0.8, 0.1, 1), 0.15, 0.6, (0, 0, 1), 0.03748502856),
    ("a strip aside, upright", (0.8, 0.1, 1), 0.15, 0.6, (1, 0, 0), 0.02947823094),
]


@pytest.mark.parametrize(
    ("centre", "half_x", "half_y", "facing", "expected"),
    [r[1:] for r in RECTANGLES],
    ids=[r[0] for r in RECTANGLES],
)
def test_points_add_up_to_lamberts_rectangles(
    centre: ArrayLike, half_x: float, half_y: float, facing: ArrayLike, expected: float
) -> None:
    found = tiled(centre, (half_x, 0, 0), (0, half_y, 0), (0, 0, -1), facing)
    assert found == pytest.approx(expected, abs=0.5001e-10)


@pytest.mark.parametrize(
    ("sides", "over_reads"), [(1, 0.3293016705), (2, 0.08301623683), (5, 0.01332457781), (10, 0.003332779886)]
)
def test_the_point_law_over_reads_squares(sides: float, over_reads: float) -> None:
    """Lambert's formula for a square facing at so many sides: 1.33 % over at five, so the largest dimension
    of the five-times rule is the diagonal."""
    square = tiled((0, 0, sides), (0.5, 0, 0), (0, 0.5, 0), (0, 0, -1), (0, 0, 1))
    assert (1 / sides**2) / (math.pi * square) - 1 == pytest.approx(over_reads, abs=1e-10)


# the inverse-square law and where it ends


@pytest.mark.parametrize(
    ("diameters", "over_reads"),
    [(1, 0.25), (2, 0.0625), (3, 0.02777777778), (4, 0.015625), (5, 0.01), (10, 0.0025)],
)
def test_five_times_rule(diameters: float, over_reads: float) -> None:
    """IES definition of the inverse-square law: within 1 % from five times the largest dimension on.

    A Lambertian disc on its axis: E = pi L R^2 / (R^2 + d^2), so the point law is over by (R / d)^2.
    """
    disc = lux(one((0, 0, diameters), (0, 0, -1), 0.5), (0, 0, 1))
    assert (1 / diameters**2) / disc - 1 == pytest.approx(over_reads, abs=0.5e-5)


def test_4000_lumens_from_one_face_of_a_disc() -> None:
    """4000 lm from a 0.6 m Lambertian disc: I0 = flux / pi = 1273.24 cd, at 1.5 m 544.12 lx, as a point
    565.88 lx. Its luminance flux / (pi^2 R^2) = 4503.1637 cd/m2, which an element at 0.3 diameters sees in
    R^2 / (R^2 + d^2) of its cosine-weighted sky.
    """
    intensity = 4000 / math.pi
    head = one((0, 0, 1.5), (0, 0, -1), 0.3, intensity=intensity)
    assert intensity == pytest.approx(1273.24, abs=0.005)
    assert lux(head, (0, 0, 1)) == pytest.approx(544.12, abs=0.005)
    assert lux(one((0, 0, 1.5), (0, 0, -1), 0.0, intensity=intensity), (0, 0, 1)) == pytest.approx(
        565.88, abs=0.005
    )
    near = lux(one((0, 0, 0.18), (0, 0, -1), 0.3, intensity=intensity), (0, 0, 1))
    assert near / math.pi * (0.3**2 + 0.18**2) / 0.3**2 == pytest.approx(4503.1637, abs=1e-3)


@pytest.mark.parametrize("beam_degrees", [120, 90, 60, 30])
def test_half_intensity_at_half_the_beam_angle(beam_degrees: float) -> None:
    """Beam angle: between the directions of half the axial intensity (CIE S 017 ILV), so m = ln 0.5 /
    ln cos(beam / 2).
    """
    spread = math.log(0.5) / math.log(math.cos(math.radians(beam_degrees / 2)))
    half = math.radians(beam_degrees / 2)
    aside = one((0, 0, 10), (math.sin(half), 0, -math.cos(half)), 0.0, spread)
    assert facing_lux(aside, EYE)[0] == pytest.approx(0.5 / 100, rel=1e-12)


@pytest.mark.parametrize("spread", [0.0, 1.0, 2.0, 4.819, 19.99])
def test_the_flux_through_a_sphere_is_two_pi_over_m_plus_one(spread: float) -> None:
    """Flux of a cos^m head = 2 pi I0 / (m + 1): summed here over a far sphere of receptors facing the
    head.
    """
    x, w = np.polynomial.legendre.leggauss(24)
    cosine, weight = (x + 1) / 2, w / 2
    radius_m = 100.0
    spots = radius_m * np.stack([np.sqrt(1 - cosine**2), 0 * cosine, cosine], axis=1)
    head = one((0, 0, 0), (0, 0, 1), 0.3, spread)
    received = [facing_lux(head, spot)[0] for spot in spots]
    flux = 2 * math.pi * radius_m**2 * float(np.dot(weight, received))
    assert flux == pytest.approx(2 * math.pi / (spread + 1), rel=1e-5)


# receptors


@pytest.mark.parametrize(
    ("degrees", "flat", "dome"),
    [
        (0, 1.0, 1.0),
        (30, 0.8660254038, 0.9330127019),
        (45, 0.7071067812, 0.8535533906),
        (60, 0.5, 0.75),
        (90, 0.0, 0.5),
        (120, 0.0, 0.25),
        (135, 0.0, 0.1464466094),
        (180, 0.0, 0.0),
    ],
)
def test_flat_receptors_weigh_by_the_cosine_and_domes_by_the_cardioid(
    degrees: float, flat: float, dome: float
) -> None:
    """Cosine law of illuminance (CIE S 017); a dome's cardioid (1 + cos) / 2 (common practice): 45
    degrees 0.8536.
    """
    angle = math.radians(degrees)
    facing = (math.sin(angle), 0, math.cos(angle))
    head = one((0, 0, 2), (0, 0, -1), 0.0, intensity=4.0)
    assert lux(head, facing) == pytest.approx(flat, abs=0.5001e-10)
    assert lux(head, facing, dome=True) == pytest.approx(dome, abs=0.5001e-10)


def integrated(
    centre: Vector, axis: Vector, radius: float, spread: float, facing: Vector, dome: bool
) -> float:
    """The same light by scipy's adaptive QUADPACK (dblquad) over what the receptor's horizon leaves of
    the disc.
    """
    slope = facing - (facing @ axis) * axis
    lean = float(np.linalg.norm(slope))
    uphill = unit(slope) if lean > 1e-9 else unit(np.cross(axis, (0.31, 0.52, 0.79)))
    across = np.cross(axis, uphill)
    ahead = float(facing @ centre)
    horizon = -radius
    if not dome:
        if lean <= 1e-9 and ahead <= 0:
            return 0.0
        horizon = -radius if lean <= 1e-9 else -ahead / lean
    if horizon >= radius:
        return 0.0
    least = math.asin(max(horizon, -radius) / radius)
    c, a, u, v, n = (tuple(float(x) for x in w) for w in (centre, axis, uphill, across, facing))

    def element(share: float, angle: float) -> float:
        t, half = radius * math.sin(angle), radius * math.cos(angle)
        p = [c[k] + t * u[k] + share * half * v[k] for k in range(3)]
        r2 = p[0] * p[0] + p[1] * p[1] + p[2] * p[2]
        r = math.sqrt(r2)
        leaving = -(p[0] * a[0] + p[1] * a[1] + p[2] * a[2]) / r
        arriving = (p[0] * n[0] + p[1] * n[1] + p[2] * n[2]) / r
        weight = (1 + arriving) / 2 if dome else max(arriving, 0.0)
        return float(leaving**spread * weight / r2 * half * half)

    whole, _ = dblquad(element, least, math.pi / 2, -1, 1, epsabs=0, epsrel=1e-6)
    return float(whole / (math.pi * radius**2))


def scattered(count: int, seed: int) -> list[tuple[Vector, Vector, float, float, Vector, bool]]:
    """Discs at 0.3 to 10 diameters, all spreads, receptors facing anywhere: often cut by the horizon."""
    chance = np.random.default_rng(seed)
    cases = []
    for k in range(count):
        radius = chance.uniform(0.1, 1.0)
        far = 2 * radius * math.exp(chance.uniform(math.log(0.3), math.log(10)))
        slant = math.radians(chance.uniform(0, 60 if far > 2 * radius else 20))
        axis = unit(chance.normal(size=3))
        aside = unit(np.cross(axis, chance.normal(size=3)))
        centre = -far * (math.cos(slant) * axis + math.sin(slant) * aside)
        spread = float(chance.choice([0, 0.5, 1, 2, 4.8, 10, 20]))
        horizontal = unit(np.cross(centre, chance.normal(size=3)))
        facing = (
            unit(horizontal + chance.uniform(-0.5, 0.5) * unit(centre))
            if k % 2
            else unit(chance.normal(size=3))
        )
        cases.append((centre, axis, radius, spread, facing, k % 4 == 0))
    return cases


@pytest.mark.parametrize("case", scattered(60, seed=20), ids=str)
def test_any_disc_and_receptor_against_quadpack(
    case: tuple[Vector, Vector, float, float, Vector, bool],
) -> None:
    centre, axis, radius, spread, facing, dome = case
    found = lux(one(centre, axis, radius, spread), facing, dome=dome)
    assert found == pytest.approx(integrated(*case), rel=3e-5, abs=1e-12)


@pytest.mark.parametrize("spread", [0.0, 1.0, 20.0, 60.0, 200.0])
@pytest.mark.parametrize("offset", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("tilt_degrees", [0, 75])
def test_discs_at_three_tenths_of_a_diameter(spread: float, offset: float, tilt_degrees: float) -> None:
    """Spreads up to a spotlight's, in front of the middle, half-way and the rim; tilted 75 degrees cuts
    the disc.
    """
    tilt = math.radians(tilt_degrees)
    facing = np.array([math.sin(tilt), 0.0, math.cos(tilt)])
    centre, axis = np.array([offset, 0.0, 0.6]), np.array([0.0, 0.0, -1.0])
    expected = integrated(centre, axis, 1.0, spread, facing, False)
    assert lux(one(centre, axis, 1.0, spread), facing) == pytest.approx(expected, rel=1e-4)
