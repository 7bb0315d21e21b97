"""Where a subject may be."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fillside.rig.tables.model import FARTHEST_M, HIGHEST_M, LOWEST_M, NEAREST_M, Head, Point, Rig

_ROUNDING_M = 1e-9
"""A place exactly on a limit is allowed, whatever the last bit of its distance says."""


def why_not_there(rig: Rig, point: Sequence[float]) -> str | None:
    """In one sentence why a subject cannot be at `point` [m], or None where it can.

    A subject's place is finite, at most 15 m from the first mark, 0 to 4 m high, and 5 cm or more from
    every lit disc.
    """
    if len(point) != 3 or not all(math.isfinite(part) for part in point):
        return "a place is three finite numbers [x, y, z] in metres"
    x, y, z = point
    if not LOWEST_M <= z <= HIGHEST_M:
        return f"{z:.2f} m high is outside {LOWEST_M:g} to {HIGHEST_M:g} m"
    away = math.dist(point, rig.first_mark)
    if away > FARTHEST_M + _ROUNDING_M:
        return f"{away:.1f} m from the first mark is more than {FARTHEST_M:g} m"
    for head in rig.heads:
        gap = distance_to_disc_m((x, y, z), head, rig.aim_of(head))
        if gap < NEAREST_M - _ROUNDING_M:
            return f"{100 * gap:.1f} cm from the lit face of {head.name} is less than {100 * NEAREST_M:g} cm"
    return None


def distance_to_disc_m(point: Point, head: Head, aim: Point) -> float:
    """The distance in metres from a point to the nearest spot of a head's lit disc."""
    offset = [p - q for p, q in zip(point, head.position, strict=True)]
    toward = [a - q for a, q in zip(aim, head.position, strict=True)]
    length = math.hypot(*toward)
    if length == 0:
        return math.hypot(*offset)
    height = sum(o * t for o, t in zip(offset, toward, strict=True)) / length
    across = math.sqrt(max(math.hypot(*offset) ** 2 - height**2, 0.0))
    return math.hypot(height, max(across - head.modifier.diameter / 2, 0.0))
