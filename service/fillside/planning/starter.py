"""A first set from a few answers: where stands usually go, kept under the ceiling and out of the picture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fillside.planning.answers_text import Light
from fillside.planning.clearing import lowest_height_m
from fillside.planning.glasses import Disc, Wearer
from fillside.planning.lamps import LampAnswer, lamp_lumens
from fillside.planning.lens import outside_frame_deg
from fillside.planning.modifiers import USUAL, Usual
from fillside.planning.pose import direction, unit
from fillside.planning.questions import MAINS
from fillside.rig.model import Point
from fillside.rig.plan_table import Glasses, Pose, View

FloatArray = npt.NDArray[np.float64]

SITTING_EYES_M, STANDING_EYES_M = 1.2, 1.6
FRAME_WIDTH_M = 1.0
"""Width of the picture at the subject: head and shoulders."""
KEY_BEARING_DEG, KEY_UP_DEG, FILL_BEARING_DEG, FILL_UP_DEG = 45.0, 35.0, -35.0, 12.0
"""Key 45 degrees to one side and 30 to 45 above, fill lower on the other side near the camera
(common practice, no source)."""
WIDEST_BEARING_DEG, TURN_DEG = 75.0, 5.0
KEY_M, FILL_M, HAIR_M = 1.5, 2.0, 1.2
OUTSIDE_DEG, CLOSEST_DIAMETERS = 2.0, 1.4
UNDER_CEILING_M, OFF_WALL_M = 0.05, 0.2
BOUNCE = {True: 0.06, False: 0.02}
"""What a light or a dark room sends back (common practice, no source)."""
FLOORS = {"led": 0.02, "incandescent": 0.03, "halogen": 0.03, "cfl": 0.2, "tube": 0.1, "discharge": 0.5}
"""Smallest steady output by kind of lamp (common practice, no source)."""


@dataclass(frozen=True)
class FirstHead:
    """One head of the first set: where it stands, what it aims at, its lamp and its modifier."""

    role: str
    position: Point
    aim: Point | None
    kind: str
    light: Light
    lamp: LampAnswer
    count: int
    cct_k: float
    dimmable: bool
    modifier: str
    diameter_m: float
    usual: Usual
    floor: float


@dataclass(frozen=True)
class FirstSet:
    """Everything that the first rig file says, its exposure settings aside."""

    answers: Mapping[str, Any]
    eyes_m: float
    camera: Point
    view_deg: float
    volts: float
    hertz: float
    amps: float
    bounce: float
    heads: tuple[FirstHead, ...]

    @property
    def subject(self) -> Point:
        return (0.0, 0.0, self.eyes_m)


def first_set(answers: Mapping[str, Any]) -> FirstSet:
    """The set for complete answers, as `questions.default_answers` or a person gives them."""
    eyes = STANDING_EYES_M if answers["stands"] else SITTING_EYES_M
    eyes = min(eyes, answers["ceiling"] - 0.5)
    camera = (0.0, -answers["camera"], eyes + 0.05)
    volts, hertz, amps = MAINS[answers["mains"]]
    view = 2 * math.degrees(math.atan(FRAME_WIDTH_M / 2 / answers["camera"]))
    roles = [role for role in ("key", "fill", "hair", "background") if answers.get(role, True)]
    plan = _Placing(answers, eyes, camera, view)
    return FirstSet(
        answers=answers,
        eyes_m=eyes,
        camera=camera,
        view_deg=view,
        volts=volts,
        hertz=hertz,
        amps=amps,
        bounce=BOUNCE[answers["light_room"]],
        heads=tuple(plan.head(role) for role in roles),
    )


class _Placing:
    """Puts heads where they usually go and moves them until they clear ceiling, picture and spectacles."""

    def __init__(self, answers: Mapping[str, Any], eyes_m: float, camera: Point, view_deg: float) -> None:
        self.answers, self.eyes_m = answers, eyes_m
        self.camera, self.view_deg = camera, view_deg
        self.subject = np.array([0.0, 0.0, eyes_m])

    def head(self, role: str) -> FirstHead:
        own = {
            key.partition(".")[2]: value for key, value in self.answers.items() if key.startswith(f"{role}.")
        }
        diameter = float(own.get("size", 0.0))
        position, aim = self._place(role, diameter)
        return FirstHead(
            role=role,
            position=position,
            aim=aim,
            kind=own["lamp"],
            light=own["light"],
            lamp=lamp_lumens(
                own["lamp"], watts=own["light"].watts, lumens=own["light"].lumens, count=own["count"]
            ),
            count=own["count"],
            cct_k=own["cct"],
            dimmable=own["dimmable"],
            modifier=own["modifier"],
            diameter_m=diameter,
            usual=USUAL[own["modifier"]],
            floor=FLOORS[own["lamp"]],
        )

    def _place(self, role: str, diameter_m: float) -> tuple[Point, Point | None]:
        if role == "key":
            return self._beside(KEY_BEARING_DEG, KEY_UP_DEG, max(KEY_M, 1.4 * diameter_m), diameter_m), None
        if role == "fill":
            return self._beside(
                FILL_BEARING_DEG, FILL_UP_DEG, max(FILL_M, 1.4 * diameter_m), diameter_m
            ), None
        wall = self.answers["wall"]
        top = self._highest(diameter_m)
        if role == "hair":
            back = min(HAIR_M, max(0.15, wall - OFF_WALL_M))
            return _rounded((-0.35, back, max(top, self.eyes_m + 0.3))), None
        spot = (0.1, float(wall), self.eyes_m + 0.1)
        return _rounded((1.2, wall - min(1.0, 0.7 * wall), top)), _rounded(spot)

    def _highest(self, diameter_m: float) -> float:
        """The highest middle of a lit face of that size under the ceiling, tilted as a key is, in metres."""
        rim = diameter_m / 2 * math.cos(math.radians(KEY_UP_DEG))
        return float(self.answers["ceiling"]) - UNDER_CEILING_M - rim

    def _beside(self, bearing_deg: float, up_deg: float, distance_m: float, diameter_m: float) -> Point:
        """A place round the subject, turned outward until it is out of the picture and the spectacles."""
        distance = max(distance_m, CLOSEST_DIAMETERS * diameter_m)
        sign = math.copysign(1.0, bearing_deg)
        for bearing in np.arange(abs(bearing_deg), WIDEST_BEARING_DEG + 0.1, TURN_DEG):
            centre = self.subject + distance * direction(sign * float(bearing), up_deg)
            centre[2] = min(centre[2], self._highest(diameter_m))
            disc = Disc(centre, unit(self.subject - centre), diameter_m / 2)
            if self._out_of_picture(disc):
                height = self._clear_of_glasses(disc)
                if height is not None:
                    return _rounded((float(centre[0]), float(centre[1]), height))
        return _rounded((float(centre[0]), float(centre[1]), float(centre[2])))

    def _out_of_picture(self, disc: Disc) -> bool:
        turn = np.linspace(0, 2 * math.pi, 24)
        across = unit(np.cross([0.0, 0.0, 1.0], disc.axis))
        rim = np.outer(np.cos(turn), across) + np.outer(np.sin(turn), np.cross(disc.axis, across))
        points = disc.centre + disc.radius_m * rim
        outside = outside_frame_deg(
            points, np.array(self.camera), self.subject, View(degrees=max(2.0, self.view_deg))
        )
        return bool(outside.min() >= OUTSIDE_DEG)

    def _clear_of_glasses(self, disc: Disc) -> float | None:
        """The height at which it is off the lenses; as it stands without spectacles, None where none is."""
        own = float(disc.centre[2])
        if not self.answers["glasses"]:
            return own
        wearer = Wearer((0.0, 0.0, self.eyes_m), self.camera, self.camera, Pose(), Glasses())
        lowest = lowest_height_m(wearer, disc, highest_m=self._highest(2 * disc.radius_m))
        return None if lowest is None else max(own, math.ceil(100 * lowest) / 100)


def _rounded(point: tuple[float, float, float]) -> Point:
    x, y, z = (round(part, 2) + 0.0 for part in point)
    return x, y, z
