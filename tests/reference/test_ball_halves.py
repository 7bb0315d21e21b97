"""Reference: the halves of a matt ball in the picture, against a closed form and against plain sums.

For a point source far off, level with the ball and at the angle a from the camera, write the surface's normal
by its height b and its bearing f from the camera. Lambert's law gives cos b cos(f - a) of light, the picture
counts it by cos b cos f, and the area is cos b db df. The height integrates to 4/3, and the bearing to
(pi/2 cos a + sin a) / 2 over the half turned to the light, to (pi/2 - a) cos a / 2 over the lit part of the
other, for a from 0 to 90 degrees.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from contract.balance_rigs import random_rig
from contract.plain_light import most_even_ambient, room_lux, small_lamps
from fillside.balance.prediction import predict
from fillside.photometry.ball import BALL_RADIUS_M, half_ball_lux, half_ball_room_lux
from fillside.photometry.room_light import RoomLight
from fillside.photometry.source import LightSources
from fillside.rig.tables.model import Head, Rig

Vector = npt.NDArray[np.float64]

ONE = np.ones(1)
TOWARD, ASIDE = np.array([0.0, -1.0, 0.0]), np.array([1.0, 0.0, 0.0])


def far_point(
    angle: float, mean_lux: float = 0.0, vector_lux: tuple[float, float, float] = (0, 0, 0)
) -> Vector:
    """The halves in the light of a lamp 2 km off that gives 1 lx, and of its room."""
    away = np.array([[math.sin(angle), -math.cos(angle), 0.0]])
    head = LightSources(
        2000 * away, -away, 4e6 * ONE, ONE, 0 * ONE, 0 * ONE, mean_lux * ONE, np.array([vector_lux])
    )
    return np.asarray(half_ball_lux(head, np.zeros(3), TOWARD, ASIDE)[:, 0])


@pytest.mark.parametrize("degrees", [0.0, 10.0, 30.0, 45.0, 60.0, 80.0, 89.0])
def test_a_point_source_far_off_gives_what_the_integral_says(degrees: float) -> None:
    a = math.radians(degrees)
    lit = (math.pi / 2 * math.cos(a) + math.sin(a)) / 2 * 4 / 3 / (math.pi / 2)
    shaded = (math.pi / 2 - a) * math.cos(a) / 2 * 4 / 3 / (math.pi / 2)
    assert far_point(a) == pytest.approx([lit, shaded], rel=2e-4, abs=2e-5)
    assert far_point(-a) == pytest.approx([shaded, lit], rel=2e-4, abs=2e-5)


def test_behind_the_ball_a_light_rims_its_own_half_alone() -> None:
    """From 90 to 180 degrees the bearing integrates to ((pi - a) cos a + sin a) / 2 over its own half."""
    a = math.radians(135)
    rim = ((math.pi - a) * math.cos(a) + math.sin(a)) / 2 * 4 / 3 / (math.pi / 2)
    assert far_point(a) == pytest.approx([rim, 0.0], rel=2e-4, abs=2e-5)


def test_in_an_even_room_both_halves_are_alike() -> None:
    even = half_ball_room_lux(RoomLight(40.0), TOWARD, ASIDE)
    assert even == pytest.approx([40.0, 40.0], rel=1e-12)
    assert far_point(0.3, 40.0) - far_point(0.3) == pytest.approx([40.0, 40.0])


def test_room_light_from_the_side_counts_by_the_mean_slope_of_a_half() -> None:
    """The mean of the normal's part to the side is 4 / 3 pi over half a disc, toward the camera 2 / 3."""
    light = RoomLight(30.0, (15.0, -9.0, 12.0))
    to_camera = 30 + 9 * 2 / 3
    expected = [to_camera + side * 15 * 4 / (3 * math.pi) for side in (1, -1)]
    assert half_ball_room_lux(light, TOWARD, ASIDE) == pytest.approx(expected, rel=1e-12)
    assert far_point(0.3, 30.0, (15.0, -9.0, 12.0)) - far_point(0.3) == pytest.approx(expected)


def test_room_light_that_leaves_a_side_dark() -> None:
    """m + v n with |v| = 2 m from the side: much of the half turned away gets none."""
    rng = np.random.default_rng(0)
    side, up = rng.uniform(0, 1, 400_000), rng.uniform(-1, 1, 400_000)
    inside = side**2 + up**2 < 1
    shaded = np.maximum(10 - 20 * side[inside], 0.0).mean()
    found = half_ball_room_lux(RoomLight(10.0, (20.0, 0.0, 0.0)), TOWARD, ASIDE)
    assert found[1] == pytest.approx(shaded, rel=0.03)
    assert found[0] == pytest.approx(10 + 20 * 4 / (3 * math.pi), rel=1e-9)


def picture_points(count: int) -> Vector:
    """Normals spread evenly over the disc of the picture, parts to the side, up and toward the camera."""
    across = np.sqrt((np.arange(count) + 0.5) / count)
    turn = np.arange(count) * math.pi * (3 - math.sqrt(5))
    side, up = across * np.cos(turn), across * np.sin(turn)
    return np.stack([side, up, np.sqrt(1 - across**2)], axis=1)


def surface_lux(rig: Rig, head: Head, places: Vector, normals: Vector) -> Vector:
    """Direct light of some hundred small lamps on places (k, 3) that face along normals (k, 3)."""
    centre = np.array(head.position)
    axis = np.array(rig.aim_of(head)) - centre
    axis = axis / np.linalg.norm(axis)
    lamps = small_lamps(centre, axis, head.modifier.diameter)[::53]
    way = places[:, None, :] - lamps
    far = np.linalg.norm(way, axis=2)
    leaving = np.maximum(way @ axis / far, 0.0)
    arriving = np.maximum(-np.einsum("klj,kj->kl", way, normals) / far, 0.0)
    lit = np.where(leaving > 0, leaving**head.modifier.spread_exponent, 0.0)
    return np.asarray((head.intensity_cd * lit * arriving / far**2).mean(axis=1))


@pytest.mark.parametrize("seed", range(6))
def test_the_halves_of_a_studio_are_those_of_many_points_on_the_ball(seed: int) -> None:
    """All heads at full, with what the room sends back and daylight, in a picture from a little above."""
    random = np.random.default_rng(40 + seed)
    rig = random_rig(random, exposure=500.0)
    at = np.array([0.1, -0.2, 1.15]) + random.uniform(-0.2, 0.2, 3)
    toward = np.array(rig.camera.position) - at
    toward = toward / np.linalg.norm(toward)
    keyward = np.cross([0.0, 0.0, 1.0], toward)
    keyward = keyward / np.linalg.norm(keyward)
    points = picture_points(6000)
    normals = points @ np.stack([keyward, np.cross(toward, keyward), toward])
    mean, vector = most_even_ambient(rig)
    lux = np.maximum(mean + normals @ vector, 0.0)
    for head in rig.heads:
        lux += surface_lux(rig, head, at + BALL_RADIUS_M * normals, normals) + room_lux(rig, head)
    ratio = lux[points[:, 0] > 0].mean() / lux[points[:, 0] < 0].mean()
    assert predict(rig, tuple(at)).face.halves_ratio == pytest.approx(ratio, rel=4e-3)
