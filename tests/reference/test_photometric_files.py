"""Reference: photometric files against worked numbers, published definitions and other readers."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate

from fillside.photometry.distribution import Distribution, HeadDistributions
from fillside.photometry.source import LightSources, receptor_lux
from fillside.rig.photometric.eulumdat import read_eulumdat
from fillside.rig.photometric.lm63 import read_lm63
from fillside.rig.photometric.photometric_file import PhotometricFile

LAMBERTIAN = """IESNA:LM-63-2002
[TEST] example
[TESTLAB] none
[ISSUEDATE] none
[MANUFAC] none
TILT=NONE
1 -1 1.0 7 1 1 2 -0.6 -0.6 0
1.0 1.0 40
0 15 30 45 60 75 90
0
1000.000 965.926 866.025 707.107 500.000 258.819 0.000
"""
"""1000 cd Lambertian by 15 degrees: a matt surface, I = I0 cos theta, of which all figures below follow."""


def distribution(measured: PhotometricFile) -> Distribution:
    mean = measured.mean_candela()
    return Distribution(measured.angles_deg, tuple(mean / mean[0]))


def point_source(measured: PhotometricFile) -> LightSources:
    """The file's light at the origin, aimed along z."""
    one, none = np.ones(1), np.zeros(1)
    return LightSources(
        np.zeros((1, 3)),
        np.array([[0.0, 0.0, 1.0]]),
        one * measured.mean_candela()[0],
        one,
        none,
        none,
        tabled=HeadDistributions.of([distribution(measured)]),
    )


def test_a_table_is_straight_between_its_angles() -> None:
    # 965.926 + (866.025 - 965.926) / 3: linear interpolation at 20 degrees, to the printed digits.
    measured = read_lm63(LAMBERTIAN)
    assert 1000 * distribution(measured).at_deg(20.0) == pytest.approx(932.6257, abs=0.5001e-4)


def test_the_illuminance_follows_inverse_square_and_cosine() -> None:
    # E = I cos / d^2: at 2 m, 20 degrees off the axis and 30 degrees of incidence; on the axis, facing it.
    measured = read_lm63(LAMBERTIAN)
    way = np.array([math.sin(math.radians(20)), 0.0, math.cos(math.radians(20))])
    across = np.array([0.0, 1.0, 0.0])
    facing = -way * math.cos(math.radians(30)) + across * math.sin(math.radians(30))
    lux = receptor_lux(point_source(measured), 2 * way, facing[None], [False])[0, 0]
    assert lux == pytest.approx(201.9194, abs=1e-4)
    on_axis = receptor_lux(point_source(measured), [0, 0, 2], [[0.0, 0.0, -1.0]], [False])[0, 0]
    assert on_axis == pytest.approx(250, abs=1e-9)


def test_zones_add_up_to_pi_times_the_intensity_of_a_matt_surface() -> None:
    # Lambertian: flux = pi I0, half of it within 45 degrees (sin^2 45). Straight pieces of a degree lie below
    # a cosine by a twelfth of the step's square [rad]: 1 part in 40,000.
    angles = np.arange(0.0, 91.0)
    shape = Distribution(tuple(angles), tuple(np.cos(np.radians(angles)).clip(0)))
    lost = math.radians(1) ** 2 / 12
    assert 1000 * shape.flux_lm_per_cd() == pytest.approx(3141.593 * (1 - lost), abs=2e-3)
    assert shape.flux_lm_per_cd(0, 45) / shape.flux_lm_per_cd() == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize(
    ("half_angle_deg", "steradians"),
    [
        (5, 0.02390941704),
        (10, 0.09545570306),
        (15, 0.2140943476),
        (30, 0.8417872145),
        (45, 1.840302369),
        (60, 3.141592654),
        (90, 6.283185307),
    ],
)
def test_even_light_of_one_candela_gives_a_cones_solid_angle(
    half_angle_deg: float, steradians: float
) -> None:
    # Omega = 2 pi (1 - cos a), of which no table step may take anything.
    for step in (180, 30, 7.5):
        angles = tuple(float(a) for a in np.arange(0, 180 + step, step))
        even = Distribution(angles, (1.0,) * len(angles))
        assert even.flux_lm_per_cd(0, half_angle_deg) == pytest.approx(steradians, rel=5e-10)


SPOT = Distribution((0.0, 5.0, 10.0, 25.0, 180.0), (1.0, 0.6, 0.1, 0.02, 0.0))
ALL_ROUND = Distribution((0.0, 180.0), (1.0, 1.0))


