"""Two calibrations of a rig held against each other: the light of its heads at its marks, and the ambient."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fillside.belief.result.shared_words import faced_lux
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

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
    lux = [
        np.array([np.maximum(faced_lux(own.sources, mark), _LEAST_LUX) for mark in rig.marks.values()])
        for own in (first, second)
    ]
    stops = np.round(np.log2(lux[1] / lux[0]), 4)
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
