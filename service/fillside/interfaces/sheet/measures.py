"""Dimension lines as a carpenter draws them: a thin line between two ticks, the length written along it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fillside.interfaces.sheet.ink import CHALK, THIN, Page, Spot, width_of

TICK_MM, BESIDE_MM, SMALL_PT, HIGH_MM = 1.1, 0.7, 5.8, 2.4


def _upright(turn_deg: float) -> float:
    """The same line of writing turned so that it is read from below or from the right."""
    turned = (turn_deg + 90) % 180 - 90
    return 90.0 if turned == -90 else turned


def _tick(page: Page, spot: Spot, along: Spot) -> None:
    x, y = along
    slant = math.radians(45)
    dx = (x * math.cos(slant) - y * math.sin(slant)) * TICK_MM
    dy = (x * math.sin(slant) + y * math.cos(slant)) * TICK_MM
    page.stroke([(spot[0] - dx, spot[1] - dy), (spot[0] + dx, spot[1] + dy)], 0.25, CHALK)


class Room:
    """Remembers where measures are written, so that the next one finds a free place or is left out.

    What is left out stands in the table of heads.
    """

    def __init__(self) -> None:
        self._taken: list[tuple[Spot, float, float]] = []

    def first_free(self, line: tuple[Spot, Spot], text: str, shares: Sequence[float]) -> float | None:
        """The first share of the way along a line at which a text meets no other; None if there is none."""
        (x, y), (to_x, to_y) = line
        turn, long = math.atan2(to_y - y, to_x - x), width_of(text, SMALL_PT)
        for share in shares:
            spot = (x + share * (to_x - x), y + share * (to_y - y))
            if not any(_meet(spot, turn, long, other) for other in self._taken):
                self._taken.append((spot, turn, long))
                return share
        return None


def _meet(spot: Spot, turn: float, long: float, other: tuple[Spot, float, float]) -> bool:
    """Whether two texts of small type overlap, each taken as a bar along its line."""
    (x, y), other_turn, other_long = other
    dx, dy = spot[0] - x, spot[1] - y
    slant = abs(math.sin(turn - other_turn))
    along = abs(dx * math.cos(other_turn) + dy * math.sin(other_turn))
    across = abs(dx * math.sin(other_turn) - dy * math.cos(other_turn))
    return along < (long * (1 - slant) + other_long) / 2 + BESIDE_MM and across < HIGH_MM + slant * long / 2


def measure(
    page: Page,
    start: Spot,
    end: Spot,
    text: str,
    at: float | Sequence[float] = 0.5,
    room: Room | None = None,
) -> None:
    """A dimension line from start to end, its text above it at the share `at` of the way.

    With `room` the text goes to the first free one of several shares.
    """
    length = math.dist(start, end)
    if length < 1e-6:
        return
    way = ((end[0] - start[0]) / length, (end[1] - start[1]) / length)
    page.stroke([start, end], THIN, CHALK)
    _tick(page, start, way)
    _tick(page, end, way)
    write_along(page, start, end, text, at, room)


def write_along(
    page: Page, start: Spot, end: Spot, text: str, at: float | Sequence[float], room: Room | None = None
) -> None:
    """A measure's text along a line, as `measure` puts it."""
    shares = [at] if isinstance(at, float) else at
    share = shares[0] if room is None else room.first_free((start, end), text, shares)
    if share is None:
        return
    turn = _upright(math.degrees(math.atan2(end[1] - start[1], end[0] - start[0])))
    lift = math.radians(turn + 90)
    spot = (
        start[0] + share * (end[0] - start[0]) + BESIDE_MM * math.cos(lift),
        start[1] + share * (end[1] - start[1]) + BESIDE_MM * math.sin(lift),
    )
    how = {"side": "center", "height": "bottom", "backed": True}
    page.write(spot, text, size_pt=SMALL_PT, ink=CHALK, turn_deg=turn, **how)


def arc(centre: Spot, radius_mm: float, from_deg: float, to_deg: float) -> list[Spot]:
    """Spots along a part of a circle, degrees counted from the right, against the clock."""
    steps = max(2, int(abs(to_deg - from_deg) / 3))
    turns = [math.radians(from_deg + (to_deg - from_deg) * i / steps) for i in range(steps + 1)]
    return [(centre[0] + radius_mm * math.cos(a), centre[1] + radius_mm * math.sin(a)) for a in turns]


def angle(
    page: Page, centre: Spot, radius_mm: float, from_deg: float, to_deg: float, text: str, at: float = 0.5
) -> None:
    """An angle as an arc with its text at the share `at` of the way, outside it."""
    if abs(to_deg - from_deg) < 1e-6:
        return
    page.stroke(arc(centre, radius_mm, from_deg, to_deg), THIN, CHALK)
    middle = math.radians(from_deg + at * (to_deg - from_deg))
    out = radius_mm + 0.5
    spot = (centre[0] + out * math.cos(middle), centre[1] + out * math.sin(middle))
    side = "left" if math.cos(middle) > 0.35 else "right" if math.cos(middle) < -0.35 else "center"
    height = "bottom" if math.sin(middle) > 0.35 else "top" if math.sin(middle) < -0.35 else "center"
    page.write(spot, text, size_pt=SMALL_PT, ink=CHALK, side=side, height=height, backed=True)


def scale_bar(page: Page, spot: Spot, mm_per_m: float, steps: Sequence[tuple[float, str]]) -> None:
    """A ruler for the drawing: ticks at lengths in metres, each with its text."""
    x, y = spot
    page.stroke([(x, y), (x + steps[-1][0] * mm_per_m, y)], THIN, CHALK)
    for length, text in steps:
        page.stroke([(x + length * mm_per_m, y), (x + length * mm_per_m, y + 1.6)], THIN, CHALK)
        over = (x + length * mm_per_m, y + 2.0)
        page.write(over, text, size_pt=SMALL_PT, ink=CHALK, side="center", height="bottom")