@pytest.mark.parametrize(
    ("shape", "from_deg", "to_deg"),
    [
        (distribution(read_lm63(LAMBERTIAN)), 0, 180), (distribution(read_lm63(LAMBERTIAN)), 20, 65),
        (Distribution((0.0, 90.0), (1.0, 0.0)), 0, 180), (Distribution((0.0, 180.0), (1.0, 0.0)), 90, 180),
        (SPOT, 0, 180), (SPOT, 0, 5), (SPOT, 3, 12), (SPOT, 90, 180), (ALL_ROUND, 0, 180),
        (ALL_ROUND, 30, 31),
    ],
)  # fmt: skip
def test_the_flux_is_that_of_the_table_as_it_lights(
    shape: Distribution, from_deg: float, to_deg: float
) -> None:
    # independent: scipy's quadrature of 2 pi I(a) sin a over each straight piece of the intensity that is lit
    edges = sorted({from_deg, to_deg, *(a for a in shape.angles_deg if from_deg < a < to_deg)})
    expected = sum(
        integrate.quad(
            lambda a: 2 * math.pi * shape.at_deg(math.degrees(a)) * math.sin(a),
            *map(math.radians, piece),
            epsabs=1e-13,
        )[0]
        for piece in itertools.pairwise(edges)
    )
    assert shape.flux_lm_per_cd(from_deg, to_deg) == pytest.approx(expected, rel=1e-9)


def test_the_flux_of_straight_beams_worked_by_hand() -> None:
    # 2 pi times the integral of (1 - a / A) sin a, which is 1 - sin A / A: A half a turn gives 2 pi.
    assert Distribution((0.0, 180.0), (1.0, 0.0)).flux_lm_per_cd() == pytest.approx(2 * math.pi)
    assert Distribution((0.0, 90.0), (1.0, 0.0)).flux_lm_per_cd() == pytest.approx(2 * math.pi - 4)
    assert ALL_ROUND.flux_lm_per_cd() == pytest.approx(4 * math.pi)
    assert SPOT.flux_lm_per_cd(180, 180) == ALL_ROUND.flux_lm_per_cd(50, 20) == 0


def test_feet_are_international_feet() -> None:
    # 1 ft = 0.3048 m exactly (international yard and pound agreement, 1959); 0.6 ft of diameter is 0.18288 m.
    feet = read_lm63(LAMBERTIAN.replace("7 1 1 2 -0.6", "7 1 1 1 -0.6"))
    assert feet.opening_m == pytest.approx(0.18288, abs=1e-9)
    assert read_lm63(LAMBERTIAN).opening_m == pytest.approx(0.6)


# Signs of the opening's sizes in ANSI/IESNA LM-63 (from memory): a rectangle has both above 0; a circle has
# its diameter below 0 in both (2002), or in one beside 0 (1995); an ellipse has two axes, both below 0 (2002)
# or one of them (1995). Areas by hand: width x length, and pi / 4 of it for an ellipse.
@pytest.mark.parametrize(
    ("width", "length", "area_m2"),
    [
        (0.8, 0.2, 0.16), (0.2, 0.8, 0.16), (-0.8, -0.2, 0.125664), (-0.2, -0.8, 0.125664),
        (-0.8, 0.2, 0.125664), (0.8, -0.2, 0.125664), (-0.6, -0.6, 0.282743), (-0.6, 0, 0.282743),
        (0, -0.6, 0.282743),
    ],
)  # fmt: skip
def test_the_opening_is_the_disc_of_its_area(width: float, length: float, area_m2: float) -> None:
    measured = read_lm63(LAMBERTIAN.replace("-0.6 -0.6 0", f"{width} {length} 0"))
    assert measured.opening_m is not None
    assert math.pi / 4 * measured.opening_m**2 == pytest.approx(area_m2, abs=1e-6)


def test_a_point_has_no_opening() -> None:
    assert read_lm63(LAMBERTIAN.replace("-0.6 -0.6 0", "0 0 0")).opening_m is None


def test_factors_multiply_the_listed_intensities() -> None:
    # LM-63: candela = listed x multiplier x ballast factor x ballast-lamp factor.
    text = LAMBERTIAN.replace("1 -1 1.0 7", "2 800 2.5 7").replace("1.0 1.0 40", "0.9 0.8 40")
    measured = read_lm63(text)
    assert measured.mean_candela()[0] == pytest.approx(1000 * 2.5 * 0.9 * 0.8)
    assert measured.lamp_lumens == 1600


