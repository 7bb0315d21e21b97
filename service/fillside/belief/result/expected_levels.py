"""A studio as a belief has it: its figures as a calibration, and the levels that hold the balance in it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.belief.belief import Belief
from fillside.belief.observations import ambient_sides
from fillside.rig.calibration import (
    CalibratedAmbient,
    CalibratedCurve,
    CalibratedHead,
    CalibratedRoom,
    Calibration,
)
from fillside.rig.scene.scene import scene
from fillside.rig.scene.whites import white_of

FloatArray = NDArray[np.float64]

MOST_CD, MOST_SETBACK_M, MOST_DIAMETER_M, MOST_LUX = 1e7, 5.0, 10.0, 200_000.0
"""The most that a calibration may state; readings of what no lamp could be end here."""
_LEVELS = np.unique(
    np.round(
        np.concatenate([np.linspace(0.0, 0.1, 21), np.linspace(0.1, 1.0, 46), np.linspace(0.95, 1.0, 6)]), 5
    )
)
_LEAST_STATED = np.array([1e-4, 0.002])
"""Levels at which a stated curve that sets in with a jump is followed first."""


def calibrated_head(belief: Belief, head: int) -> CalibratedHead:
    """One head's figures as a calibration states them; of a head that was not read those of the rig file."""
    rig_head, white = belief.rig.heads[head], white_of(belief.rig, belief.rig.heads[head])
    read = bool(belief.was_read[head])
    levels, outputs = dimmer_table(belief, head) if read else stated_table(belief, head)
    found = _found(belief, head) if read else _stated(belief, head)
    return CalibratedHead(
        **found,
        room=_room(belief, head) if read else None,
        curve=None
        if rig_head.dimming.fixed
        else CalibratedCurve(levels=tuple(levels.tolist()), outputs=tuple(outputs.tolist())),
        floor=rig_head.dimming.floor,
        of_full=None if white is None else white.most,
    )


def _found(belief: Belief, head: int) -> dict[str, float]:
    there, own = belief.figures, belief.model.prior.sources
    return {
        "intensity_cd": min(float(there.intensity_cd[head]), MOST_CD),
        "setback_m": float(
            np.clip(there.setback_m[head] + there.moves_m[head].sum(), -MOST_SETBACK_M, MOST_SETBACK_M)
        ),
        "diameter_m": min(float(there.lit_share[head] * own.diameter_m[head]), MOST_DIAMETER_M),
    }


def _room(belief: Belief, head: int) -> CalibratedRoom:
    there = belief.figures
    mean = min(float(there.room_gain[head]) * min(float(there.intensity_cd[head]), MOST_CD), MOST_LUX)
    x, y, z = (2 * mean * there.room_lean[head]).tolist()
    return CalibratedRoom(mean=mean, vector=(x, y, z))


def _stated(belief: Belief, head: int) -> dict[str, float]:
    """The rig file's own figures: readings of other heads say nothing of this one."""
    own = belief.model.prior.sources
    return {
        "intensity_cd": float(own.intensity_cd[head]),
        "setback_m": float(own.setback_m[head]),
        "diameter_m": float(own.diameter_m[head]),
    }


def dimmer_table(belief: Belief, head: int) -> tuple[FloatArray, FloatArray]:
    """Levels, rising from 0 to 1, and outputs of a head, never falling, ending at 1."""
    if belief.model.prior.dimmers.certain[head]:
        return stated_table(belief, head)
    return _LEVELS, belief.figures.dimmers.outputs(head, _LEVELS)


def stated_table(belief: Belief, head: int) -> tuple[FloatArray, FloatArray]:
    """Levels and outputs of a head as the rig file states its curve."""
    levels = np.unique(np.concatenate([_LEVELS, _LEAST_STATED]))
    outputs = np.array(belief.model.prior.dimmers.stated[head].output_from_level(levels), dtype=np.float64)
    outputs[-1] = 1.0
    return levels, outputs


def plain_calibration(belief: Belief) -> Calibration:
    """The studio of a belief, as a calibration without its uncertainty."""
    heads = {name: calibrated_head(belief, i) for i, name in enumerate(belief.model.names)}
    return Calibration(heads=heads, ambient=_ambient(belief) if belief.readings else None)


def _ambient(belief: Belief) -> CalibratedAmbient:
    """The light with all heads out toward key, fill and camera at the first mark, and by direction."""
    model, there = belief.model, belief.figures
    key, fill, camera = np.clip(
        model.lux(there, model.quantities(ambient_sides(belief.rig))), 0.0, MOST_LUX
    ).tolist()
    mean = min(there.ambient_lux, MOST_LUX)
    x, y, z = (2 * mean * there.ambient_lean).tolist()
    return CalibratedAmbient(
        toward_key=key,
        toward_fill=fill,
        toward_camera=camera,
        mean=mean,
        vector=(x, y, z),
        window=there.window.toward_lux,
        window_m=there.window.away_m,
    )


class ExpectedLevels:
    """The levels that hold a rig's balance in the studio of a belief."""

    def __init__(self, belief: Belief) -> None:
        self._solver = BalanceSolver(scene(belief.rig, plain_calibration(belief)))
        self._target = target_from_rig(belief.rig)

    def at(self, place: Sequence[float]) -> FloatArray:
        """Levels (n,) for a subject at a place [m], not rounded to codes."""
        outputs = self._solver.solve(place, self._target).solved.outputs
        return self._solver.scene.dimmers.levels_from_outputs(outputs)
