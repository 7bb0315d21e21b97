"""Face, catch-light and lens against closed forms, a mirror search, and tables of view angles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from fillside.balance.limits import limits_of
from fillside.balance.rows import FACE_FILL, FACE_KEY, Metering
from fillside.photometry.source import LightSources
from fillside.planning.look.catchlight import (
    CORNEA_RADIUS_MM,
    CatchLight,
    catch_light,
    highlight_normal,
    image_size_mm,
)
from fillside.planning.look.face import face_answer
from fillside.planning.look.lens import lens_answer, outside_frame_deg, view_degrees
from fillside.planning.look.pose import direction, face_frame
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig.tables.plan import Pose, View

FACE = np.array([0.0, 0.0, 1.2])
CAMERA = np.array([0.0, -2.4, 1.2])
PAST_THE_KEY = (2.0, -1.2, 1.3)
"""Seen from the camera to the right of the key in `two_points`."""


def two_points(**plan: object) -> Rig:
    """A key 45 degrees to the camera's right and a fill beside the camera, both points 2 m away."""
    heads = [
        ("key", [math.sqrt(2), -math.sqrt(2), 1.2], 400.0),
        ("fill", [0.0, -2.0, 1.2], 200.0),
    ]
    return Rig.model_validate(
        {
            "rig": {"name": "points"},
            "camera": {"position": CAMERA.tolist()},
            "marks": {"stool": FACE.tolist()},
            "balance": {"exposure": 100.0},
            "heads": [
                {
                    "name": role,
                    "role": role,
                    "position": place,
                    "intensity": cd,
                    "modifier": {"spread": 0.0},
                    "drive": {"driver": "wire"},
                }
                for role, place, cd in heads
            ],
            "drivers": {"wire": {"kind": "sim"}},
            "plan": plan,
        }
    )


def metering(rig: Rig) -> Metering:
    return Metering(scene(rig))


def test_patches_follow_inverse_square_and_cosine() -> None:
    # E = I cos(theta) / d^2 worked by hand: 100 lux from the key, 50 lux from the fill, each square on
    own = metering(two_points())
    rows = own.rows_at((0.0, 0.0, 1.2))
    face = face_answer(own, rows, np.ones(2), Pose(), CAMERA)
    half = math.cos(math.radians(45))
    assert face.lux_of("cheek, key side") == pytest.approx(100 + 50 * half, rel=1e-9)
    assert face.lux_of("cheek, fill side") == pytest.approx(50 * half, rel=1e-9)
    up = math.cos(math.radians(20))
    assert face.lux_of("forehead") == pytest.approx((100 * half + 50) * up, rel=1e-9)
    assert face.lux_of("under the chin") == pytest.approx(
        (100 * half + 50) * math.cos(math.radians(70)), rel=1e-9
    )
    assert face.lux_of("nose, key side") == pytest.approx(
        100 * math.cos(math.radians(25)) + 50 * math.cos(math.radians(70)), rel=1e-9
    )
    readings = {r.read_as: r for r in face.readings}
    assert readings["key:fill"].ratio == pytest.approx(2.0)
    assert readings["key+fill:fill"].ratio == pytest.approx(3.0)
    assert readings["key:fill"].stops == readings["key+fill:fill"].stops == pytest.approx(1.0)
    assert readings["face"].ratio == pytest.approx((100 + 50 * half) / (50 * half))


@pytest.mark.parametrize("place", [(0.1, 0.2, 1.3), PAST_THE_KEY])
def test_cheeks_of_a_straight_head_are_the_balances_own(place: tuple[float, float, float]) -> None:
    """Also past the key's bearing, where the key keeps the side it has seen from the first mark."""
    own = metering(two_points())
    rows = own.rows_at(place)
    outputs = np.array([0.7, 0.4])
    looks_at = own.looks_at()
    face = face_answer(own, rows, outputs, Pose(), looks_at)
    metered = rows.lux(outputs)
    assert face.lux_of("cheek, key side") == pytest.approx(float(metered[FACE_KEY]), rel=1e-12)
    assert face.lux_of("cheek, fill side") == pytest.approx(float(metered[FACE_FILL]), rel=1e-12)


def test_turning_to_the_key_evens_the_face() -> None:
    own = metering(two_points())
    rows = own.rows_at((0.0, 0.0, 1.2))
    ratios = []
    for yaw in (-20.0, 0.0, 20.0):
        face = face_answer(own, rows, np.ones(2), Pose(yaw=yaw), CAMERA)
        ratios.append(next(r.ratio for r in face.readings if r.read_as == "face"))
    assert ratios[0] > ratios[1] > ratios[2]
    assert limits_of(own.scene).held.all()


