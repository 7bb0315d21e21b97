"""Symbols that both views share: frame, walls, camera, stands, dimension lines, arcs and the scale bar."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from fillside.sheet.drawing.label_placement import LabelPlacer
from fillside.sheet.drawing.page import (
    BOLD,
    CHALK,
    FINE,
    GRAPHITE,
    THIN,
    TYPE_PT,
    HorizontalAlign,
    PagePoint,
    PageText,
    SheetPage,
    VerticalAlign,
)

LIT, HEAD_RADIUS_M = "#efe6d2", 0.09
CAMERA_MM = 4.0


@dataclass(frozen=True)
class ViewFrame:
    """Place of a view on the page: its corners, its origin, and its scale [mm per metre]."""

    low: PagePoint
    high: PagePoint
    zero: PagePoint
    mm_per_m: float

    def at(self, point: PagePoint) -> PagePoint:
        """Return the point of the page for a point of the view [m]."""
        return self.zero[0] + self.mm_per_m * point[0], self.zero[1] + self.mm_per_m * point[1]

    def holds(self, point: PagePoint) -> bool:
        """Return true for a point of the page within the view's corners."""
        return self.low[0] <= point[0] <= self.high[0] and self.low[1] <= point[1] <= self.high[1]


def draw_wall(page: SheetPage, start: PagePoint, end: PagePoint) -> None:
    """Draw a wall as a heavy line, hatched on its far side."""
    page.stroke([start, end], BOLD)
    steps = int(math.dist(start, end) / 2.2)
    for i in range(1, steps + 1):
        x = start[0] + (end[0] - start[0]) * i / (steps + 1)
        y = start[1] + (end[1] - start[1]) * i / (steps + 1)
        page.stroke([(x, y), (x + 1.4, y + 1.4)], THIN)


def draw_cross(page: SheetPage, point: PagePoint, size_mm: float) -> None:
    """Draw a small upright cross at the middle of a stand."""
    x, y = point
    page.stroke([(x - size_mm, y), (x + size_mm, y)], FINE)
    page.stroke([(x, y - size_mm), (x, y + size_mm)], FINE)


def draw_camera(page: SheetPage, lens: PagePoint, way: PagePoint) -> list[PagePoint]:
    """Draw a camera with its lens at a point, looking along a unit vector; return its outline."""
    (x, y), (a, b), half = lens, way, CAMERA_MM * 0.475
    back = (x - CAMERA_MM * a, y - CAMERA_MM * b)
    figure = [lens, (back[0] - half * b, back[1] + half * a), (back[0] + half * b, back[1] - half * a)]
    page.area(figure, GRAPHITE)
    return figure


def moved_along(point: PagePoint, way: PagePoint, by_mm: float) -> PagePoint:
    """Return a point moved along a unit vector."""
    return point[0] + by_mm * way[0], point[1] + by_mm * way[1]


TICK_MM, BESIDE_MM = 1.1, 0.5
CLOSE_MM = 9.0
"""Spacing of ruler steps below which only the first and the last are labelled."""
SHARES = (0.5, 0.4, 0.6, 0.3, 0.7, 0.22, 0.78, 0.15, 0.85)
"""Positions along a line for its measure, best first."""


def _upright(turn_deg: float) -> float:
    """Return the angle at which the same line of text reads from below or from the right."""
    turned = (turn_deg + 90) % 180 - 90
    return 90.0 if turned == -90 else turned


def _tick(page: SheetPage, point: PagePoint, along: PagePoint) -> None:
    x, y = along
    slant = math.radians(45)
    dx = (x * math.cos(slant) - y * math.sin(slant)) * TICK_MM
    dy = (x * math.sin(slant) + y * math.cos(slant)) * TICK_MM
    page.stroke([(point[0] - dx, point[1] - dy), (point[0] + dx, point[1] + dy)], 0.25, CHALK)


