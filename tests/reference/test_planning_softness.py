"""Apparent size, penumbra, fall-off and lit umbrellas against geometry and configuration-factor formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillside.photometry.source import LightSources
from fillside.planning.equipment.modifiers import (
    Canopy,
    disc_diameter_m,
    lit_face,
    open_diameter_m,
    place_of_most_light_m,
)
from fillside.planning.look.softness import (
    angular_diameter_deg,
    equivalence,
    fall_off_stops,
    penumbra_width_m,
    softness,
    wall_light,
    wall_point,
)

INCH = 0.0254


@pytest.mark.parametrize(
    ("inches", "metres", "degrees"),
    [
        (33, 1.0, 45.4771155),
        (60, 60 / 33, 45.4771155),
        (33, 1.2, 38.50351002),
        (60, 72 / 33, 38.50351002),
    ],
)
def test_angular_diameter(inches: float, metres: float, degrees: float) -> None:
    # 2 atan(D / 2 d), plane geometry
    assert angular_diameter_deg(inches * INCH, metres) == pytest.approx(degrees, abs=1e-7)


def test_equal_size_with_unequal_fall_off() -> None:
    # the trade's example: 0.9 m at 1.2 m looks as large as 1.5 m at 2.0 m
    assert equivalence(0.9, 1.2, 1.5).other_distance_m == pytest.approx(2.0)
    # a disc on its axis gives E ~ 1 / (d^2 + R^2) (configuration factor of a disc, Howell B-12):
    # 33 in at 1 m and 60 in at 60/33 m, stepping back 0.3 m
    pair = equivalence(33 * INCH, 1.0, 60 * INCH)
    assert pair.loses_stops == pytest.approx(-0.666222, abs=1e-4)
    assert pair.other_loses_stops == pytest.approx(-0.382783, abs=1e-4)


def test_fall_off_of_a_point_is_inverse_square() -> None:
    assert fall_off_stops(0.0, 1.0, 1.3) == pytest.approx(2 * math.log2(1 / 1.3), abs=1e-9)
    assert fall_off_stops(0.0, 1.0, 2.0) == pytest.approx(-2.0, abs=1e-9)
    # a point at 1 m and at 60/33 m, stepping back 0.3 m
    assert fall_off_stops(0.0, 1.0, 1.3) == pytest.approx(-0.7570232465, abs=0.5001e-10)
    assert fall_off_stops(0.0, 60 / 33, 60 / 33 + 0.3) == pytest.approx(-0.4406599098, abs=0.5001e-10)


def test_penumbra_by_similar_triangles() -> None:
    assert penumbra_width_m(0.8382, 1.2, 0.02) == pytest.approx(0.01397, abs=1e-9)


def test_softness_of_a_head_seen_askew() -> None:
    # the disc's normal 60 degrees off the line of sight: its narrow way is D cos 60
    axis = np.array([[math.sin(math.radians(60)), math.cos(math.radians(60)), 0.0]])
    one = np.ones(1)
    head = LightSources(np.array([[0.0, -1.2, 1.2]]), axis, one, one, 0.9 * one, 0 * one)
    answer = softness("key", head, 0, (0.0, 0.0, 1.2))
    assert answer.angular_diameter_deg == pytest.approx(2 * math.degrees(math.atan(0.45 / 1.2)), abs=1e-9)
    assert answer.angular_height_deg == pytest.approx(2 * math.degrees(math.atan(0.225 / 1.2)), abs=1e-6)
    assert [round(p.width_mm, 1) for p in answer.penumbras] == [
        round(1000 * 0.9 * b / (1.2 - b), 1) for b in (0.02, 0.10)
    ]


def test_fall_off_across_the_face_and_to_the_wall() -> None:
    # a point source 1 m away: 0.15 m of head is (1.075 / 0.925)^2; the wall at 2.5 m, square on, 2.5^2 less
    one = np.ones(1)
    head = LightSources(
        np.array([[0.0, -1.0, 1.2]]),
        np.array([[0.0, 1.0, 0.0]]),
        100 * one,
        0 * one,
        0 * one,
        0 * one,
    )
    answer = softness("key", head, 0, (0.0, 0.0, 1.2))
    assert answer.across_face_stops == pytest.approx(2 * math.log2(1.075 / 0.925), abs=1e-9)
    assert answer.step_back_stops == pytest.approx(-2 * math.log2(1.3), abs=1e-9)
    point = wall_point((0.0, -2.0, 1.2), (0.0, 0.0, 1.2), 1.5)
    assert point == pytest.approx((0.0, 1.5, 1.2))
    wall = wall_light(["key"], head, np.ones(1), (0.0, 1.5, 1.2), 0.0, 100.0)
    assert wall.stops == pytest.approx(-2 * math.log2(2.5), abs=1e-9)
    assert wall_point((0.0, -2.0, 1.2), (0.0, 0.0, 1.2), -3.0) is None


def lambert_rectangle(width: float, height: float, distance: float) -> float:
    """E / (pi L) on the axis of a rectangle by Lambert's polygon formula, summed over its four edges."""
    corners = [
        np.array([sx * width / 2, sy * height / 2, distance])
        for sx, sy in ((1, 1), (-1, 1), (-1, -1), (1, -1))
    ]
    total = 0.0
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        cross = np.cross(a, b)
        angle = math.atan2(float(np.linalg.norm(cross)), float(a @ b))
        total += angle * float(cross[2] / np.linalg.norm(cross))
    return abs(total) / (2 * math.pi)


