"""The set from above, with its measures."""

from __future__ import annotations

import math

from fillside.interfaces.sheet.ink import BOLD, FAINT, FINE, GRAPHITE, PAPER, PLAIN, THIN, Page, Spot
from fillside.interfaces.sheet.measures import SMALL_PT, Room, angle, arc, measure
from fillside.interfaces.sheet.symbols import (
    HEAD_RADIUS_M,
    LIT,
    Frame,
    Letters,
    Put,
    beyond,
    cross,
    reach,
    wall,
)
from fillside.interfaces.sheet.views import Drawn, Extent, Views
from fillside.planning.lengths import Lengths
from fillside.planning.lens import view_degrees

BEYOND_M, FIRST_ARC_MM, ARC_STEP_MM = 0.6, 8.0, 4.6


def draw_above(page: Page, views: Views, frame: Frame, extent: Extent, lengths: Lengths) -> None:
    """Wall, camera and its view, subject, heads, distances and bearings."""
    put = frame.at
    ends = views.wall_above(extent)
    if ends is not None:
        wall(page, put(ends[0]), put(ends[1]))
    _view_edges(page, views, put)
    for drawn in views.heads:
        aim = views.above(views.rig.aim_of(drawn.head))
        page.stroke([put(drawn.place_above), put(aim)], THIN, FAINT, "chain")
    room, subject = Room(), put((0.0, 0.0))
    to_camera = lengths.long(-views.camera_above[0])
    measure(page, put(views.camera_above), subject, to_camera, (0.3, 0.45, 0.15), room)
    if views.wall_m is not None:
        measure(page, subject, put((views.wall_m, 0.0)), lengths.long(views.wall_m), (0.6, 0.75, 0.45), room)
    _bearings(page, views, frame, lengths, room)
    letters = Letters(page, subject)
    for drawn in views.heads:
        rim = [put(spot) for spot in drawn.above]
        page.area(rim, LIT, GRAPHITE, PLAIN)
        cross(page, put(drawn.place_above), 0.9)
        letters.write(rim, drawn.letter)
    _camera_above(page, put(views.camera_above))
    _other_marks(page, views, put)
    _face_above(page, views, frame)


def _view_edges(page: Page, views: Views, put: Put) -> None:
    half = math.radians(view_degrees(views.rig.plan.view)[0] / 2)
    x, y = views.camera_above
    reach = BEYOND_M - x
    for sign in (1, -1):
        end = (x + reach * math.cos(half), y + sign * reach * math.sin(half))
        page.stroke([put((x, y)), put(end)], THIN, FAINT, "dashed")


def _bearings(page: Page, views: Views, frame: Frame, lengths: Lengths, room: Room) -> None:
    """A tape from the subject to every stand, and its bearing from the camera as an arc."""
    centre = frame.at((0.0, 0.0))
    lines = [180.0 + drawn.side_deg for drawn in views.heads] + [0.0, 180.0]
    for side in (1, -1):
        own = sorted(
            (d for d in views.heads if (d.side_deg >= 0) == (side > 0)), key=lambda d: abs(d.side_deg)
        )
        arcs = FIRST_ARC_MM + ARC_STEP_MM * max(0, len(own) - 1)
        for i, drawn in enumerate(own):
            at = _between(drawn, frame, arcs)
            shares = (at, at + 0.1, at - 0.1, at + 0.2, at - 0.2)
            measure(page, centre, frame.at(drawn.place_above), lengths.long(drawn.floor_m), shares, room)
            share = _freest(drawn.side_deg, lines)
            text = f"{abs(drawn.side_deg):.0f}°"
            angle(page, centre, FIRST_ARC_MM + ARC_STEP_MM * i, 180, 180 + drawn.side_deg, text, share)


def _between(drawn: Drawn, frame: Frame, arcs_mm: float) -> float:
    """The share of a head's tape that is in the middle between the arcs and its lit face."""
    centre, place = frame.at((0.0, 0.0)), frame.at(drawn.place_above)
    length = math.dist(centre, place)
    if length < 1e-6:
        return 0.5
    way = ((centre[0] - place[0]) / length, (centre[1] - place[1]) / length)
    face = length - reach([frame.at(spot) for spot in drawn.above], place, way)
    return min(0.8, max(0.3, (min(arcs_mm, face) + face) / 2 / length))


def _freest(turned_deg: float, lines: list[float]) -> float:
    """The share of an arc from the camera's line at which its text is farthest from every line."""
    shares = [0.25 + 0.05 * i for i in range(13)]

    def room(share: float) -> float:
        here = 180 + share * turned_deg
        return min(abs((here - line + 180) % 360 - 180) for line in lines)

    return max(shares, key=room)


def _camera_above(page: Page, spot: Spot) -> None:
    x, y = spot
    page.area([(x, y), (x - 4.0, y + 1.9), (x - 4.0, y - 1.9)], GRAPHITE)
    page.write((x - 4.8, y), "camera", size_pt=SMALL_PT, side="right", height="center", backed=True)


def _other_marks(page: Page, views: Views, put: Put) -> None:
    for name, point in views.rig.marks.items():
        if name == views.mark.mark:
            continue
        x, y = put(views.above(point))
        page.stroke([(x - 1, y - 1), (x + 1, y + 1)], FINE)
        page.stroke([(x - 1, y + 1), (x + 1, y - 1)], FINE)
        page.write((x + 1.6, y), name, size_pt=SMALL_PT, height="center", backed=True)


def _face_above(page: Page, views: Views, frame: Frame) -> None:
    """The subject's head as a circle with its nose where the face looks."""
    radius = HEAD_RADIUS_M * frame.mm_per_m
    centre = frame.at((0.0, 0.0))
    page.area(arc(centre, radius, 0, 360), PAPER, GRAPHITE, PLAIN)
    looks = views.rig.subject.looks
    toward = views.camera_above if looks == "camera" else views.above(views.rig.marks[looks])
    length = math.hypot(*toward) or 1.0
    way = (toward[0] / length, toward[1] / length)
    page.stroke([beyond(centre, way, radius), beyond(centre, way, 1.6 * radius)], BOLD)
    page.write(
        (centre[0] + radius + 1.0, centre[1] - radius - 1.0),
        views.mark.mark,
        size_pt=SMALL_PT,
        height="top",
        bold=True,
        backed=True,
    )
