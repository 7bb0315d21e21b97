"""Usual places of the stands of a first set: under the ceiling, out of the picture, off the spectacles."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from fillside.planning.answers.question import Answers
from fillside.planning.answers.stands import eyes_m
from fillside.planning.look.glasses_reflection import Disc, Wearer, margin_deg
from fillside.planning.look.glasses_remedies import WANTED_MARGIN_DEG, lowest_height_m
from fillside.planning.look.lens import outside_frame_deg
from fillside.planning.look.pose import direction, unit
from fillside.rig.tables.model import Point
from fillside.rig.tables.plan import Glasses, Pose, View

FRAME_WIDTH_M = 1.0
"""Width of the picture at the subject: head and shoulders."""
BEARING_DEG = {"key": 45.0, "fill": -35.0, "hair": -160.0, "background": 120.0}
UP_DEG = {"key": 35.0, "fill": 12.0}
"""Key 45 degrees to one side and 30 to 45 above, fill lower on the other side near the camera (common
practice, no source).
"""
AWAY_M = {"key": 1.5, "fill": 2.0}
WIDEST_BEARING_DEG, TURN_DEG = 75.0, 5.0
HAIR_M, HIGHEST_OVER_EYES_M = 1.2, 1.3
OUTSIDE_DEG, CLOSEST_DIAMETERS = 2.0, 1.4
UNDER_CEILING_M, OFF_WALL_M = 0.05, 0.2
OF_THE_ROOM = ("stands", "camera", "wall", "ceiling", "glasses")
"""The answers that a stand's place depends on, besides those about its own head."""


class Stand(NamedTuple):
    """Place of a lamp as measured by tape and eye: distance from the face to its middle [m], angle round from
    the camera [degrees, to the camera's right above 0], and height of its middle [m].
    """

    distance_m: float
    angle_deg: float
    height_m: float

    def point(self, face_m: float) -> Point:
        """Return the place in the rig's axes [m], for a face at this height over the origin [m]."""
        above = self.height_m - face_m
        floor = math.sqrt(max(0.0, self.distance_m**2 - above**2))
        angle = math.radians(self.angle_deg)
        return rounded((floor * math.sin(angle), -floor * math.cos(angle), self.height_m))


def rounded(point: tuple[float, float, float]) -> Point:
    """Round a place to the centimetre."""
    x, y, z = (round(part, 2) + 0.0 for part in point)
    return x, y, z


def camera_m(answers: Answers) -> Point:
    """Return the place of the camera's lens: straight before the face and a little higher [m]."""
    return (0.0, -answers["camera"], eyes_m(answers) + 0.05)


def view_deg(answers: Answers) -> float:
    """Return the angle across the picture that takes in head and shoulders [degrees]."""
    return 2 * math.degrees(math.atan(FRAME_WIDTH_M / 2 / answers["camera"]))


def wall_spot(answers: Answers) -> Point:
    """Return the spot on the wall at which a background light aims [m]."""
    return rounded((0.1, float(answers["wall"]), eyes_m(answers) + 0.1))


def typical_stand(role: str, answers: Answers) -> Stand:
    """Return the usual place of this role's stand, based on the distance and angle already answered."""
    of_it = (f"{role}.size", f"{role}.distance", f"{role}.angle", "key.angle", *OF_THE_ROOM)
    return _usual_stand(role, tuple((key, answers[key]) for key in of_it if key in answers))


@lru_cache(maxsize=64)
def _usual_stand(role: str, known: tuple[tuple[str, Any], ...]) -> Stand:
    """Compute `typical_stand`; cached, since every prompt needs it and spectacles take long."""
    answers = dict(known)
    diameter = float(answers.get(f"{role}.size", 0.0))
    placing = _Placing(answers, diameter)
    away, bearing = answers.get(f"{role}.distance"), answers.get(f"{role}.angle")
    if role in AWAY_M:
        centre = placing.beside(role, away, bearing)
    elif role == "hair":
        centre = placing.behind()
    else:
        centre = placing.before_the_wall()
    from_face = np.array(centre) - placing.subject
    angle = round(math.degrees(math.atan2(from_face[0], -from_face[1])))
    own = float(np.linalg.norm(from_face)) if away is None else away
    within = own if away is None else max(0.0, own - 0.01)
    height = min(max(centre[2], placing.eyes_m - within), placing.eyes_m + within)
    return Stand(round(own, 2), float(angle if bearing is None else bearing), round(height, 2))


