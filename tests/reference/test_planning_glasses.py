"""Reflection in spectacles against the law of reflection, worked by hand, and an independent ray sweep."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy import optimize

from fillside.planning.look.glasses_reflection import (
    Disc,
    Wearer,
    lens_rays,
    margin_deg,
    mirror_direction,
    ray_margins_deg,
    surface_radius_m,
)
from fillside.planning.look.glasses_remedies import glasses_answer, lowest_height_m
from fillside.planning.look.pose import angle_between_deg, azimuth_elevation_deg, direction, face_frame
from fillside.rig.tables.plan import Glasses, Pose

Vector = npt.NDArray[np.float64]
FAR = (0.0, -1e6, 0.0)
UMBRELLA_RADIUS_M = 0.4191


def one_lens(tilt: float = 8.0, curve: float = 6.0) -> Wearer:
    """A straight head at the origin, one lens in the middle of it, a level camera far away."""
    form = Glasses.model_construct(
        tilt=tilt, wrap=0.0, curve=curve, width_mm=50.0, height_mm=35.0, apart_mm=0.0, temple_mm=105.0
    )
    return Wearer((0.0, 0.0, 0.0), FAR, FAR, Pose(), form)


# The law of reflection m = 2 (n.c) n - c worked by hand in the vertical plane: the mirror elevation is
# 2 (pitch - tilt) - camera elevation. With yaw the azimuth is from the vector form, six digits.
@pytest.mark.parametrize(
    ("tilt", "pitch", "yaw", "camera", "azimuth", "elevation"),
    [
        (8, 0, 0, (0, 0), 0.0, -16.0),
        (8, 0, 0, (0, 10), 0.0, -26.0),
        (8, 10, 0, (0, 0), 0.0, 4.0),
        (8, 0, 20, (0, 0), 40.738571, -15.011588),
        (12, 0, 0, (0, 0), 0.0, -24.0),
        (8, -5, 30, (0, 5), 64.045005, -27.163483),
    ],
)
def test_flat_lens_mirrors_the_camera_by_the_law_of_reflection(
    tilt: float, pitch: float, yaw: float, camera: tuple[float, float], azimuth: float, elevation: float
) -> None:
    frame = face_frame((0.0, 0.0, 0.0), FAR, yaw, pitch)
    mirrored = mirror_direction(frame.toward(0, -tilt), direction(*camera))
    assert azimuth_elevation_deg(mirrored) == pytest.approx((azimuth, elevation), abs=1e-4)


@pytest.mark.parametrize(
    ("azimuth", "elevation", "apart"),
    [
        (45, 0, 47.17865012),
        (45, 30, 63.20295611),
        (30, 30, 54.32917704),
        (0, 30, 46.0),
        (0, 45, 61.0),
        (20, 10, 32.67954637),
    ],
)
def test_angle_from_the_mirror_direction_to_a_light(azimuth: float, elevation: float, apart: float) -> None:
    # spherical trigonometry: the angle between two directions given by azimuth and elevation
    mirrored = mirror_direction(direction(0, -8), direction(0, 0))
    assert angle_between_deg(mirrored, direction(azimuth, elevation)) == pytest.approx(apart, abs=1e-6)


def test_surface_radius_of_a_six_dioptre_curve() -> None:
    # R = (n - 1) / F with the tooling index 1.53 (textbooks of ophthalmic optics)
    assert 1000 * surface_radius_m(6.0) == pytest.approx(88.333, abs=0.0005)
    assert surface_radius_m(0.0) == math.inf


def test_curve_widens_the_mirrored_field_by_twice_the_normals_turn() -> None:
    # 2 asin(h / R): 22.85 degrees for h = 17.5 mm and 32.88 for h = 25 mm at R = 88.33 mm
    wearer = one_lens(tilt=0.0)
    _, rays = lens_rays(wearer, 0)
    angles = np.array([azimuth_elevation_deg(ray) for ray in rays])
    middle_column = np.abs(angles[:, 0]) < 1e-3
    middle_row = np.abs(angles[:, 1]) < 1e-3
    assert angles[middle_column, 1].max() == pytest.approx(22.853292, abs=1e-4)
    assert angles[middle_row, 0].max() == pytest.approx(32.880926, abs=1e-4)


# A ray sweep made independently over an 81 x 81 grid of a rectangular 50 x 35 mm lens, all rays taken from
# the lens's centre, in tenths of a degree; it is good to 0.3 degrees.
@pytest.mark.parametrize(
    ("distance", "azimuth", "lowest"),
    [(1.2, 0, 26.2), (1.2, 30, 26.5), (1.2, 45, 22.7), (2.0, 0, 18.7), (2.0, 45, 8.1)],
)
def test_whole_curved_lens_clears_where_an_independent_sweep_says(
    distance: float, azimuth: float, lowest: float
) -> None:
    _, rays = lens_rays(one_lens(), 0)
    at_centre = np.zeros_like(rays)

    def hides(elevation: float) -> bool:
        centre = distance * direction(azimuth, elevation)
        disc = Disc(centre, -centre / distance, UMBRELLA_RADIUS_M)
        return float(ray_margins_deg(at_centre, rays, disc).min()) < 0

    seen = [e for e in np.arange(lowest - 1.0, lowest + 15.0, 0.1) if hides(e)]
    assert max(seen) == pytest.approx(lowest, abs=0.3)


def test_points_off_the_lens_centre_see_the_source_from_elsewhere() -> None:
    # the top of the lens is 17.5 mm up, from where a light 1.2 m away is asin(0.0175 / 1.2) = 0.84 deg lower:
    # 2 (0 - 8) + 22.85 + 19.25 = 26.1 deg on the axis becomes at most 26.94
    def margin(elevation: float) -> float:
        centre = 1.2 * direction(0, elevation)
        return margin_deg(one_lens(), Disc(centre, -centre / 1.2, UMBRELLA_RADIUS_M))

    assert margin(26.1) < 0 < margin(26.95)


def exact_margin_deg(wearer: Wearer, centre: Vector, radius: float) -> float:
    """The angle from the disc, turned to the face, to the nearest ray of the whole lens, without a grid.

    The sphere's normal at a place on it is the way from its centre, and the ray there is the way to the
    camera turned about it by half a turn. Scipy seeks the places on lens and disc whose ways lie nearest.
    """
    form, camera = wearer.glasses, np.array(wearer.camera)
    ball = 0.53 / form.curve
    tilt = math.radians(form.tilt)
    ahead = np.array([0.0, -math.cos(tilt), -math.sin(tilt)])
    right, up = np.array([1.0, 0.0, 0.0]), np.array([0.0, -math.sin(tilt), math.cos(tilt)])
    axis = -centre / np.linalg.norm(centre)
    side = np.cross([0.0, 0.0, 1.0], axis)
    side /= np.linalg.norm(side)
    over = np.cross(axis, side)

    def ray(u: float, v: float) -> tuple[Vector, Vector]:
        normal = (u * right + v * up + math.sqrt(ball**2 - u**2 - v**2) * ahead) / ball
        place = ball * (normal - ahead)
        to_camera = (camera - place) / np.linalg.norm(camera - place)
        return place, 2 * np.outer(normal, normal) @ to_camera - to_camera

    def off(x: Vector) -> float:
        place, way = ray(x[0] / 1000, x[1] / 1000)
        turned = math.cos(x[2]) * side + math.sin(x[2]) * over
        to = centre + x[3] * radius * turned - place
        return math.degrees(math.atan2(float(np.linalg.norm(np.cross(way, to))), float(way @ to)))

    half = (form.width_mm / 2, form.height_mm / 2)
    bounds = [(-half[0], half[0]), (-half[1], half[1]), (-7.0, 7.0), (0.0, 1.0)]
    starts = [(u * half[0], v * half[1], t, 1.0) for u in (-0.7, 0.7) for v in (-0.7, 0.7) for t in (0, 2, 4)]
    return min(float(optimize.minimize(off, s, bounds=bounds, method="L-BFGS-B").fun) for s in starts)


@pytest.mark.parametrize(
    ("away", "azimuth", "elevation", "radius"),
    [
        (0.7, 0, 45, 0.45), (0.7, 20, 47, 0.45), (0.9, 65, 0, 0.45), (0.7, -60, 45, 0.45), (1.5, 30, 30, 0.3),
        (0.6, 85, 10, 0.3), (2.0, 0, 12, 0.03), (2.0, 30, 20, 0.03), (0.8, 75, 30, 0.6),
    ],
)  # fmt: skip
def test_the_margin_is_to_the_whole_lens_and_the_whole_edge(
    away: float, azimuth: float, elevation: float, radius: float
) -> None:
    centre = away * direction(azimuth, elevation)
    expected = exact_margin_deg(one_lens(), centre, radius)
    assert expected > 0.1
    assert margin_deg(one_lens(), Disc(centre, -centre / away, radius)) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("azimuth", [-21.0, -9.3, -1.7, 4.2, 11.0, 22.6])
@pytest.mark.parametrize("elevation", [-33.0, -27.4, -14.5, -3.1, 0.9])
def test_a_bulb_shows_wherever_it_is_within_the_lenss_field(azimuth: float, elevation: float) -> None:
    # A lens of 50 x 35 mm mirrors 2 asin(25 / 88.33) = 32.9 deg to either side, and 22.9 deg up and down from
    # -16 deg; at 3 m a bulb of 3 cm lies between rays that are 3 deg apart.
    centre = 3.0 * direction(azimuth, elevation)
    disc = Disc(centre, -centre / 3.0, 0.03)
    assert margin_deg(one_lens(), disc) < 0
    assert glasses_answer("lamp", one_lens(), disc).seen


def test_lowest_height_keeps_the_margin_and_a_little_lower_does_not() -> None:
    wearer = Wearer((0.0, 0.0, 1.2), (0.0, -2.4, 1.4), (0.0, -2.4, 1.4), Pose(), Glasses())
    centre = np.array([0.85, -0.85, 1.6])
    away = np.array([0.0, 0.0, 1.2]) - centre
    disc = Disc(centre, away / np.linalg.norm(away), 0.45)
    answer = glasses_answer("key", wearer, disc)
    assert answer.seen
    assert answer.margin_deg < 0
    height = lowest_height_m(wearer, disc)
    assert height is not None

    def at(z: float) -> float:
        place = np.array([0.85, -0.85, z])
        aim = np.array([0.0, 0.0, 1.2]) - place
        return margin_deg(wearer, Disc(place, aim / np.linalg.norm(aim), 0.45))

    assert at(height) >= 3.0
    assert at(height - 0.02) < 3.0
    assert all(cure.margin_deg >= 3.0 for cure in answer.cures)
    assert {cure.unit for cure in answer.cures} == {"m", "mm", "deg"}


def test_source_seen_only_from_behind_never_shows() -> None:
    wearer = Wearer((0.0, 0.0, 1.2), (0.0, -2.4, 1.2), (0.0, -2.4, 1.2), Pose(), Glasses())
    assert margin_deg(wearer, Disc(np.array([0.0, -1.0, 1.0]), np.array([0.0, -1.0, 0.0]), 0.5)) == 180.0
