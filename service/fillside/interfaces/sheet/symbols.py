"""What both views are drawn with: where a view stands on the page, walls, crosses, letters."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fillside.interfaces.sheet.ink import BOLD, FINE, THIN, Page, Spot

LIT, HEAD_RADIUS_M = "#efe6d2", 0.09
LETTER_PT, LETTER_GAP_MM, LETTERS_APART_MM = 8.0, 2.8, 3.6


@dataclass(frozen=True)
class Frame:
    """Where on the page a view stands: millimetres of its zero, and millimetres a metre."""

    zero: Spot
    mm_per_m: float

    def at(self, spot: Spot) -> Spot:
        return self.zero[0] + self.mm_per_m * spot[0], self.zero[1] + self.mm_per_m * spot[1]


Put = Callable[[Spot], Spot]


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


def beyond(spot: Spot, way: Spot, by_mm: float) -> Spot:
    """A spot moved along a unit vector."""
    return spot[0] + by_mm * way[0], spot[1] + by_mm * way[1]


class Letters:
    """Writes the heads' letters of one view, each just beyond its lit face and clear of the others."""

    def __init__(self, page: Page, away_from: Spot) -> None:
        self.page, self.away_from = page, away_from
        self.taken: list[Spot] = []

    def write(self, rim: Sequence[Spot], letter: str) -> None:
        """A letter on the side of a lit face that faces away from the subject."""
        middle = (sum(x for x, _ in rim) / len(rim), sum(y for _, y in rim) / len(rim))
        length = math.dist(middle, self.away_from) or 1.0
        way = ((middle[0] - self.away_from[0]) / length, (middle[1] - self.away_from[1]) / length)
        gap = LETTER_GAP_MM + reach(rim, middle, way)
        while any(math.dist(beyond(middle, way, gap), other) < LETTERS_APART_MM for other in self.taken):
            gap += 1.0
        spot = beyond(middle, way, gap)
        self.taken.append(spot)
        self.page.write(
            spot, letter, size_pt=LETTER_PT, side="center", height="center", bold=True, backed=True
        )


def reach(rim: Sequence[Spot], middle: Spot, way: Spot) -> float:
    """How far a lit face reaches from its middle along a unit vector, in mm."""
    return max((x - middle[0]) * way[0] + (y - middle[1]) * way[1] for x, y in rim)