def draw_dimension_line(page: SheetPage, start: PagePoint, end: PagePoint) -> None:
    """Draw a dimension line from start to end; `LabelPlacer` writes its text."""
    length = math.dist(start, end)
    if length < 1e-6:
        return
    way = ((end[0] - start[0]) / length, (end[1] - start[1]) / length)
    page.stroke([start, end], THIN, CHALK)
    _tick(page, start, way)
    _tick(page, end, way)


def draw_measure(
    page: SheetPage,
    start: PagePoint,
    end: PagePoint,
    text: str,
    labels: LabelPlacer,
    shares: Sequence[float] = SHARES,
) -> None:
    """Draw a dimension line with its text above or below it, at the first free one of several positions."""
    draw_dimension_line(page, start, end)
    write_along(start, end, text, labels, shares)


def write_along(
    start: PagePoint, end: PagePoint, text: str, labels: LabelPlacer, shares: Sequence[float] = SHARES
) -> bool:
    """Write a measure's text along a line; return false if no place was free."""
    if math.dist(start, end) < 1e-6:
        return False
    return labels.write(_along(start, end, text, shares))


def _along(start: PagePoint, end: PagePoint, text: str, shares: Sequence[float]) -> Iterator[PageText]:
    turn = _upright(math.degrees(math.atan2(end[1] - start[1], end[0] - start[0])))
    lift = math.radians(turn + 90)
    sides: tuple[tuple[float, VerticalAlign], ...] = ((BESIDE_MM, "bottom"), (-BESIDE_MM, "top"))
    for beside, height in sides:
        for share in shares:
            point = (
                start[0] + share * (end[0] - start[0]) + beside * math.cos(lift),
                start[1] + share * (end[1] - start[1]) + beside * math.sin(lift),
            )
            yield PageText(point, text, TYPE_PT, CHALK, "center", height, turn, backing=True)


def arc_points(centre: PagePoint, radius_mm: float, from_deg: float, to_deg: float) -> list[PagePoint]:
    """Return points along a part of a circle, degrees counted counterclockwise from the right."""
    steps = max(2, int(abs(to_deg - from_deg) / 3))
    turns = [math.radians(from_deg + (to_deg - from_deg) * i / steps) for i in range(steps + 1)]
    return [(centre[0] + radius_mm * math.cos(a), centre[1] + radius_mm * math.sin(a)) for a in turns]


def write_at_arc(
    centre: PagePoint, radius_mm: float, turns_deg: Sequence[float], text: str, labels: LabelPlacer
) -> bool:
    """Write an angle's text just outside its arc, at the first free one of several directions.

    Returns false if no place was free.
    """

    def places() -> Iterator[PageText]:
        for turn in turns_deg:
            across, up = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            point = (centre[0] + (radius_mm + 0.5) * across, centre[1] + (radius_mm + 0.5) * up)
            side: HorizontalAlign = "left" if across > 0.35 else "right" if across < -0.35 else "center"
            height: VerticalAlign = "bottom" if up > 0.35 else "top" if up < -0.35 else "center"
            yield PageText(point, text, TYPE_PT, CHALK, side, height, backing=True)

    return labels.write(places())


def draw_scale_bar(
    page: SheetPage, point: PagePoint, mm_per_m: float, steps: Sequence[tuple[float, str]]
) -> None:
    """Draw a ruler: ticks at lengths in metres, each with its text."""
    x, y = point
    page.stroke([(x, y), (x + steps[-1][0] * mm_per_m, y)], THIN, CHALK)
    close = steps[1][0] * mm_per_m < CLOSE_MM
    for length, text in steps:
        page.stroke([(x + length * mm_per_m, y), (x + length * mm_per_m, y + 1.6)], THIN, CHALK)
        if close and text not in (steps[0][1], steps[-1][1]):
            continue
        over = (x + length * mm_per_m, y + 2.0)
        page.write(over, text, size_pt=TYPE_PT, ink=CHALK, align="center", valign="bottom")
