"""A dimmer that was found, as the table of levels and outputs that everything else reads."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.dimmer import bend_stops, log2_output
from fillside.calibration.estimate.model import Model, Shapes
from fillside.calibration.estimate.priors import DEAD_ZONE, FIGURES, FULL_SHORT

FloatArray = NDArray[np.float64]

_LEVELS = np.linspace(0.0, 1.0, 41)
_ONSET = np.array([0.002, 0.005, 0.01, 0.02, 0.035])
"""Levels above the dead zone at which the table follows how light sets in."""
LEAST_LEVEL = 1e-4
"""Where a curve that sets in with a jump is followed first."""


def dimmer_table(model: Model, z: FloatArray, shapes: Shapes, head: int) -> tuple[FloatArray, FloatArray]:
    """Levels, rising from 0 to 1, and outputs of a head, never falling, ending at 1; 0 in its dead zone."""
    if model.beliefs.certain_curves[head] is not None:
        return stated_table(model, head)
    every, families = model.dimming(model.figures(z), shapes)
    figures = every[head]
    dead, full = round(float(figures[DEAD_ZONE]), 5), round(float(1 - figures[FULL_SHORT]), 5)
    inner = np.concatenate([_LEVELS, [dead, full], dead + _ONSET])
    levels = np.unique(np.round(np.clip(inner, 0.0, 1.0), 5))
    alike = np.repeat(figures[None], len(levels), axis=0)
    log2, _ = log2_output(levels, alike, np.full(len(levels), families[head]))
    if shapes.bent[head]:
        log2 = log2 + bend_stops(levels) @ model.per_head(z)[head, FIGURES:]
    outputs = np.where(levels <= dead, 0.0, np.minimum(np.exp2(log2), 1.0))
    outputs[-1] = 1.0
    return levels, np.maximum.accumulate(outputs)


def stated_table(model: Model, head: int) -> tuple[FloatArray, FloatArray]:
    """Levels and outputs of a head as the rig file states its curve."""
    levels = np.unique(np.concatenate([_LEVELS, [LEAST_LEVEL], _ONSET]))
    outputs = model.beliefs.stated_curves[head].output_from_level(levels)
    outputs[-1] = 1.0
    return levels, outputs