@pytest.mark.parametrize(
    "header",
    [
        "IESNA91",
        "IESNA:LM-63-1995",
        "IESNA:LM-63-2002",
        "IES:LM-63-2019",
        "a label, as the edition of 1986 has",
    ],
)
def test_all_editions_are_read(header: str) -> None:
    measured = read_lm63(LAMBERTIAN.replace("IESNA:LM-63-2002", header))
    assert measured.angles_deg == (0, 15, 30, 45, 60, 75, 90)


def test_tilt_that_is_included_is_passed_over() -> None:
    tilt = "TILT=INCLUDE\n1\n3\n0 90 180\n1.0 0.95 0.9\n"
    assert read_lm63(LAMBERTIAN.replace("TILT=NONE\n", tilt)).mean_candela()[0] == 1000


def eulumdat(symmetry: int, planes: list[float], rows: list[list[float]], lamps: int = 1) -> str:
    """A made-up luminaire: 2000 lm of lamps, output ratio 50 %, angles 0, 45, 90."""
    entries = [
        "Nobody",
        "1",
        str(symmetry),
        str(len(planes)),
        "0",
        "3",
        "45",
        "report",
        "lamp",
        "",
        "file",
        "now",
    ]
    entries += ["500", "500", "100", "400", "0", "0", "0", "0", "0", "100", "50", "1.0", "0", "1"]
    entries += [str(lamps), "LED", "2000", "4000 K", "1A", "20"]
    entries += ["1"] * 10 + [f"{p:g}" for p in planes] + ["0", "45", "90"]
    entries += [f"{value:g}" for row in rows for value in row]
    return "\r\n".join(entries) + "\r\n"


QUARTERS = [0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0]


@pytest.mark.parametrize(
    ("symmetry", "stored"),
    [(1, [[100, 80, 0]]), (2, [[100, 80, 0]] * 5), (3, [[100, 80, 0]] * 5), (4, [[100, 80, 0]] * 3)],
)
def test_eulumdat_is_in_candela_for_a_thousand_lumens(symmetry: int, stored: list[list[float]]) -> None:
    # 100 cd/klm x 2000 lm = 200 cd.
    measured = read_eulumdat(eulumdat(symmetry, QUARTERS, stored))
    assert measured.mean_candela() == pytest.approx([200, 160, 0])
    assert (measured.lamp_lumens, measured.stated_lumens, measured.opening_m) == (2000, 1000, 0.4)


def test_absolute_eulumdat_has_a_negative_number_of_lamps() -> None:
    measured = read_eulumdat(eulumdat(1, [0.0], [[100, 80, 0]], lamps=-1))
    assert (measured.lamp_lumens, measured.stated_lumens) == (None, 2000)


def random_rows(planes: int, seed: int) -> list[list[float]]:
    chance = np.random.default_rng(seed)
    rows = chance.integers(1, 300, size=(planes, 3)).astype(float)
    rows[:, 0] = 200
    return [[float(value) for value in row] for row in rows]


@pytest.mark.parametrize(("symmetry", "stored"), [(0, 8), (1, 1), (2, 5), (3, 5), (4, 3)])
def test_another_reader_has_the_same_mean_of_all_planes(symmetry: int, stored: int, tmp_path: Path) -> None:
    pyldt = pytest.importorskip("pyldt", reason="needs the package eulumdat-py")
    text = eulumdat(symmetry, QUARTERS, random_rows(stored, symmetry))
    path = tmp_path / "lamp.ldt"
    path.write_text(text, newline="")
    theirs = np.array(pyldt.LdtReader.read(path).intensities)
    assert theirs.shape == (8, 3)
    assert read_eulumdat(text).mean_candela() == pytest.approx(theirs.mean(axis=0) * 2000 / 1000)


def test_another_reader_has_the_same_lm63(tmp_path: Path) -> None:
    eulumdat_ies = pytest.importorskip("eulumdat_ies", reason="needs the package eulumdat-ies")
    rows = random_rows(5, 9)
    listed = "\n".join(" ".join(f"{value:g}" for value in row) for row in rows)
    text = (
        "IESNA:LM-63-2002\n[TEST] a\nTILT=NONE\n1 1500 2 3 5 1 2 0.3 0.5 0\n1 1 40\n0 45 90\n"
        f"0 90 180 270 360\n{listed}\n"
    )
    text = text.replace(listed.splitlines()[-1], listed.splitlines()[0])
    path = tmp_path / "lamp.ies"
    path.write_text(text)
    theirs = np.array(eulumdat_ies.ies_to_ldt(path).intensities) * 1500 / 1000
    ours = read_lm63(text)
    assert ours.candela[:-1] == pytest.approx(theirs)
    assert ours.mean_candela() == pytest.approx(theirs.mean(axis=0))
