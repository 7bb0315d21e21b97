"""What both views are drawn with: where a view stands on the page, walls, crosses, the camera."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fillside.sheet.drawing.page import BOLD, FINE, GRAPHITE, THIN, Page, Spot

LIT, HEAD_RADIUS_M = "#efe6d2", 0.09
CAMERA_MM = 4.0


@dataclass(frozen=True)
class ViewFrame:
    """Where on the page a view stands: its corners, where its zero is, and millimetres a metre."""

    low: Spot
    high: Spot
    zero: Spot
    mm_per_m: float

    def at(self, spot: Spot) -> Spot:
        return self.zero[0] + self.mm_per_m * spot[0], self.zero[1] + self.mm_per_m * spot[1]

    def holds(self, spot: Spot) -> bool:
        """Whether a spot of the page is within the view's corners."""
        return self.low[0] <= spot[0] <= self.high[0] and self.low[1] <= spot[1] <= self.high[1]


def wall(page: Page, start: Spot, end: Spot) -> None:
    """A wall as a heavy line, hatched on its far side."""
    page.stroke([start, end], BOLD)
    steps = int(math.dist(start, end) / 2.2)
    for i in range(1, steps + 1):
        x = start[0] + (end[0] - start[0]) * i / (steps + 1)
        y = start[1] + (end[1] - start[1]) * i / (steps + 1)
        page.stroke([(x, y), (x + 1.4, y + 1.4)], THIN)


def cross(page: Page, spot: Spot, size_mm: float) -> None:
    """A small upright cross at the middle of a stand."""
    x, y = spot
    page.stroke([(x - size_mm, y), (x + size_mm, y)], FINE)
    page.stroke([(x, y - size_mm), (x, y + size_mm)], FINE)


def camera(page: Page, lens: Spot, way: Spot) -> list[Spot]:
    """A camera with its lens at a spot, looking along a unit vector; its outline."""
    (x, y), (a, b), half = lens, way, CAMERA_MM * 0.475
    back = (x - CAMERA_MM * a, y - CAMERA_MM * b)
    figure = [lens, (back[0] - half * b, back[1] + half * a), (back[0] + half * b, back[1] - half * a)]
    page.area(figure, GRAPHITE)
    return figure


def beyond(spot: Spot, way: Spot, by_mm: float) -> Spot:
    """A spot moved along a unit vector."""
    return spot[0] + by_mm * way[0], spot[1] + by_mm * way[1]
