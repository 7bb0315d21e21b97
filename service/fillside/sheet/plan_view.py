"""The view from above, with the camera at the bottom and all measures."""

from __future__ import annotations

import math
from collections.abc import Iterator

from fillside.planning.figures import Lengths
from fillside.planning.look.lens import view_degrees
from fillside.sheet.drawing.label_placement import LabelPlacer, extent_along_mm
from fillside.sheet.drawing.page import (
    BOLD,
    CHALK,
    FAINT,
    FINE,
    GRAPHITE,
    PAPER,
    PLAIN,
    THIN,
    PagePoint,
    SheetPage,
    Stroke,
)
from fillside.sheet.drawing.symbols import (
    CAMERA_MM,
    HEAD_RADIUS_M,
    LIT,
    SHARES,
    ViewFrame,
    arc_points,
    draw_camera,
    draw_cross,
    draw_dimension_line,
    draw_wall,
    moved_along,
    write_along,
    write_at_arc,
)
from fillside.sheet.views import HeadDrawing, SetViews

FIRST_ARC_MM, ARC_STEP_MM, NOSE_RADII = 9.0, 5.2, 1.6
CAMERA_DEG = -90.0
"""Direction of the camera seen from the subject."""


def draw_plan_view(page: SheetPage, views: SetViews, frame: ViewFrame, lengths: Lengths) -> None:
    """Draw wall, camera and its view, subject, heads, distances and bearings."""
    labels = LabelPlacer(page, frame.low, frame.high)
    _lines(page, views, frame)
    ground = len(page.items)
    rims = [[frame.at(point) for point in drawn.plan_rim] for drawn in views.heads]
    for drawn, rim in zip(views.heads, rims, strict=True):
        page.area(rim, LIT, GRAPHITE, PLAIN)
        draw_cross(page, frame.at(drawn.plan_position), 0.9)
        labels.block(rim)
    labels.block(draw_camera(page, frame.at(views.camera_in_plan), (0.0, 1.0)))
    labels.block(*_face(page, views, frame))
    centre = frame.at((0.0, 0.0))
    for drawn, rim in zip(views.heads, rims, strict=True):
        labels.letter(rim, drawn.letter, centre)
    _names(page, views, frame, labels)
    page.items[ground:ground] = _texts(views, frame, lengths, labels)


def _lines(page: SheetPage, views: SetViews, frame: ViewFrame) -> None:
    """Draw all straight lines: walls, edges of the camera's view, aims of heads, tapes."""
    put, per_m = frame.at, frame.mm_per_m
    ends = views.wall_in_plan((frame.low[0] - frame.zero[0]) / per_m, (frame.high[0] - frame.zero[0]) / per_m)
    if ends is not None and views.wall_m is not None:
        draw_wall(page, put(ends[0]), put(ends[1]))
    _view_edges(page, views, frame)
    centre = put((0.0, 0.0))
    for drawn in views.heads:
        place = put(drawn.plan_position)
        aim = _cut(place, put(views.to_plan(views.rig.aim_of(drawn.head))), frame)
        page.stroke([place, aim], THIN, FAINT, "chain")
        draw_dimension_line(page, centre, place)
    draw_dimension_line(page, put(views.camera_in_plan), centre)
    if views.wall_m is not None:
        draw_dimension_line(page, centre, put((0.0, views.wall_m)))


def _view_edges(page: SheetPage, views: SetViews, frame: ViewFrame) -> None:
    half = math.radians(view_degrees(views.rig.plan.view)[0] / 2)
    lens = frame.at(views.camera_in_plan)
    far = 10 * (frame.high[1] - frame.low[1])
    for sign in (1, -1):
        end = (lens[0] + sign * far * math.sin(half), lens[1] + far * math.cos(half))
        page.stroke([lens, _cut(lens, end, frame)], THIN, FAINT, "dashed")


def _cut(start: PagePoint, end: PagePoint, frame: ViewFrame) -> PagePoint:
    """Return the end of a line, or the point where it leaves the frame."""
    share = 1.0
    for axis in (0, 1):
        way = end[axis] - start[axis]
        if way:
            bound = frame.high[axis] if way > 0 else frame.low[axis]
            share = min(share, max(0.0, (bound - start[axis]) / way))
    return start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])


def _arcs(views: SetViews) -> Iterator[tuple[HeadDrawing, float]]:
    """Yield each head with the radius of its arc [mm].

    On each side, arcs nearer to the camera's line are farther inside.
    """
    for side in (1, -1):
        own = sorted(
            (d for d in views.heads if (d.side_deg >= 0) == (side > 0)), key=lambda d: abs(d.side_deg)
        )
        yield from ((drawn, FIRST_ARC_MM + ARC_STEP_MM * i) for i, drawn in enumerate(own))


