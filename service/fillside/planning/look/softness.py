"""Softness and fall-off of each light: apparent size, penumbra, and spill on the wall."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fillside.photometry.room_light import received_lux
from fillside.photometry.source import LightSources, facing_lux, head_directions
from fillside.planning.figures import PlanningAnswer
from fillside.planning.look.pose import angle_between_deg

FloatArray = npt.NDArray[np.float64]

FACE_WIDTH_M = 0.15
"""Breadth of an adult head, in metres (anthropometric surveys give 0.14 to 0.16; from memory)."""
SHADOW_CASTERS_M: dict[str, float] = {"nose on the cheek": 0.02, "hat brim on the face": 0.10}
"""Things that shade a face, and the distance from their edge to it [m] (common practice, no source)."""
BACK_STEP_M, LARGER = 0.3, 1.5

ASSUMES = "evenly lit round faces, in full view of the subject; penumbra on a surface square to the light"


def angular_diameter_deg(diameter_m: float, distance_m: float) -> float:
    """Return the angle that a disc subtends face on, 2 atan(D / 2 d), in degrees below 180.

    `diameter_m` is D and `distance_m` d, in metres. Plane geometry. Raises ValueError for a distance that is
    not above 0 or a diameter below 0.

    >>> round(angular_diameter_deg(0.9, 1.2), 1)
    41.1
    """
    if distance_m <= 0 or diameter_m < 0:
        raise ValueError("the distance is above 0 m and the diameter not below 0 m")
    return math.degrees(2 * math.atan(diameter_m / (2 * distance_m)))


def penumbra_width_m(diameter_m: float, source_to_edge_m: float, edge_to_surface_m: float) -> float:
    """Return the width of the soft edge of a shadow, D b / a, in metres.

    Similar triangles: an edge at a [m] from a source of diameter D [m], a surface b [m] behind the edge.
    Raises ValueError for an edge at the source.

    >>> round(1000 * penumbra_width_m(0.8382, 1.2, 0.02), 2)
    13.97
    """
    if source_to_edge_m <= 0:
        raise ValueError("the edge is more than 0 m from the source")
    return diameter_m * edge_to_surface_m / source_to_edge_m


def equal_distance_m(diameter_m: float, distance_m: float, other_diameter_m: float) -> float:
    """Return the distance [m] at which a disc of another size subtends the same angle: d D' / D.

    Raises ValueError for diameters that are not above 0.

    >>> round(equal_distance_m(0.9, 1.2, 1.5), 6)
    2.0
    """
    if diameter_m <= 0 or other_diameter_m <= 0:
        raise ValueError("a point looks as large from nowhere: give diameters above 0 m")
    return distance_m * other_diameter_m / diameter_m


def facing_disc(diameter_m: float, spread: float = 1.0) -> LightSources:
    """Return one head of 1 cd at the origin that shines along +y, to study size and distance alone."""
    one = np.ones(1)
    return LightSources(
        position=np.zeros((1, 3)),
        axis=np.array([[0.0, 1.0, 0.0]]),
        intensity_cd=one,
        spread=spread * one,
        diameter_m=diameter_m * one,
        setback_m=0.0 * one,
    )


def fall_off_stops(diameter_m: float, distance_m: float, other_distance_m: float) -> float:
    """Return the change of light [stops] on the axis of a matt lit disc from one distance to another.

    All lengths are in metres. Uses the disc law (d^2 + R^2) / (d'^2 + R^2), by the same integral as the
    balance; below 0 is less light.

    >>> round(fall_off_stops(0.8382, 1.0, 1.3), 3)
    -0.666
    """
    disc = facing_disc(diameter_m)
    lux = [float(facing_lux(disc, (0.0, d, 0.0))[0]) for d in (distance_m, other_distance_m)]
    return math.log2(lux[1] / lux[0])


class Equivalence(PlanningAnswer):
    """Two lit faces of equal apparent size: the same softness, with different fall-off.

    `loses_stops` and `other_loses_stops` are the losses when the subject steps back by `step_m`; below 0 is
    less light.
    """

    diameter_m: float
    distance_m: float
    other_diameter_m: float
    other_distance_m: float
    angular_diameter_deg: float
    step_m: float
    loses_stops: float
    other_loses_stops: float


def equivalence(
    diameter_m: float, distance_m: float, other_diameter_m: float, step_m: float = BACK_STEP_M
) -> Equivalence:
    """Return the distance at which a face of another size looks as large, and the fall-off of both.

    Diameters, distance and step are in metres.
    """
    other = equal_distance_m(diameter_m, distance_m, other_diameter_m)
    return Equivalence(
        diameter_m=diameter_m,
        distance_m=distance_m,
        other_diameter_m=other_diameter_m,
        other_distance_m=other,
        angular_diameter_deg=angular_diameter_deg(diameter_m, distance_m),
        step_m=step_m,
        loses_stops=fall_off_stops(diameter_m, distance_m, distance_m + step_m),
        other_loses_stops=fall_off_stops(other_diameter_m, other, other + step_m),
    )


class Penumbra(PlanningAnswer):
    """Width of the soft edge of one shadow, in millimetres."""

    shadow: str
    width_mm: float


class SoftnessAnswer(PlanningAnswer):
    """One head as the subject sees it.

    `angular_diameter_deg` is across the lit face, `angular_height_deg` across the narrower way of a tilted
    face. `across_face_stops` is the excess of light on the nearer side of a head over the farther, both
    turned to the lamp. `step_back_stops` is the change after a step of 0.3 m straight away from the lamp.
    `equal` is a larger face that would look as large from farther away, None for a point.
    """

    head: str
    distance_m: float
    diameter_m: float
    angular_diameter_deg: float
    angular_height_deg: float
    penumbras: tuple[Penumbra, ...]
    across_face_stops: float
    step_back_stops: float
    equal: Equivalence | None
    assumes: str = ASSUMES


def softness(name: str, sources: LightSources, head: int, point: Sequence[float]) -> SoftnessAnswer:
    """Return the softness of head number `head` at a subject at `point` [m], and its fall-off there."""
    one, place = sources.take([head]), np.asarray(point, dtype=float)
    gap = one.centre[0] - place
    distance = float(np.linalg.norm(gap))
    diameter = float(one.diameter_m[0])
    askew = math.cos(math.radians(min(90.0, angle_between_deg(-gap, one.axis[0]))))
    way = head_directions(one, place)[0]
    across = math.log2(_lux(one, place + FACE_WIDTH_M / 2 * way) / _lux(one, place - FACE_WIDTH_M / 2 * way))
    back = math.log2(_lux(one, place - BACK_STEP_M * way) / _lux(one, place))
    return SoftnessAnswer(
        head=name,
        distance_m=distance,
        diameter_m=diameter,
        angular_diameter_deg=angular_diameter_deg(diameter, distance),
        angular_height_deg=angular_diameter_deg(diameter * askew, distance),
        penumbras=tuple(
            Penumbra(shadow=shadow, width_mm=1000 * penumbra_width_m(diameter, distance - behind, behind))
            for shadow, behind in SHADOW_CASTERS_M.items()
            if distance > behind
        ),
        across_face_stops=across,
        step_back_stops=back,
        equal=equivalence(diameter, distance, LARGER * diameter) if diameter > 0 else None,
    )


DARK_LUX = 1e-9


def _lux(one: LightSources, place: FloatArray) -> float:
    return max(DARK_LUX, float(facing_lux(one, place)[0]))


class WallAnswer(PlanningAnswer):
    """The light on the wall behind the subject, square to the camera's line through the subject.

    `lux` is from all heads at the given outputs and the room, `stops` that light relative to `against_lux`.
    `by_head_stops` gives each head's share, None for one that puts no light there.
    """

    point: tuple[float, float, float]
    lux: float
    against_lux: float
    stops: float | None
    by_head_stops: dict[str, float | None]


def wall_point(
    camera: Sequence[float], point: Sequence[float], wall_y_m: float
) -> tuple[float, float, float] | None:
    """Return the point where the line from the camera through the subject meets a wall at y [m].

    The result is None if it never does.
    """
    (cx, cy, cz), (px, py, pz) = camera, point
    if abs(py - cy) < 1e-9 or (wall_y_m - py) / (py - cy) <= 0:
        return None
    t = (wall_y_m - cy) / (py - cy)
    return (cx + t * (px - cx), wall_y_m, cz + t * (pz - cz))


OUT_OF_THE_WALL = (0.0, -1.0, 0.0)


def wall_light(
    names: Sequence[str],
    sources: LightSources,
    outputs: FloatArray,
    point: tuple[float, float, float],
    room_lux: float,
    against_lux: float,
) -> WallAnswer:
    """Return the spill on the wall at `point` [m], on a flat receptor that faces straight out of it (-y).

    `outputs` (heads,) are 0..1, `room_lux` is the ambient light there and `against_lux` the reference
    [lux]. The wall's own colour and the light it sends back are left out.
    """
    axis = np.array([OUT_OF_THE_WALL])
    lux = received_lux(sources, point, axis, np.array([False]))[0] * outputs
    total = float(lux.sum()) + room_lux
    return WallAnswer(
        point=point,
        lux=total,
        against_lux=against_lux,
        stops=math.log2(total / against_lux) if total > 0 and against_lux > 0 else None,
        by_head_stops={
            name: math.log2(float(own) / against_lux) if own > 0 and against_lux > 0 else None
            for name, own in zip(names, lux, strict=True)
        },
    )
