"""A dimmer that was found, as the table of levels and outputs that everything else reads."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.dimmer import bend_stops, log2_output
from fillside.calibration.model import Model, Shapes
from fillside.calibration.priors import DEAD_ZONE, FIGURES, FULL_SHORT

FloatArray = NDArray[np.float64]

_LEVELS = np.linspace(0.0, 1.0, 41)
_ONSET = np.array([0.002, 0.005, 0.01, 0.02, 0.035])
"""Levels above the dead zone at which the table follows how light sets in."""


def dimmer_table(model: Model, z: FloatArray, shapes: Shapes, head: int) -> tuple[FloatArray, FloatArray]:
    """Levels, rising from 0 to 1, and outputs of a head, never falling, ending at 1; 0 in its dead zone."""
    certain = model.beliefs.certain_curves[head]
    if certain is not None:
        outputs = certain.output_from_level(_LEVELS)
        outputs[-1] = 1.0
        return _LEVELS, outputs
    figures = model.figures(z)[head]
    dead, full = round(float(figures[DEAD_ZONE]), 5), round(float(1 - figures[FULL_SHORT]), 5)
    inner = np.concatenate([_LEVELS, [dead, full], dead + _ONSET])
    levels = np.unique(np.round(np.clip(inner, 0.0, 1.0), 5))
    log2, _ = log2_output(
        levels, np.repeat(figures[None], len(levels), axis=0), np.full(len(levels), shapes.logarithmic[head])
    )
    if shapes.bent[head]:
        log2 = log2 + bend_stops(levels) @ model.per_head(z)[head, FIGURES:]
    outputs = np.where(levels <= dead, 0.0, np.minimum(np.exp2(log2), 1.0))
    outputs[-1] = 1.0
    return levels, np.maximum.accumulate(outputs)
