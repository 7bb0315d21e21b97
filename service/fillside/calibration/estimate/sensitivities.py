"""Light from one head to one receptor, per candela: where a figure of the head moves it, and how much."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.priors import LIT_SHARE, SETBACK, Beliefs
from fillside.photometry.source import LightSources, receptor_lux

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

_ORIGIN = np.zeros(3)
_STEP_SETBACK_M, _STEP_SHARE = 0.004, 0.01


@dataclass(frozen=True)
class LightPaths:
    """Lines from heads to receptors (m): which head, where the receptor is [m], its axis, dome or flat.

    `own` marks a flat receptor facing the head itself: what it shows is E, in which bounce is not counted.
    `faced` (m, 3) [m] are the points that the receptors face.
    """

    head: IntArray
    place: FloatArray
    axis: FloatArray
    dome: BoolArray
    own: BoolArray
    faced: FloatArray

    def __len__(self) -> int:
        return len(self.head)

    def of(self, chosen: IntArray) -> LightPaths:
        """Only the chosen paths, in that order."""
        return LightPaths(*(getattr(self, part.name)[chosen] for part in fields(self)))

    def and_of(self, other: LightPaths) -> LightPaths:
        """These paths, then those of another."""
        return LightPaths(*_joined(self, other))

    def moved(self, step: FloatArray) -> LightPaths:
        """The same receptors held a `step` (3,) [m] away, still facing what they face."""
        place = self.place + step
        return replace(self, place=place, axis=unit(self.faced - place))


@dataclass(frozen=True)
class PathSensitivities:
    """Per path (m): lux per candela on the receptor, on a flat one facing the head, and the slopes of both in
    setback [1/m] and lit share."""

    direct: FloatArray
    facing: FloatArray
    direct_slopes: FloatArray
    facing_slopes: FloatArray

    def of(self, chosen: IntArray) -> PathSensitivities:
        """Only those of the chosen paths, in that order."""
        return PathSensitivities(*(getattr(self, part.name)[chosen] for part in fields(self)))

    def and_of(self, other: PathSensitivities) -> PathSensitivities:
        """These, then those of other paths."""
        return PathSensitivities(*_joined(self, other))

    def times(self, count: int) -> PathSensitivities:
        """The light of so many equal paths, in place of each."""
        return PathSensitivities(*(count * getattr(self, part.name) for part in fields(self)))

    def plus(self, other: PathSensitivities) -> PathSensitivities:
        """The light of each path together with another from the same head."""
        return PathSensitivities(*(getattr(self, p.name) + getattr(other, p.name) for p in fields(self)))


_Paths = TypeVar("_Paths", LightPaths, PathSensitivities)


def _joined(one: _Paths, other: _Paths) -> Iterator[NDArray[Any]]:
    for part in fields(one):
        yield np.concatenate([getattr(one, part.name), getattr(other, part.name)])


def path_sensitivities(paths: LightPaths, beliefs: Beliefs, figures: FloatArray) -> PathSensitivities:
    """Light per candela along paths, and slopes, for the heads' figures (n, 7)."""
    count, head = len(paths), paths.head
    setback, share = figures[head, SETBACK], figures[head, LIT_SHARE]
    tried_setback = np.concatenate([setback, setback + _STEP_SETBACK_M, setback])
    tried_share = np.concatenate([share, share, share + _STEP_SHARE])
    direct, facing = _per_candela(paths, beliefs, tried_setback, tried_share)
    base = slice(0, count)

    def slopes(values: FloatArray) -> FloatArray:
        deeper, wider = values[count : 2 * count], values[2 * count :]
        return np.stack(
            [(deeper - values[base]) / _STEP_SETBACK_M, (wider - values[base]) / _STEP_SHARE], axis=1
        )

    return PathSensitivities(direct[base], facing[base], slopes(direct), slopes(facing))


def light(paths: LightPaths, beliefs: Beliefs, figures: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lux per candela (m,) on the receptors, and on flat ones facing the heads."""
    return _per_candela(paths, beliefs, figures[paths.head, SETBACK], figures[paths.head, LIT_SHARE])


def _per_candela(
    paths: LightPaths, beliefs: Beliefs, setback: FloatArray, share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Each path as its own head, seen from the origin; `setback` may hold several tries of each path."""
    tries = len(setback) // max(len(paths), 1)
    head = np.tile(paths.head, tries)
    labels = beliefs.sources
    away = np.tile(labels.position[paths.head] - paths.place, (tries, 1))
    axis = np.tile(paths.axis, (tries, 1))
    dome = np.tile(paths.dome, tries)
    sources = LightSources(
        position=away,
        axis=labels.axis[head],
        intensity_cd=np.ones(len(head)),
        spread=labels.spread[head],
        diameter_m=labels.diameter_m[head] * share,
        setback_m=setback,
        tabled=None if labels.tabled is None else labels.tabled.take(head),
    )
    axes = np.stack([axis, axis, unit(away)])
    flat, domed, facing = receptor_lux(sources, _ORIGIN, axes, np.array([False, True, False]))
    return np.where(dome, domed, flat), facing


def unit(vectors: FloatArray) -> FloatArray:
    """Vectors (m, 3) at length 1; a vector of no length stays."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))
