"""The set from the side, every stand turned into the page, with its measures."""

from __future__ import annotations

import math

from fillside.interfaces.sheet.ink import BOLD, CHALK, FAINT, FINE, GRAPHITE, PAPER, PLAIN, THIN, Page
from fillside.interfaces.sheet.measures import SMALL_PT, Room, arc, measure, write_along
from fillside.interfaces.sheet.symbols import LIT, Frame, Letters, Put, wall
from fillside.interfaces.sheet.views import Drawn, Extent, Views
from fillside.planning.lengths import Lengths

CHAIN_MM = 4.2
HEIGHTS_AT, LINES_AT = (0.34, 0.56, 0.14, 0.75), (0.56, 0.3, 0.7, 0.42, 0.84)
"""Where along their lines heights and distances may be written, the best place first."""


def chains(views: Views) -> int:
    """How many lines of floor distances the side view needs below its floor."""
    behind = sum(drawn.place_aside[0] > 0 for drawn in views.heads)
    return max(behind, len(views.heads) - behind)


def draw_aside(page: Page, views: Views, frame: Frame, extent: Extent, lengths: Lengths) -> None:
    """Floor, ceiling, wall, subject, heads, heights, distances and elevations."""
    put = frame.at
    page.stroke([put((extent.left, 0.0)), put((extent.right, 0.0))], BOLD)
    ceiling = views.rig.plan.ceiling
    if ceiling is not None:
        left = put((extent.left, ceiling))
        page.stroke([left, put((extent.right, ceiling))], PLAIN, GRAPHITE, "dashed")
        told = f"ceiling {lengths.long(ceiling)}"
        page.write((left[0], left[1] + 0.8), told, size_pt=SMALL_PT, height="bottom")
    if views.wall_m is not None:
        wall(page, put((views.wall_m, 0.0)), put((views.wall_m, min(extent.top, ceiling or extent.top))))
    room = Room()
    _subject_aside(page, views, frame, lengths, room)
    _camera_aside(page, views, put, lengths, room)
    for side in (-1, 1):
        own = sorted(
            (d for d in views.heads if (d.place_aside[0] > 0) == (side > 0)), key=lambda d: d.floor_m
        )
        for i, drawn in enumerate(own):
            _stand(page, drawn, put, lengths, i, room)
    letters = Letters(page, put((0.0, float(views.subject[2]))))
    for drawn in views.heads:
        rim = [put(spot) for spot in drawn.aside]
        page.area(rim, LIT, GRAPHITE, PLAIN)
        letters.write(rim, drawn.letter)


def _subject_aside(page: Page, views: Views, frame: Frame, lengths: Lengths, room: Room) -> None:
    height = float(views.subject[2])
    x, y = frame.at((0.0, height))
    floor = frame.at((0.0, 0.0))
    measure(page, floor, (x, y), lengths.long(height), (0.5, 0.3, 0.7), room)
    page.area(arc((x, y), 0.11 * frame.mm_per_m, 0, 360), PAPER, GRAPHITE, PLAIN)


def _camera_aside(page: Page, views: Views, put: Put, lengths: Lengths, room: Room) -> None:
    x, y = put(views.camera_aside)
    floor = put((views.camera_aside[0], 0.0))
    measure(page, floor, (x, y), lengths.long(views.camera_aside[1]), (0.6, 0.3, 0.8), room)
    page.area([(x, y), (x - 4.0, y + 1.9), (x - 4.0, y - 1.9)], GRAPHITE)


def _stand(page: Page, drawn: Drawn, put: Put, lengths: Lengths, number: int, room: Room) -> None:
    """One stand with its height, its distance on the floor, and the line to the face with its elevation.

    `number` counts from the nearest stand on its side and tells the line of its distance below the floor.
    """
    across, height = drawn.place_aside
    foot, top = put((across, 0.0)), put((across, height))
    page.stroke([foot, top], FINE)
    measure(page, foot, top, lengths.long(height), HEIGHTS_AT, room)
    page.stroke([(foot[0] - 2.2, foot[1]), (foot[0] + 2.2, foot[1])], BOLD)
    below = foot[1] - CHAIN_MM * (number + 1)
    page.stroke([foot, (foot[0], below - 0.8)], THIN, FAINT)
    text = f"{drawn.letter}  {lengths.long(drawn.floor_m)}"
    measure(page, (put((0.0, 0.0))[0], below), (foot[0], below), text, at=0.62)
    _elevation(page, drawn, put, lengths, room)


def _elevation(page: Page, drawn: Drawn, put: Put, lengths: Lengths, room: Room) -> None:
    across, height = drawn.place_aside
    rise = math.tan(math.radians(drawn.up_deg)) * drawn.floor_m
    eyes, top = put((0.0, height - rise)), put((across, height))
    page.stroke([eyes, top], THIN, CHALK, "dashed")
    text = f"{lengths.long(drawn.straight_m)}, {drawn.up_deg:.0f}°"
    write_along(page, eyes, top, text, LINES_AT, room)
