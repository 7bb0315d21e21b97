"""Two calibrations of a rig against each other, as data and in words: heads at marks, and ambient light."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.balance.judgement.deviations import stops_words
from fillside.balance.target import target_from_rig
from fillside.photometry.room_light import received_lux
from fillside.photometry.source import head_directions
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]

TOLD_STOPS = 0.02
"""Less than this is not told: nobody meters it."""
_LEVELS = np.array([0.3, 0.5, 0.75, 1.0])
_LEAST_LUX = 1e-5


@dataclass(frozen=True)
class HeadDifference:
    """The light of one head at full by the second calibration over the first, at each mark [stops].

    `sigma_stops` is its standard uncertainty as if the two shared no reading, and so at most what it is; None
    where one of them does not say how sure it is.
    """

    at_marks: dict[str, float]
    sigma_stops: float | None


@dataclass(frozen=True)
class Difference:
    """Two calibrations apart: heads by name, and the ambient light toward key, fill and camera [lux]."""

    heads: dict[str, HeadDifference]
    ambient: tuple[tuple[float, float, float], tuple[float, float, float]]


def difference(rig: Rig, one: Calibration | None, other: Calibration | None) -> Difference:
    """The other calibration over the first, None for the rig file alone, both in the rig as it is now."""
    first, second = scene(rig, one), scene(rig, other)
    stops = np.round(_stops_over(_full_lux(second), _full_lux(first)), 4)
    heads = {
        head.name: HeadDifference(
            dict(zip(rig.marks, stops[:, i].tolist(), strict=True)), _sigma(head.name, one, other)
        )
        for i, head in enumerate(rig.heads)
    }
    return Difference(heads, (_toward(first.ambient), _toward(second.ambient)))


def _toward(ambient: tuple[float, ...]) -> tuple[float, float, float]:
    key, fill, camera = (round(float(lux), 2) for lux in ambient)
    return key, fill, camera


def _sigma(name: str, *calibrations: Calibration | None) -> float | None:
    known = [None if one is None else one.heads.get(name) for one in calibrations]
    sigmas = [None if head is None else head.sigma_full_stops or head.sigma_stops for head in known]
    if None in sigmas:
        return None
    return round(math.hypot(*(sigma for sigma in sigmas if sigma is not None)), 4)


def shared_words(rig: Rig, before: Calibration | None, after: Calibration, read: Collection[str]) -> str:
    """The other beliefs that a calibration from readings of the heads `read` changes, as the end of a note.

    `read` is empty for readings of the room with all heads out. Empty where nothing else moved.
    """
    one, other = scene(rig, before), scene(rig, after)
    parts = [*_head_words(one, other, read), *(_room_words(one, other) if read else ())]
    return f"; {' and '.join(parts)}, since readings share the room and the hand" if parts else ""


def changed_words(rig: Rig, before: Calibration | None, after: Calibration) -> str:
    """The beliefs on heads that a calibration changes, as a part of a note. Empty where nothing moved."""
    parts = _head_words(scene(rig, before), scene(rig, after), ())
    return f"; {' and '.join(parts)}" if parts else ""


def _head_words(before: Scene, after: Scene, left_out: Collection[str]) -> list[str]:
    changes, parts = _stops_over(_dimmed_lux(after), _dimmed_lux(before)), []
    for i, name in enumerate(after.names):
        change = changes[:, i].ravel()
        most = float(change[np.argmax(np.abs(change))])
        if name not in left_out and abs(most) > TOLD_STOPS:
            parts.append(f"{name} now counts as {stops_words(abs(most))} {_way(most)}")
    return parts


def _room_words(before: Scene, after: Scene) -> list[str]:
    change = max((new - old for old, new in zip(before.ambient, after.ambient, strict=True)), key=abs)
    told_lux = target_from_rig(after.rig).exposure_lux * (2**TOLD_STOPS - 1)
    if abs(change) <= told_lux:
        return []
    return [f"the room without heads now counts as {abs(change):.1f} lx {_way(change)}"]


def _way(change: float) -> str:
    return "brighter" if change > 0 else "darker"


def _stops_over(lux: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(np.log2(np.maximum(lux, _LEAST_LUX) / np.maximum(other, _LEAST_LUX)))


def _full_lux(own: Scene) -> FloatArray:
    """The light of each head alone at full [lux] (marks, heads), on a flat receptor that faces it."""
    flat, found = np.zeros(1, dtype=np.bool_), []
    for mark in own.rig.marks.values():
        facing = head_directions(own.sources, mark)[None]
        found.append(received_lux(own.sources, mark, facing, flat)[0])
    return np.array(found)


def _dimmed_lux(own: Scene) -> FloatArray:
    """The same at some levels [lux] (marks, heads, levels)."""
    outputs = np.array([np.asarray(curve.output_from_level(_LEVELS)) for curve in own.curves])
    return np.asarray(_full_lux(own)[:, :, np.newaxis] * outputs)
