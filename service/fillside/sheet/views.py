"""The set in two views at one scale: from above, and from the side with every stand turned into the page.

In the view from above the camera is at the bottom and looks up the page, so its right is to the right, as a
person behind it sees the set. In the side view the camera is on the left, and each head is shown at its true
distance from the subject, in front of it on the left or behind it on the right, so distances, heights and
angles of elevation are all true.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.planning.look.mark import MarkPlan
from fillside.rig.tables.model import Head, Point, Rig
from fillside.sheet.drawing.page import PagePoint

FloatArray = npt.NDArray[np.float64]

SCALES = (10, 15, 20, 25, 30, 40, 50, 60, 75, 100, 125, 150, 200, 250, 300)
RIM = 40
SMALLEST_RADIUS_M = 0.04
FACES_WALL = 0.2
"""Cosine below which the camera's line is so nearly along the wall that no wall is behind the subject."""


@dataclass(frozen=True)
class HeadDrawing:
    """One head on the sheet: its letter, lit face (rim,) and place in the coordinates of both views [m]."""

    letter: str
    head: Head
    plan_rim: tuple[PagePoint, ...]
    side_rim: tuple[PagePoint, ...]
    plan_position: PagePoint
    side_position: PagePoint
    side_deg: float
    up_deg: float
    floor_m: float
    straight_m: float


@dataclass(frozen=True)
class Extent:
    """Bounds of two coordinates, in metres."""

    left: float
    right: float
    bottom: float
    top: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.top - self.bottom


def letters(count: int) -> list[str]:
    """Return the names A, B, ... Z, AA, AB, ..., short enough for a drawing."""
    single = [chr(ord("A") + i) for i in range(26)]
    return (single + [a + b for a in single for b in single])[:count]


class SetViews:
    """Converts places of a rig [m] into the coordinates of both views [m], the subject at 0 across."""

    def __init__(self, rig: Rig, mark: MarkPlan) -> None:
        self.rig, self.mark = rig, mark
        self.subject = np.asarray(mark.point, dtype=float)
        camera = np.asarray(rig.camera.position, dtype=float)
        floor = self.subject[:2] - camera[:2]
        length = float(np.linalg.norm(floor))
        self.ahead = floor / length if length > 1e-6 else np.array([0.0, 1.0])
        self.rightward = np.array([self.ahead[1], -self.ahead[0]])
        self.camera_in_plan = self.to_plan(rig.camera.position)
        self.camera_in_side: PagePoint = (-length, rig.camera.position[2])
        named = letters(len(rig.heads))
        self.heads = tuple(self._drawn(name, head) for name, head in zip(named, rig.heads, strict=True))

    def to_plan(self, point: Sequence[float] | FloatArray) -> PagePoint:
        """Return the coordinates from above: to the camera's right, and away from the camera."""
        off = np.asarray(point, dtype=float)[:2] - self.subject[:2]
        return float(off @ self.rightward), float(off @ self.ahead)

    def _to_side(self, point: FloatArray, outward: FloatArray, sign: float) -> PagePoint:
        off = point[:2] - self.subject[:2]
        return sign * float(off @ outward), float(point[2])

    def _drawn(self, letter: str, head: Head) -> HeadDrawing:
        position = next(one for one in self.mark.standings if one.head == head.name)
        place = np.asarray(head.position, dtype=float)
        rim = disc_rim(head.position, self.rig.aim_of(head), head.modifier.diameter / 2)
        off = place[:2] - self.subject[:2]
        length = float(np.linalg.norm(off))
        outward = off / length if length > 1e-6 else self.ahead
        sign = -1.0 if abs(position.side_deg) <= 90 and length > 1e-6 else 1.0
        return HeadDrawing(
            letter=letter,
            head=head,
            plan_rim=tuple(self.to_plan(point) for point in rim),
            side_rim=tuple(self._to_side(point, outward, sign) for point in rim),
            plan_position=self.to_plan(place),
            side_position=self._to_side(place, outward, sign),
            side_deg=position.side_deg,
            up_deg=position.up_deg,
            floor_m=position.floor_m,
            straight_m=position.straight_m,
        )

    def wall_in_plan(self, left: float, right: float) -> tuple[PagePoint, PagePoint] | None:
        """Return the ends of the wall behind the subject between two places across; None without one."""
        wall = self.rig.plan.wall
        if wall is None or abs(float(self.ahead[1])) < FACES_WALL:
            return None
        ends = []
        for across in (left, right):
            forward = (wall - self.subject[1] - across * self.rightward[1]) / self.ahead[1]
            ends.append((across, float(forward)))
        return ends[0], ends[1]

    @property
    def wall_m(self) -> float | None:
        """Distance from the subject to the wall behind along the camera's line; None without one."""
        wall = self.rig.plan.wall
        if wall is None or abs(float(self.ahead[1])) < FACES_WALL:
            return None
        away = (wall - self.subject[1]) / self.ahead[1]
        return float(away) if away > 0 else None

    def plan_extent(self) -> Extent:
        """Return the bounds of the view from above."""
        points = [point for drawn in self.heads for point in (*drawn.plan_rim, drawn.plan_position)]
        points += [self.to_plan(point) for point in self.rig.marks.values()]
        points += [self.camera_in_plan, (0.0, 0.0)]
        if self.wall_m is not None:
            points += self.wall_in_plan(min(x for x, _ in points), max(x for x, _ in points)) or ()
        return _around(points)

    def side_extent(self) -> Extent:
        """Return the bounds of the view from the side, with floor and ceiling."""
        points = [point for drawn in self.heads for point in drawn.side_rim]
        points += [self.camera_in_side, (0.0, 0.0), (0.0, float(self.subject[2]) + 0.2)]
        if self.rig.plan.ceiling is not None:
            points.append((0.0, self.rig.plan.ceiling))
        if self.wall_m is not None:
            points.append((self.wall_m, 0.0))
        around = _around(points)
        return Extent(around.left, around.right, 0.0, around.top)


def _around(points: Sequence[PagePoint]) -> Extent:
    across, up = zip(*points, strict=True)
    return Extent(min(across), max(across), min(up), max(up))


def disc_rim(centre: Point, aim: Point, radius_m: float) -> FloatArray:
    """Return points (rim, 3) [m] round a lit face; a point source is drawn as a small face."""
    middle, target = np.asarray(centre, dtype=float), np.asarray(aim, dtype=float)
    axis = target - middle
    axis /= np.linalg.norm(axis)
    helper = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    across = np.cross(helper, axis)
    across /= np.linalg.norm(across)
    turn = np.linspace(0, 2 * math.pi, RIM)
    rim = np.outer(np.cos(turn), across) + np.outer(np.sin(turn), np.cross(axis, across))
    points: FloatArray = middle + max(radius_m, SMALLEST_RADIUS_M) * rim
    return points
