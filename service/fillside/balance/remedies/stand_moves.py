"""Where a stand may be carried to along its line: in its own reach, under the ceiling, before the wall."""

from __future__ import annotations

import math
from collections.abc import Iterator

from fillside.rig.tables.model import Head, Point, Rig

NEARER = tuple(round(0.97 - 0.03 * k, 2) for k in range(17))
FARTHER = tuple(round(1.04 + 0.06 * k, 2) for k in range(25))
"""Parts of the present distance, the smallest change first."""
NEAREST_HEAD_M, LOWEST_HEAD_M, HIGHEST_HEAD_M = 0.4, 0.3, 3.5


def places_along(rig: Rig, head: Head, towards: Point, *, nearer: bool) -> Iterator[Point]:
    """Places [m] to the centimetre on the line from what is lit through the head, the nearest to it first.

    Only those at which its stand, the ceiling and the wall of `[plan]` leave it room.
    """
    least = max(NEAREST_HEAD_M, 0.6 * head.modifier.diameter)
    for factor in NEARER if nearer else FARTHER:
        x, y, z = (round(t + (p - t) * factor, 2) for p, t in zip(head.position, towards, strict=True))
        if math.dist((x, y, z), towards) >= least and _has_room(rig, head, (x, y, z)):
            yield x, y, z


def _has_room(rig: Rig, head: Head, place: Point) -> bool:
    if not LOWEST_HEAD_M <= place[2] <= HIGHEST_HEAD_M:
        return False
    wall, ceiling, radius = rig.plan.wall, rig.plan.ceiling, head.modifier.diameter / 2
    if ceiling is not None and not _clear(ceiling - place[2], ceiling - head.position[2], radius):
        return False
    if wall is None:
        return True
    inward = 1 if rig.camera.position[1] <= wall else -1
    return _clear(inward * (wall - place[1]), inward * (wall - head.position[1]), radius)


def _clear(gap: float, now: float, radius: float) -> bool:
    """Whether a gap [m] holds half the lit face, or is no less than the one that the head has now."""
    return gap >= (min(radius, now) if now > 0 else radius)
