"""How each head stands to a mark: distance, height, bearing, and the modifier as it is set up."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fillside.planning.answer import PlanningAnswer
from fillside.planning.equipment.modifiers import DEEP, Canopy, LitFace, lit_face, place_of_most_light_m
from fillside.rig.tables.model import Head, Rig
from fillside.rig.tables.plan import Umbrella


class StandPosition(PlanningAnswer):
    """Where a head stands as seen from the subject.

    `floor_m` is along the floor and `straight_m` from the face to the middle of the lit face; `side_deg`
    from the line to the camera, to the camera's right above 0; `up_deg` above the face; `tilt_deg` how far
    the head points down, from its aim.
    """

    head: str
    floor_m: float
    straight_m: float
    height_m: float
    side_deg: float
    up_deg: float
    tilt_deg: float


def standing(rig: Rig, head: Head, point: Sequence[float]) -> StandPosition:
    """How a head stands to a subject at `point` [m]."""
    there, camera, aim = head.position, rig.camera.position, rig.aim_of(head)
    floor = math.dist(there[:2], point[:2])
    to_camera = math.atan2(camera[0] - point[0], point[1] - camera[1])
    to_head = math.atan2(there[0] - point[0], point[1] - there[1])
    return StandPosition(
        head=head.name,
        floor_m=floor,
        straight_m=math.dist(there, point),
        height_m=there[2],
        side_deg=math.degrees(math.remainder(to_head - to_camera, 2 * math.pi)),
        up_deg=math.degrees(math.atan2(there[2] - point[2], floor)),
        tilt_deg=math.degrees(math.atan2(there[2] - aim[2], math.dist(there[:2], aim[:2]))),
    )


class UmbrellaAnswer(PlanningAnswer):
    """An umbrella as set up, and how far the diameter in the rig file is from its lit face, in metres.

    `told` says why it cannot be worked out, in place of the face; `most_light_m` is, for one that reflects,
    the place of the lamp on the shaft, from the crown, that gives the first mark the most light.
    """

    head: str
    face: LitFace | None
    stated_diameter_m: float
    told: str | None
    most_light_m: float | None = None


def umbrella_answers(rig: Rig) -> tuple[UmbrellaAnswer, ...]:
    """Every head whose umbrella `[plan.umbrellas]` describes."""
    return tuple(_umbrella(rig, rig.head(name), told) for name, told in rig.plan.umbrellas.items())


def _umbrella(rig: Rig, head: Head, told: Umbrella) -> UmbrellaAnswer:
    stated = head.modifier.diameter
    across = told.open_diameter if told.open_diameter is not None else stated
    loss = (head.modifier.loss or 1.0) if head.modifier.kind == "shoot-through" else 0.0
    try:
        canopy = Canopy(across, told.depth if told.depth is not None else DEEP * across)
        if told.closed_to is not None:
            canopy = canopy.closed_to(told.closed_to)
        face = lit_face(canopy, told.bulb, told.beam, loss)
        reflects = head.modifier.kind == "reflective"
        away = math.dist(head.position, rig.first_mark)
        most = place_of_most_light_m(canopy, away) if reflects else None
    except ValueError as error:
        return UmbrellaAnswer(head=head.name, face=None, stated_diameter_m=stated, told=str(error))
    return UmbrellaAnswer(head=head.name, face=face, stated_diameter_m=stated, told=None, most_light_m=most)
