"""Where words go in a drawing: at the first of several places where they touch nothing that was there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from fillside.sheet.drawing.page import (
    FAINT,
    THIN,
    TYPE_PT,
    Height,
    Page,
    Spot,
    Words,
    meet,
    outline,
    width_of,
)

APART_MM, ENDS_MM = 0.4, 0.5
"""Round what is written, and more at its ends: two measures on one line are not to be read as one."""
LETTER_PT, LETTER_GAP_MM, LETTER_STEP_MM, FARTHEST_MM = 9.0, 2.6, 1.4, 30.0
LETTER_TURNS_DEG = (0, 30, -30, 60, -60, 90, -90, 130, -130)
NAME_TURNS_DEG = (-45, -135, 45, 135, -90, 90, 0, 180, -20, -160, 20, 160)
LED_FROM_MM = 4.0
"""Words that stand so far off what they name have a line to it."""


Reach = tuple[float, float, float, float]


def _reach(figure: Sequence[Spot]) -> Reach:
    """The least and most of a figure across the page, then up it."""
    xs, ys = zip(*figure, strict=True)
    return min(xs), max(xs), min(ys), max(ys)


class Labels:
    """Writes in one view of a page, within a rectangle, and remembers what is taken."""

    def __init__(self, page: Page, low: Spot, high: Spot) -> None:
        self.page, self._low, self._high = page, low, high
        self._taken: list[tuple[tuple[Spot, ...], Reach]] = []

    def block(self, *figures: Sequence[Spot]) -> None:
        """Convex figures that nothing is to be written on."""
        self._taken += [(tuple(figure), _reach(figure)) for figure in figures]

    def write(self, places: Iterable[Words]) -> bool:
        """Write at the first free place; False, and nothing written, where there is none.

        A measure that finds no place stands in the table of heads.
        """
        for words in places:
            if self._free(words):
                self._put(words)
                return True
        return False

    def _surely(self, places: Sequence[Words]) -> Words:
        """Write at the first free place, or where there is none at the first that is inside."""
        inside = [words for words in places if self._inside(words)]
        words = next(filter(self._free, inside), inside[0] if inside else places[0])
        self._put(words)
        return words

    def name(self, spot: Spot, radius_mm: float, text: str, *, bold: bool = False) -> None:
        """A name beside what it names, with a line to it where it stands far off."""
        places = list(_name_places(spot, radius_mm, text, bold, self._low[0], self._high[0]))
        self._lead(spot, outline(self._surely(places)), radius_mm)

    def letter(self, rim: Sequence[Spot], letter: str, away_from: Spot) -> None:
        """A head's letter just beyond its lit face, on the side away from the subject if that is free."""
        middle = (sum(x for x, _ in rim) / len(rim), sum(y for _, y in rim) / len(rim))
        words = self._surely(list(_letter_places(rim, middle, letter, away_from)))
        near = min(rim, key=lambda point: math.dist(point, words.spot))
        self._lead(near, outline(words), 0.0)

    def _lead(self, spot: Spot, corners: Sequence[Spot], radius_mm: float) -> None:
        """A thin line from a spot to written words that stand far off it."""
        xs, ys = zip(*corners, strict=True)
        end = (min(max(spot[0], min(xs)), max(xs)), min(max(spot[1], min(ys)), max(ys)))
        if math.dist(spot, end) > radius_mm + LED_FROM_MM:
            self.page.stroke([spot, end], THIN, FAINT)

    def _inside(self, words: Words) -> bool:
        return all(
            self._low[0] <= x <= self._high[0] and self._low[1] <= y <= self._high[1]
            for x, y in outline(words)
        )

    def _free(self, words: Words) -> bool:
        if not self._inside(words):
            return False
        corners = outline(words, ENDS_MM)
        left, right, low, high = _reach(corners)
        return not any(
            meet(corners, other, APART_MM)
            for other, (start, end, foot, top) in self._taken
            if start < right + APART_MM
            and left < end + APART_MM
            and foot < high + APART_MM
            and low < top + APART_MM
        )

    def _put(self, words: Words) -> None:
        self.block(outline(words, ENDS_MM))
        self.page.marks.append(words)


def _letter_places(rim: Sequence[Spot], middle: Spot, letter: str, away_from: Spot) -> Iterator[Words]:
    outward = math.atan2(middle[1] - away_from[1], middle[0] - away_from[0])
    beyond = 0.0
    while beyond < FARTHEST_MM:
        for turn in LETTER_TURNS_DEG:
            way = (math.cos(outward + math.radians(turn)), math.sin(outward + math.radians(turn)))
            out = reach(rim, middle, way) + LETTER_GAP_MM + beyond
            spot = (middle[0] + out * way[0], middle[1] + out * way[1])
            yield Words(spot, letter, LETTER_PT, side="center", height="center", bold=True, backed=True)
        beyond += LETTER_STEP_MM


def _name_places(
    spot: Spot, radius_mm: float, text: str, bold: bool, low: float, high: float
) -> Iterator[Words]:
    """Round a spot, ever farther; a name that would leave the view on one side is moved back into it."""
    wide = width_of(text, bold=bold)
    for beyond in range(1, int(FARTHEST_MM), 2):
        for turn in NAME_TURNS_DEG:
            across, up = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            out = radius_mm + beyond
            before = 0.0 if across > 0.4 else 1.0 if across < -0.4 else 0.5
            start = spot[0] + across * out - before * wide
            kept = min(max(start, low), high - wide)
            height: Height = "bottom" if up > 0.4 else "top" if up < -0.4 else "center"
            yield Words((kept, spot[1] + up * out), text, TYPE_PT, height=height, bold=bold, backed=True)


def reach(rim: Sequence[Spot], middle: Spot, way: Spot) -> float:
    """How far a lit face reaches from its middle along a unit vector, in mm."""
    return max((x - middle[0]) * way[0] + (y - middle[1]) * way[1] for x, y in rim)
