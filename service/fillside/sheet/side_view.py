"""The view from the side, with every stand turned into the page and all measures."""

from __future__ import annotations

import math
from collections.abc import Iterator

from fillside.planning.figures import Lengths
from fillside.sheet.drawing.label_placement import LabelPlacer
from fillside.sheet.drawing.page import (
    BOLD,
    CHALK,
    FAINT,
    FINE,
    GRAPHITE,
    PAPER,
    PLAIN,
    THIN,
    TYPE_PT,
    HorizontalAlign,
    PagePoint,
    PageText,
    SheetPage,
    text_width_mm,
)
from fillside.sheet.drawing.symbols import (
    LIT,
    ViewFrame,
    arc_points,
    draw_camera,
    draw_dimension_line,
    draw_measure,
    draw_wall,
    write_along,
)
from fillside.sheet.views import HeadDrawing, SetViews

CHAIN_MM, ROOM_MM = 5.0, 2.0
MOST_CHAINS = 10
"""Most lines of floor distances; those of farther stands are only in the table of heads."""
FACE_RADIUS_M = 0.11


def chain_count(views: SetViews) -> int:
    """Return the number of lines of floor distances below the side view's floor."""
    behind = sum(drawn.side_position[0] > 0 for drawn in views.heads)
    return min(MOST_CHAINS, max(behind, len(views.heads) - behind))


def chains_height_mm(views: SetViews) -> float:
    """Return the height of the distances below the floor [mm]."""
    return CHAIN_MM * chain_count(views) + ROOM_MM


def draw_side_view(page: SheetPage, views: SetViews, frame: ViewFrame, lengths: Lengths) -> None:
    """Draw floor, ceiling, wall, subject, heads, heights, distances and elevations."""
    put, floor = frame.at, frame.zero[1]
    labels = LabelPlacer(page, (frame.low[0], frame.low[1]), frame.high)
    page.stroke([(frame.low[0], floor), (frame.high[0], floor)], BOLD)
    top = frame.high[1] - ROOM_MM
    ceiling = views.rig.plan.ceiling
    if ceiling is not None:
        top = put((0.0, ceiling))[1]
        page.stroke([(frame.low[0], top), (frame.high[0], top)], PLAIN, GRAPHITE, "dashed")
    if views.wall_m is not None:
        foot = put((views.wall_m, 0.0))
        draw_wall(page, foot, (foot[0], top))
    rims = [[put(point) for point in drawn.side_rim] for drawn in views.heads]
    for rim in rims:
        page.area(rim, LIT, GRAPHITE, PLAIN)
        labels.block(rim)
    face = arc_points(put((0.0, float(views.subject[2]))), FACE_RADIUS_M * frame.mm_per_m, 0, 360)
    labels.block(face, draw_camera(page, put(views.camera_in_side), (1.0, 0.0)))
    for drawn, rim in zip(views.heads, rims, strict=True):
        labels.letter(rim, drawn.letter, put((0.0, float(views.subject[2]))))
    if ceiling is not None:
        labels.write(_at_ceiling(frame, top, f"ceiling {lengths.long(ceiling)}"))
    _measures(page, views, frame, lengths, labels)
    page.area(face, PAPER, GRAPHITE, PLAIN)


def _at_ceiling(frame: ViewFrame, top: float, text: str) -> Iterator[PageText]:
    for share in (0.0, 0.2, 0.4, 0.6, 0.8):
        x = frame.low[0] + share * (frame.high[0] - frame.low[0])
        yield PageText((x, top + 0.8), text, TYPE_PT, valign="bottom")


def _measures(
    page: SheetPage, views: SetViews, frame: ViewFrame, lengths: Lengths, labels: LabelPlacer
) -> None:
    """Draw heights of subject, camera and stands, distances along the floor, and the lines to the face."""
    put = frame.at
    height = float(views.subject[2])
    draw_measure(page, put((0.0, 0.0)), put((0.0, height)), lengths.long(height), labels)
    across, up = views.camera_in_side
    draw_measure(page, put((across, 0.0)), put((across, up)), lengths.long(up), labels)
    for side in (-1, 1):
        own = sorted(
            (d for d in views.heads if (d.side_position[0] > 0) == (side > 0)), key=lambda d: d.floor_m
        )
        for i, drawn in enumerate(own[:MOST_CHAINS]):
            _along_the_floor(page, drawn, frame, lengths, i, labels)
    for drawn in views.heads:
        foot, top = put((drawn.side_position[0], 0.0)), put(drawn.side_position)
        page.stroke([foot, top], FINE)
        page.stroke([(foot[0] - 2.2, foot[1]), (foot[0] + 2.2, foot[1])], BOLD)
        draw_measure(page, foot, top, lengths.long(drawn.side_position[1]), labels)
    for drawn in views.heads:
        _elevation(page, drawn, frame, lengths, labels)


def _along_the_floor(
    page: SheetPage, drawn: HeadDrawing, frame: ViewFrame, lengths: Lengths, number: int, labels: LabelPlacer
) -> None:
    """Draw a stand's distance on a line of its own below the floor; `number` counts from the nearest."""
    foot, zero = frame.at((drawn.side_position[0], 0.0)), frame.zero
    below = foot[1] - CHAIN_MM * (number + 1)
    page.stroke([foot, (foot[0], below - 0.8)], THIN, FAINT)
    start, end = (zero[0], below), (foot[0], below)
    draw_dimension_line(page, start, end)
    labels.write(_at_chain(start, end, f"{drawn.letter}  {lengths.long(drawn.floor_m)}"))


def _at_chain(start: PagePoint, end: PagePoint, text: str) -> Iterator[PageText]:
    """Yield places on the line if it is long enough, otherwise beyond its end."""
    length = end[0] - start[0]
    if text_width_mm(text) < abs(length) - 2.0:
        for share in (0.5, 0.6, 0.4):
            point = (start[0] + share * length, start[1] + 0.4)
            yield PageText(point, text, TYPE_PT, CHALK, "center", "bottom", backing=True)
    side: HorizontalAlign = "left" if length > 0 else "right"
    point = (end[0] + math.copysign(1.5, length), end[1])
    yield PageText(point, text, TYPE_PT, CHALK, side, "center", backing=True)


def _elevation(
    page: SheetPage, drawn: HeadDrawing, frame: ViewFrame, lengths: Lengths, labels: LabelPlacer
) -> None:
    """Draw the line from the eyes to the lit face, with its length and its angle."""
    across, height = drawn.side_position
    rise = math.tan(math.radians(drawn.up_deg)) * drawn.floor_m
    eyes, top = frame.at((0.0, height - rise)), frame.at((across, height))
    page.stroke([eyes, top], THIN, CHALK, "dashed")
    write_along(eyes, top, f"{lengths.long(drawn.straight_m)}, {drawn.up_deg:.0f}°", labels)
