"""Placement of text in a drawing: at the first of several places where it touches nothing drawn before."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from fillside.sheet.drawing.page import (
    FAINT,
    THIN,
    TYPE_PT,
    PagePoint,
    PageText,
    SheetPage,
    VerticalAlign,
    overlap,
    text_outline,
    text_width_mm,
)

CLEARANCE_MM, END_CLEARANCE_MM = 0.4, 0.5
"""Clearance round text, larger at its ends so that two measures on one line do not read as one."""
LETTER_PT, LETTER_GAP_MM, LETTER_STEP_MM, FARTHEST_MM = 9.0, 2.6, 1.4, 30.0
LETTER_TURNS_DEG = (0, 30, -30, 60, -60, 90, -90, 130, -130)
NAME_TURNS_DEG = (-45, -135, 45, 135, -90, 90, 0, 180, -20, -160, 20, 160)
LEADER_FROM_MM = 4.0
"""Distance from text to its object above which a leader line joins them."""


Bounds = tuple[float, float, float, float]


def _reach(figure: Sequence[PagePoint]) -> Bounds:
    """Return the bounds of a figure: least and most across the page, then up it."""
    xs, ys = zip(*figure, strict=True)
    return min(xs), max(xs), min(ys), max(ys)


class LabelPlacer:
    """Writes in one view of a page, within a rectangle, and records the space taken."""

    def __init__(self, page: SheetPage, low: PagePoint, high: PagePoint) -> None:
        self.page, self._low, self._high = page, low, high
        self._taken: list[tuple[tuple[PagePoint, ...], Bounds]] = []

    def block(self, *figures: Sequence[PagePoint]) -> None:
        """Keep text off these convex figures."""
        self._taken += [(tuple(figure), _reach(figure)) for figure in figures]

    def write(self, places: Iterable[PageText]) -> bool:
        """Write at the first free place; return false, and write nothing, where there is none.

        The table of heads has the measures for which the drawing has no room.
        """
        for words in places:
            if self._free(words):
                self._put(words)
                return True
        return False

    def _write_anyway(self, places: Sequence[PageText]) -> PageText:
        """Write at the first free place, otherwise at the first one inside the view."""
        inside = [words for words in places if self._inside(words)]
        words = next(filter(self._free, inside), inside[0] if inside else places[0])
        self._put(words)
        return words

    def name(self, point: PagePoint, radius_mm: float, text: str, *, bold: bool = False) -> None:
        """Write a name beside its object, with a leader line if it is far off."""
        places = list(_name_places(point, radius_mm, text, bold, self._low[0], self._high[0]))
        self._draw_leader(point, text_outline(self._write_anyway(places)), radius_mm)

    def letter(self, rim: Sequence[PagePoint], letter: str, away_from: PagePoint) -> None:
        """Write a head's letter beyond its lit face, if possible on the side away from the subject."""
        middle = (sum(x for x, _ in rim) / len(rim), sum(y for _, y in rim) / len(rim))
        words = self._write_anyway(list(_letter_places(rim, middle, letter, away_from)))
        near = min(rim, key=lambda point: math.dist(point, words.point))
        self._draw_leader(near, text_outline(words), 0.0)

    def _draw_leader(self, point: PagePoint, corners: Sequence[PagePoint], radius_mm: float) -> None:
        """Draw a thin line from a point to text that is far from it."""
        xs, ys = zip(*corners, strict=True)
        end = (min(max(point[0], min(xs)), max(xs)), min(max(point[1], min(ys)), max(ys)))
        if math.dist(point, end) > radius_mm + LEADER_FROM_MM:
            self.page.stroke([point, end], THIN, FAINT)

    def _inside(self, words: PageText) -> bool:
        return all(
            self._low[0] <= x <= self._high[0] and self._low[1] <= y <= self._high[1]
            for x, y in text_outline(words)
        )

    def _free(self, words: PageText) -> bool:
        if not self._inside(words):
            return False
        corners = text_outline(words, END_CLEARANCE_MM)
        left, right, low, high = _reach(corners)
        return not any(
            overlap(corners, other, CLEARANCE_MM)
            for other, (start, end, foot, top) in self._taken
            if start < right + CLEARANCE_MM
            and left < end + CLEARANCE_MM
            and foot < high + CLEARANCE_MM
            and low < top + CLEARANCE_MM
        )

    def _put(self, words: PageText) -> None:
        self.block(text_outline(words, END_CLEARANCE_MM))
        self.page.items.append(words)


def _letter_places(
    rim: Sequence[PagePoint], middle: PagePoint, letter: str, away_from: PagePoint
) -> Iterator[PageText]:
    outward = math.atan2(middle[1] - away_from[1], middle[0] - away_from[0])
    beyond = 0.0
    while beyond < FARTHEST_MM:
        for turn in LETTER_TURNS_DEG:
            way = (math.cos(outward + math.radians(turn)), math.sin(outward + math.radians(turn)))
            out = extent_along_mm(rim, middle, way) + LETTER_GAP_MM + beyond
            point = (middle[0] + out * way[0], middle[1] + out * way[1])
            yield PageText(point, letter, LETTER_PT, align="center", valign="center", bold=True, backing=True)
        beyond += LETTER_STEP_MM


def _name_places(
    point: PagePoint, radius_mm: float, text: str, bold: bool, low: float, high: float
) -> Iterator[PageText]:
    """Yield places round a point, increasingly far; a name that would leave the view is moved back in."""
    wide = text_width_mm(text, bold=bold)
    for beyond in range(1, int(FARTHEST_MM), 2):
        for turn in NAME_TURNS_DEG:
            across, up = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            out = radius_mm + beyond
            before = 0.0 if across > 0.4 else 1.0 if across < -0.4 else 0.5
            start = point[0] + across * out - before * wide
            kept = min(max(start, low), high - wide)
            height: VerticalAlign = "bottom" if up > 0.4 else "top" if up < -0.4 else "center"
            yield PageText((kept, point[1] + up * out), text, TYPE_PT, valign=height, bold=bold, backing=True)


def extent_along_mm(rim: Sequence[PagePoint], middle: PagePoint, way: PagePoint) -> float:
    """Return the distance [mm] from a lit face's middle to its edge along a unit vector."""
    return max((x - middle[0]) * way[0] + (y - middle[1]) * way[1] for x, y in rim)