@pytest.mark.parametrize(
    ("width", "height", "distance", "error"), [(0.6, 0.9, 1.2, 0.013), (1.0, 1.0, 1.0, 0.0083)]
)
def test_softbox_as_a_disc_of_equal_area(width: float, height: float, distance: float, error: float) -> None:
    # disc on its axis R^2 / (R^2 + h^2) (Howell B-12) against Lambert's formula for the rectangle itself
    radius = disc_diameter_m(width, height) / 2
    disc = radius**2 / (radius**2 + distance**2)
    assert disc / lambert_rectangle(width, height, distance) - 1 == pytest.approx(error, abs=5e-4)


def test_named_size_of_an_umbrella_is_along_its_cloth() -> None:
    # half a sphere: the arc is pi / 2 times the diameter
    assert open_diameter_m(math.pi / 2, 0.5) == pytest.approx(1.0)


def test_beam_on_a_shallow_canopy() -> None:
    # beam diameter 2 d tan(beam / 2) on a plane (plane geometry); the canopy is nearly one
    face = lit_face(Canopy(2.0, 1e-4), 0.5, beam_deg=60)
    assert face.lit_diameter_m == pytest.approx(2 * 0.5 * math.tan(math.radians(30)), abs=0.006)


def test_lamp_at_the_centre_of_curvature_lights_evenly() -> None:
    # every element of a sphere is square to its centre and equally far from it
    canopy = Canopy(0.9, 0.2)
    face = lit_face(canopy, canopy.radius_m)
    assert face.centre_over_edge_stops == pytest.approx(0.0, abs=1e-9)
    assert face.effective_diameter_m == pytest.approx(0.9, abs=1e-3)
    # solid angle of a cap: the share of a hemisphere is 1 - cos(half angle)
    half = math.asin(0.45 / canopy.radius_m)
    assert face.caught_share == pytest.approx(1 - math.cos(half), abs=1e-9)


def test_lamp_deeper_in_lights_a_smaller_face() -> None:
    canopy = Canopy(1.0, 0.22)
    sizes = [lit_face(canopy, s, beam_deg=120).effective_diameter_m for s in (0.15, 0.25, 0.35, 0.45)]
    assert sizes == sorted(sizes)
    caught = [lit_face(canopy, s).caught_share for s in (0.25, 0.35, 0.45)]
    assert caught == sorted(caught, reverse=True)


def test_canopy_closed_part_way() -> None:
    canopy = Canopy(1.0, 0.22)
    closed = canopy.closed_to(0.7)
    # Pythagoras on the rib's straight line
    assert math.hypot(0.35, closed.depth_m) == pytest.approx(math.hypot(0.5, 0.22))
    face = lit_face(closed, 0.5, layer_loss_stops=1.0)
    assert face.lit_diameter_m <= 0.7
    assert face.cloth_loss_stops == pytest.approx(1 / 0.7 - 1)
    assert face.caution is not None
    with pytest.raises(ValueError, match="open it wider"):
        canopy.closed_to(0.2)


def test_place_of_most_light_images_the_lamp_at_the_subject() -> None:
    # independent: a ray near the axis, reflected at the sphere, crosses the axis at the subject
    canopy, subject = Canopy(1.0, 0.2), 2.5
    lamp = place_of_most_light_m(canopy, subject)
    radius, off = canopy.radius_m, 1e-4
    hit = np.array([off, radius - math.sqrt(radius**2 - off**2)])
    normal = np.array([-off, radius - hit[1]]) / radius
    way = (hit - [0.0, lamp]) / np.linalg.norm(hit - [0.0, lamp])
    back = way - 2 * float(way @ normal) * normal
    assert hit[1] - hit[0] * back[1] / back[0] == pytest.approx(subject, rel=1e-4)
    # a shallow dish is as good as a parabola, focal length D^2 / (16 c) (antenna handbooks)
    shallow = Canopy(1.0, 0.02)
    assert place_of_most_light_m(shallow, 1e9) == pytest.approx(1.0**2 / (16 * 0.02), rel=0.002)