def mirrored_by_search(light: np.ndarray, camera: np.ndarray, radius: float) -> np.ndarray:
    """The normal of a sphere about the origin where the path light-sphere-camera is shortest (Fermat)."""

    def length(angles: np.ndarray) -> float:
        point = radius * direction(*angles)
        return float(np.linalg.norm(light - point) + np.linalg.norm(camera - point))

    start = np.array([10.0, 10.0])
    found = optimize.minimize(length, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-15})
    return direction(*found.x)


@pytest.mark.parametrize(("azimuth", "elevation", "distance"), [(45, 30, 1.2), (-60, 10, 2.0), (5, 50, 0.8)])
def test_highlight_is_where_fermats_path_touches_the_cornea(
    azimuth: float, elevation: float, distance: float
) -> None:
    light, camera = distance * direction(azimuth, elevation), np.array([0.0, -2.4, 0.2])
    searched = mirrored_by_search(light, camera, CORNEA_RADIUS_MM / 1000)
    quick = highlight_normal(light / np.linalg.norm(light), camera / np.linalg.norm(camera))
    apart = math.degrees(math.acos(min(1.0, float(searched @ quick))))
    assert apart < 0.4  # of the 48.6 degrees to the edge of the iris


def test_image_in_the_cornea_obeys_the_keratometer_equation() -> None:
    # r = 2 d h' / h for a far object (optometry textbooks): h' within the nearness term f / d
    size = image_size_mm(0.9, 1.2)
    assert 2 * 1200 * size / 900 == pytest.approx(7.8, rel=3.9 / 1200 * 1.01)


def light_in_eye(azimuth: float, elevation: float, brow: float = 55.0) -> CatchLight:
    way = direction(azimuth, elevation)
    frame = face_frame(FACE, CAMERA)
    return catch_light(
        "key",
        FACE + 1.3 * way,
        -way,
        0.8,
        frame=frame,
        gaze_at=CAMERA,
        camera=CAMERA,
        brow_deg=brow,
    )


@pytest.mark.parametrize(("azimuth", "hour"), [(45, 2), (-45, 10)])
def test_classic_catch_lights_stand_at_ten_and_two(azimuth: float, hour: float) -> None:
    # common practice, no source: a key 45 degrees aside and 30 up shows at ten or two o'clock
    seen = light_in_eye(azimuth, 30)
    assert seen.seen
    assert seen.clock_hours == pytest.approx(hour, abs=0.5)


def test_catch_light_on_axis_is_centred_and_above_is_at_twelve() -> None:
    assert light_in_eye(0, 1).clock_hours is None
    assert light_in_eye(0, 40).clock_hours == pytest.approx(12.0)
    assert light_in_eye(0, -40).clock_hours == pytest.approx(6.0)


def test_brow_and_head_hide_lights() -> None:
    # common practice, no source: a light about 60 degrees up leaves the eyes dark
    assert light_in_eye(20, 65).hidden == "hidden by the brow"
    assert light_in_eye(150, 30).hidden == "hidden behind the head"
    assert light_in_eye(20, 65, brow=80).seen


# Tables of angles of view for a 36 x 24 mm frame, horizontal and vertical, one printed decimal.
@pytest.mark.parametrize(
    ("focal", "across", "up"),
    [(24, 73.7, 53.1), (35, 54.4, 37.8), (50, 39.6, 27.0), (85, 23.9, 16.1), (135, 15.2, 10.2)],
)
def test_angles_of_view(focal: float, across: float, up: float) -> None:
    got = view_degrees(View(focal_mm=float(focal), sensor_mm=36.0, aspect=1.5))
    assert got == pytest.approx((across, up), abs=0.05)


def test_frame_edge_is_half_the_angle_of_view_away() -> None:
    view = View(degrees=40.0, aspect=1.5)
    points = CAMERA + np.array([direction(0, 0), direction(0, 0)]) * -2.0
    points[1] += [2.0 * math.tan(math.radians(25)), 0.0, 0.0]
    assert outside_frame_deg(points, CAMERA, FACE, view)[1] == pytest.approx(5.0, abs=1e-9)
    assert outside_frame_deg(points, CAMERA, FACE, view)[0] < 0


def hair_light(height: float) -> LightSources:
    place = np.array([[0.0, 1.0, height]])
    aim = FACE - place[0]
    one = np.ones(1)
    return LightSources(place, (aim / np.linalg.norm(aim))[np.newaxis], 500 * one, one, 0.2 * one, 0 * one)


def test_hair_light_in_the_picture_near_it_and_dimmed() -> None:
    def verdict(height: float, output: float = 1.0) -> str:
        return lens_answer(
            "hair",
            hair_light(height),
            0,
            output,
            camera=CAMERA,
            looks_at=FACE,
            view=View(degrees=40.0),
            exposure_lux=300.0,
        ).verdict

    assert verdict(1.5) == "in the picture"
    assert verdict(2.3) == "may veil"
    assert verdict(2.3, output=0.1) == "clear"
