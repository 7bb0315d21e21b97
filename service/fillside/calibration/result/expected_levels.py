"""A studio as a fit believes it to be: its figures, its dimmers, and the levels that hold the balance."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.calibration.estimate.dimmer import bend_stops, log2_output
from fillside.calibration.estimate.fit import Fit
from fillside.calibration.estimate.model import Model, Shapes, exposure_direction
from fillside.calibration.estimate.priors import (
    BOUNCE,
    DEAD_ZONE,
    FIGURES,
    FULL_SHORT,
    INTENSITY,
    LIT_FLOOR,
    LIT_SHARE,
    SETBACK,
)
from fillside.photometry.source import LightSources
from fillside.rig.calibration import CalibratedAmbient, CalibratedCurve, CalibratedHead, Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.scene.whites import white_of
from fillside.rig.tables.model import Head

FloatArray = NDArray[np.float64]

MOST_CD, MOST_SETBACK_M, MOST_DIAMETER_M, MOST_LUX = 1e7, 5.0, 10.0, 200_000.0
"""What a calibration may state at most; readings of what no lamp could be end here."""
LIT_FLOOR_SEEN = 0.01
"""From which output on a lit floor is one that readings showed, and not just room left for it."""
_LEVELS = np.linspace(0.0, 1.0, 41)
_ONSET = np.array([0.002, 0.005, 0.01, 0.02, 0.035])
"""Levels above the dead zone at which the table follows how light sets in."""
LEAST_LEVEL = 1e-4
"""Where a curve that sets in with a jump is followed first."""


def calibrated_head(fit: Fit, head: int) -> CalibratedHead:
    """One head's figures as a calibration states them; of a head that was not read those of the rig file."""
    model = fit.model
    own = model.beliefs.sources
    rig_head, white = model.rig.heads[head], white_of(model.rig, model.rig.heads[head])
    read = bool(fit.was_read[head])
    levels, outputs = dimmer_table(model, fit.z, fit.shapes, head) if read else stated_table(model, head)
    found = (
        _found(model.figures(fit.z)[head], float(own.diameter_m[head]))
        if read
        else _stated(own, head, rig_head)
    )
    lit_floor = float(model.figures(fit.z)[head, LIT_FLOOR]) if read else 0.0
    return CalibratedHead(
        **found,
        curve=None
        if rig_head.dimming.fixed
        else CalibratedCurve(levels=tuple(levels.tolist()), outputs=tuple(outputs.tolist())),
        floor=max(rig_head.dimming.floor, lit_floor if lit_floor > LIT_FLOOR_SEEN else 0.0),
        of_full=None if white is None else white.most,
    )


def _found(figures: FloatArray, diameter_m: float) -> dict[str, float]:
    """One head's figures as found; readings that face it include what the room sends back, and the intensity
    stated is of its direct light alone."""
    return {
        "intensity_cd": min(float(2.0 ** figures[INTENSITY] / (1 + figures[BOUNCE])), MOST_CD),
        "setback_m": min(float(figures[SETBACK]), MOST_SETBACK_M),
        "diameter_m": min(float(figures[LIT_SHARE] * diameter_m), MOST_DIAMETER_M),
        "bounce": float(figures[BOUNCE]),
    }


def _stated(own: LightSources, head: int, rig_head: Head) -> dict[str, float]:
    """The rig file's own figures: readings of other heads say nothing of this one."""
    figures = {
        "intensity_cd": float(own.intensity_cd[head]),
        "setback_m": float(own.setback_m[head]),
        "diameter_m": float(own.diameter_m[head]),
    }
    return figures if rig_head.bounce is None else {**figures, "bounce": rig_head.bounce}


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


def plain_calibration(fit: Fit) -> Calibration:
    """The studio of a fit, as a calibration without its uncertainty."""
    heads = {name: calibrated_head(fit, i) for i, name in enumerate(fit.model.beliefs.names)}
    return Calibration(heads=heads, ambient=_ambient(fit))


def _ambient(fit: Fit) -> CalibratedAmbient:
    """The light with all heads out: as it was read, else the rig file's own, moved by as much as readings of
    heads have moved the belief of it."""
    model = fit.model
    lux = model.ambient_lux(fit.z)
    sides = [
        model.directions.index(d) for d in (("key", "flat"), ("fill", "flat"), exposure_direction(model.rig))
    ]
    if not any(not reading.heads for reading in fit.readings_counted):
        stated = np.array(model.rig.ambient_toward)
        moved = stated + lux[sides] - model.ambient_lux(np.zeros(model.size))[sides]
    else:
        moved = lux[sides]
    key, fill, camera = np.clip(moved, 0.0, MOST_LUX).tolist()
    return CalibratedAmbient(toward_key=key, toward_fill=fill, toward_camera=camera)


class ExpectedLevels:
    """The levels that hold a rig's balance in the studio of a fit."""

    def __init__(self, fit: Fit) -> None:
        self._solver = BalanceSolver(scene(fit.model.rig, plain_calibration(fit)))
        self._target = target_from_rig(fit.model.rig)

    def at(self, place: Sequence[float]) -> FloatArray:
        """Levels (n,) for a subject at a place [m], not rounded to codes."""
        outputs = self._solver.solve(place, self._target).solved.outputs
        return self._solver.scene.dimmers.levels_from_outputs(outputs)
