"""The effect of a reading beside the heads that it is of: by what is shared, room light and hand."""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from fillside.balance.judgement.deviations import stops_words
from fillside.balance.target import target_from_rig
from fillside.photometry.room_light import received_lux
from fillside.photometry.source import LightSources, head_directions
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Point, Rig

FloatArray = NDArray[np.float64]

TOLD_STOPS = 0.02
"""Less than this is not told: nobody meters it."""
_LEVELS = np.array([0.3, 0.5, 0.75, 1.0])


def shared_words(rig: Rig, before: Calibration | None, after: Calibration, read: Collection[str]) -> str:
    """All else that a calibration from readings of the heads `read` believes otherwise, as the end of a note.

    `read` is empty for readings of the room with all heads out. Empty where nothing else moved.
    """
    parts = _head_words(rig, before, after, read)
    if read and (room := _room_words(rig, before, after)):
        parts.append(room)
    return f"; {' and '.join(parts)}, since readings share the room and the hand" if parts else ""


def changed_words(rig: Rig, before: Calibration | None, after: Calibration) -> str:
    """All that a calibration believes otherwise of heads, as a part of a note. Empty where nothing moved."""
    parts = _head_words(rig, before, after, ())
    return f"; {' and '.join(parts)}" if parts else ""


def _head_words(
    rig: Rig, before: Calibration | None, after: Calibration, left_out: Collection[str]
) -> list[str]:
    one, other = _light(rig, before), _light(rig, after)
    parts = []
    for i, head in enumerate(rig.heads):
        change = np.log2(other[:, i] / one[:, i]).ravel()
        most = float(change[np.argmax(np.abs(change))])
        if head.name not in left_out and abs(most) > TOLD_STOPS:
            parts.append(
                f"{head.name} now counts as {stops_words(abs(most))} {_way(most, 'brighter', 'darker')}"
            )
    return parts


def _room_words(rig: Rig, before: Calibration | None, after: Calibration) -> str:
    pair = zip(scene(rig, before).ambient, scene(rig, after).ambient, strict=True)
    change = max((new - old for old, new in pair), key=abs)
    told_lux = target_from_rig(rig).exposure_lux * (2**TOLD_STOPS - 1)
    if abs(change) <= told_lux:
        return ""
    return f"the room without heads now counts as {abs(change):.1f} lx {_way(change, 'brighter', 'darker')}"


def _way(change: float, up: str, down: str) -> str:
    return up if change > 0 else down


def _light(rig: Rig, calibration: Calibration | None) -> FloatArray:
    """Each head's own light, direct and by the room [lux] (marks, heads, levels), next to none where there is
    none."""
    own = scene(rig, calibration)
    at_marks = np.array([faced_lux(own.sources, mark) for mark in rig.marks.values()])
    outputs = np.array([np.asarray(curve.output_from_level(_LEVELS)) for curve in own.curves])
    return np.asarray(np.maximum(at_marks[:, :, np.newaxis] * outputs, 10.0 * math.ldexp(1.0, -20)))


def faced_lux(sources: LightSources, mark: Point) -> FloatArray:
    """The light of each head alone at full (n,) [lux] on a flat receptor that faces it."""
    facing = head_directions(sources, mark)[None]
    return np.asarray(received_lux(sources, mark, facing, np.zeros(1, dtype=np.bool_))[0])