class _Placing:
    """Puts one head at its usual place and moves it until it clears ceiling, picture and spectacles."""

    def __init__(self, answers: Answers, diameter_m: float) -> None:
        self.answers, self.diameter_m, self.eyes_m = answers, diameter_m, eyes_m(answers)
        self.camera = camera_m(answers)
        self.view = View(degrees=max(2.0, view_deg(answers)))
        self.subject = np.array([0.0, 0.0, self.eyes_m])

    @property
    def highest_m(self) -> float:
        """The highest middle of the lit face under the ceiling, tilted as a key is [m]."""
        rim = self.diameter_m / 2 * math.cos(math.radians(UP_DEG["key"]))
        return float(self.answers["ceiling"]) - UNDER_CEILING_M - rim

    @property
    def _top_m(self) -> float:
        """The height of a light from above: under the ceiling, or the reach of a stand [m]."""
        return min(self.highest_m, self.eyes_m + HIGHEST_OVER_EYES_M)

    def behind(self) -> Point:
        back = min(HAIR_M, max(0.15, self.answers["wall"] - OFF_WALL_M))
        return (-0.35, back, max(self._top_m, self.eyes_m + 0.3))

    def before_the_wall(self) -> Point:
        wall = self.answers["wall"]
        return (1.2, wall - min(1.0, 0.7 * wall), self._top_m)

    def beside(self, role: str, away_m: float | None, bearing_deg: float | None) -> Point:
        """Return a place round the subject, turned outward until it clears picture and spectacles."""
        usual = max(AWAY_M[role], CLOSEST_DIAMETERS * self.diameter_m)
        distance = usual if away_m is None else away_m
        first = BEARING_DEG[role]
        sign = math.copysign(1.0, first)
        if role == "fill" and self.answers.get("key.angle", 1.0) < 0:
            sign = -sign
        turned = sign * np.arange(abs(first), WIDEST_BEARING_DEG + 0.1, TURN_DEG)
        for bearing in turned if bearing_deg is None else (bearing_deg,):
            centre = self.subject + distance * direction(float(bearing), UP_DEG[role])
            centre[2] = min(centre[2], self.highest_m)
            disc = Disc(centre, unit(self.subject - centre), self.diameter_m / 2)
            if self._out_of_picture(disc) and (height := self._clear_of_glasses(disc)) is not None:
                return (float(centre[0]), float(centre[1]), height)
        return (float(centre[0]), float(centre[1]), float(centre[2]))

    def _out_of_picture(self, disc: Disc) -> bool:
        turn = np.linspace(0, 2 * math.pi, 24)
        across = unit(np.cross([0.0, 0.0, 1.0], disc.axis))
        rim = np.outer(np.cos(turn), across) + np.outer(np.sin(turn), np.cross(disc.axis, across))
        points = disc.centre + disc.radius_m * rim
        outside = outside_frame_deg(points, np.array(self.camera), self.subject, self.view)
        return bool(outside.min() >= OUTSIDE_DEG)

    def _clear_of_glasses(self, disc: Disc) -> float | None:
        """Return the height that clears the lenses, or None; without spectacles the present height."""
        own = float(disc.centre[2])
        if not self.answers["glasses"]:
            return own
        wearer = Wearer((0.0, 0.0, self.eyes_m), self.camera, self.camera, Pose(), Glasses())
        if margin_deg(wearer, disc) >= WANTED_MARGIN_DEG:
            return own
        lowest = lowest_height_m(wearer, disc, highest_m=self.highest_m)
        return None if lowest is None else max(own, math.ceil(100 * lowest) / 100)