def _texts(views: SetViews, frame: ViewFrame, lengths: Lengths, labels: LabelPlacer) -> list[Stroke]:
    """Write the measures: first to camera and wall, then the tape length and the bearing of every stand.

    Returns the arcs of the bearings that fitted; an arc without its number would be meaningless.
    """
    centre, lens = frame.at((0.0, 0.0)), frame.at(views.camera_in_plan)
    write_along(lens, centre, lengths.long(-views.camera_in_plan[1]), labels)
    if views.wall_m is not None:
        write_along(centre, frame.at((0.0, views.wall_m)), lengths.long(views.wall_m), labels)
    arcs = list(_arcs(views))
    for drawn, radius in arcs:
        best = _between(drawn, frame, radius)
        shares = sorted(SHARES, key=lambda share: abs(share - best))
        write_along(centre, frame.at(drawn.plan_position), lengths.long(drawn.floor_m), labels, shares)
    lines = [CAMERA_DEG + drawn.side_deg for drawn in views.heads] + [CAMERA_DEG, CAMERA_DEG + 180]
    drawn_arcs = []
    for drawn, radius in arcs:
        bow = arc_points(centre, radius, CAMERA_DEG, CAMERA_DEG + drawn.side_deg)
        turns = [CAMERA_DEG + share * drawn.side_deg for share in _freest(drawn.side_deg, lines)]
        fits = all(frame.holds(point) for point in bow)
        if fits and write_at_arc(centre, radius, turns, f"{abs(drawn.side_deg):.0f}°", labels):
            drawn_arcs.append(Stroke(tuple(bow), THIN, CHALK))
    return drawn_arcs


def _between(drawn: HeadDrawing, frame: ViewFrame, arc_mm: float) -> float:
    """Return the position along a head's tape, 0..1, midway between its arc and its lit face."""
    centre, place = frame.at((0.0, 0.0)), frame.at(drawn.plan_position)
    length = math.dist(centre, place)
    if length < 1e-6:
        return 0.5
    way = ((centre[0] - place[0]) / length, (centre[1] - place[1]) / length)
    face = length - extent_along_mm([frame.at(point) for point in drawn.plan_rim], place, way)
    return min(0.85, max(0.15, (min(arc_mm, face) + face) / 2 / length))


def _freest(turned_deg: float, lines: list[float]) -> list[float]:
    """Return positions along an arc, 0..1 from the camera's line, those farthest from every line first."""

    def room(share: float) -> float:
        here = CAMERA_DEG + share * turned_deg
        return min(abs((here - line + 180) % 360 - 180) for line in lines)

    return sorted((0.2 + 0.05 * i for i in range(17)), key=room, reverse=True)


def _face(page: SheetPage, views: SetViews, frame: ViewFrame) -> tuple[list[PagePoint], list[PagePoint]]:
    """Draw the subject's head as a circle with its nose where the face looks; return the outlines of both."""
    radius, centre = HEAD_RADIUS_M * frame.mm_per_m, frame.at((0.0, 0.0))
    circle = arc_points(centre, radius, 0, 360)
    page.area(circle, PAPER, GRAPHITE, PLAIN)
    looks = views.rig.subject.looks
    toward = views.camera_in_plan if looks == "camera" else views.to_plan(views.rig.marks[looks])
    length = math.hypot(*toward) or 1.0
    way = (toward[0] / length, toward[1] / length)
    tip = moved_along(centre, way, NOSE_RADII * radius)
    page.stroke([moved_along(centre, way, radius), tip], BOLD)
    side = (-way[1], way[0])
    return circle, [centre, moved_along(tip, side, 0.5), moved_along(tip, side, -0.5)]


def _names(page: SheetPage, views: SetViews, frame: ViewFrame, labels: LabelPlacer) -> None:
    """Write the names of camera, subject's mark and other marks; no name covers another mark."""
    others = {
        name: frame.at(views.to_plan(point))
        for name, point in views.rig.marks.items()
        if name != views.mark.mark
    }
    for x, y in others.values():
        page.stroke([(x - 1, y - 1), (x + 1, y + 1)], FINE)
        page.stroke([(x - 1, y + 1), (x + 1, y - 1)], FINE)
        labels.block([(x - 1, y - 1), (x + 1, y - 1), (x + 1, y + 1), (x - 1, y + 1)])
    x, y = frame.at(views.camera_in_plan)
    labels.name((x, y - CAMERA_MM / 2), CAMERA_MM / 2, "camera")
    labels.name(frame.at((0.0, 0.0)), HEAD_RADIUS_M * frame.mm_per_m, views.mark.mark, bold=True)
    for name, point in others.items():
        labels.name(point, 1.0, name)
