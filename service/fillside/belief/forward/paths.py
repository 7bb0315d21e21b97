"""Direct light from one head to one receptor, per candela, and how setback and lit share move it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.source import LightSources, receptor_lux

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

_ORIGIN = np.zeros(3)
_STEP_SETBACK_M, _STEP_SHARE = 0.004, 0.01


@dataclass(frozen=True)
class LightPaths:
    """Lines from heads to receptors (m): which head, where the receptor is [m], the point that it faces [m],
    dome or flat, after which of the studio's steps (m, k) its light was, where the head stood then [m], and
    along what it shone."""

    head: IntArray
    place: FloatArray
    faced: FloatArray
    dome: BoolArray
    after: BoolArray
    stood: FloatArray
    beam: FloatArray

    def __len__(self) -> int:
        return len(self.head)

    @property
    def axis(self) -> FloatArray:
        """Unit vectors (m, 3) along which the receptors face."""
        return unit(self.faced - self.place)


@dataclass(frozen=True)
class PerCandela:
    """Per path (m): lux per candela, and its slopes in setback [1/m] and in the lit share."""

    lux: FloatArray
    by_setback: FloatArray
    by_share: FloatArray


def per_candela(
    paths: LightPaths, sources: LightSources, setback_m: FloatArray, share: FloatArray
) -> PerCandela:
    """Light along paths per candela, by the setback of each (m,) and the lit share of each head (n,)."""
    lit = share[paths.head]
    tried_back = np.concatenate([setback_m, setback_m + _STEP_SETBACK_M, setback_m])
    tried_lit = np.concatenate([lit, lit, lit + _STEP_SHARE])
    here, deeper, wider = _lux(paths, sources, tried_back, tried_lit).reshape(3, len(paths))
    return PerCandela(here, (deeper - here) / _STEP_SETBACK_M, (wider - here) / _STEP_SHARE)


def lux_per_candela(
    paths: LightPaths, sources: LightSources, setback_m: FloatArray, share: FloatArray
) -> FloatArray:
    """The same light (m,) without its slopes."""
    return _lux(paths, sources, setback_m, share[paths.head])


def _lux(paths: LightPaths, labels: LightSources, setback_m: FloatArray, share: FloatArray) -> FloatArray:
    """Light along paths, each worked out as a head of its own seen from the origin; figures may hold
    several tries of each path."""
    tries = len(setback_m) // max(len(paths), 1)
    head = np.tile(paths.head, tries)
    sources = LightSources(
        position=np.tile(paths.stood - paths.place, (tries, 1)),
        axis=np.tile(paths.beam, (tries, 1)),
        intensity_cd=np.ones(len(head)),
        spread=labels.spread[head],
        diameter_m=labels.diameter_m[head] * share,
        setback_m=setback_m,
        room_mean_lux=np.zeros(len(head)),
        room_vector_lux=np.zeros((len(head), 3)),
        tabled=None if labels.tabled is None else labels.tabled.take(head),
    )
    axes = np.tile(paths.axis, (tries, 1))
    flat, dome = receptor_lux(sources, _ORIGIN, np.stack([axes, axes]), np.array([False, True]))
    return np.asarray(np.where(np.tile(paths.dome, tries), dome, flat))


def unit(vectors: FloatArray) -> FloatArray:
    """Vectors (m, 3) at length 1; a vector of no length stays."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(vectors / np.where(length > 0, length, 1.0))
