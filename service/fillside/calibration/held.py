"""The levels at which a studio, as it is believed to be, holds the rig's balance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.balance.limits import Limits, limits_of
from fillside.balance.rows import Metering
from fillside.balance.solve import solve
from fillside.balance.wish import Wish, wish_from_rig
from fillside.calibration.dimmer_table import dimmer_table
from fillside.calibration.model import Model, Shapes, exposure_direction
from fillside.calibration.priors import BOUNCE, INTENSITY, LIT_FLOOR, LIT_SHARE, SETBACK
from fillside.rig.calibrated import CalibratedAmbient, CalibratedCurve, CalibratedHead, Calibration
from fillside.rig.scene import scene
from fillside.rig.whites import white_of

FloatArray = NDArray[np.float64]

MOST_CD, MOST_SETBACK_M, MOST_DIAMETER_M, MOST_LUX = 1e7, 5.0, 10.0, 200_000.0
"""What a calibration may state at most; readings of what no lamp could be end here."""
LIT_FLOOR_SEEN = 0.01
"""From which output on a lit floor is one that readings showed, and not just room left for it."""


def calibrated_head(model: Model, z: FloatArray, shapes: Shapes, head: int) -> CalibratedHead:
    """One head's figures as a calibration states them."""
    figures = model.figures(z)[head]
    levels, outputs = dimmer_table(model, z, shapes, head)
    rig_head, lit_floor = model.rig.heads[head], float(figures[LIT_FLOOR])
    white = white_of(model.rig, rig_head)
    return CalibratedHead(
        intensity_cd=min(float(2.0 ** figures[INTENSITY]), MOST_CD),
        setback_m=min(float(figures[SETBACK]), MOST_SETBACK_M),
        diameter_m=min(float(figures[LIT_SHARE] * model.beliefs.sources.diameter_m[head]), MOST_DIAMETER_M),
        bounce=float(figures[BOUNCE]),
        curve=None
        if rig_head.dimming.fixed
        else CalibratedCurve(levels=tuple(levels.tolist()), outputs=tuple(outputs.tolist())),
        floor=max(rig_head.dimming.floor, lit_floor if lit_floor > LIT_FLOOR_SEEN else 0.0),
        of_full=None if white is None else white.most,
    )


def plain_calibration(model: Model, z: FloatArray, shapes: Shapes) -> Calibration:
    """The studio that `z` describes, as a calibration without its uncertainty."""
    lux = dict(zip(model.directions, np.minimum(model.ambient_lux(z), MOST_LUX).tolist(), strict=True))
    ambient = CalibratedAmbient(
        toward_key=lux["key", "flat"],
        toward_fill=lux["fill", "flat"],
        toward_camera=lux[exposure_direction(model.rig)],
    )
    heads = {name: calibrated_head(model, z, shapes, i) for i, name in enumerate(model.beliefs.names)}
    return Calibration(heads=heads, ambient=ambient)


@dataclass(frozen=True)
class Holder:
    """The balance of a rig in one studio."""

    metering: Metering
    wish: Wish
    limits: Limits

    def outputs(self, place: Sequence[float]) -> FloatArray:
        """Outputs (n,) held with the subject at a place [m]."""
        return solve(self.metering, self.metering.rows_at(place), self.wish, self.limits).outputs

    def levels(self, place: Sequence[float]) -> FloatArray:
        """Levels (n,) held with the subject at a place [m]."""
        curves = self.metering.scene.curves
        pairs = zip(curves, self.outputs(place).tolist(), strict=True)
        return np.array([curve.level_from_output(output) for curve, output in pairs])


def holder(model: Model, z: FloatArray, shapes: Shapes) -> Holder:
    """The balance of the model's rig in the studio that `z` describes."""
    believed = scene(model.rig, plain_calibration(model, z, shapes))
    return Holder(Metering(believed), wish_from_rig(model.rig), limits_of(believed))
