"""The light at one place for given levels, from a rig alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from fillside.balance.halves import BallInPlace
from fillside.balance.measure import measure
from fillside.balance.report import FaceReport, ReportModel, Uncertainty, face_of
from fillside.balance.rows import Metering, Rows
from fillside.balance.solver.rounding import Codes
from fillside.balance.target import target_from_rig
from fillside.rig.calibration import Calibration
from fillside.rig.notation import RoomLightKnown
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import Rig

Place = Sequence[float]


class PredictedHead(ReportModel):
    name: str
    role: str
    output: float
    level: float
    wire: tuple[int, ...]
    lux: float
    metered_lux: float
    uncertainty_stops: float | None = None


class PredictedAmbient(ReportModel):
    toward_key: float
    toward_fill: float
    toward_camera: float


class Prediction(ReportModel):
    at: tuple[float, float, float]
    heads: tuple[PredictedHead, ...]
    ambient: PredictedAmbient
    key_lux: float
    fill_lux: float
    ratio: float | None
    face: FaceReport
    exposure_lux: float
    room_light: RoomLightKnown
    uncertainty: Uncertainty = Uncertainty()


def predict(
    rig: Rig, at: Place, levels: Mapping[str, float] | None = None, calibration: Calibration | None = None
) -> Prediction:
    """Predict the light at a place [m]; heads not named in `levels` (0..1) are out, without it all are full.

    The ratio is that of these levels. It is a number if key and fill give any light, even if a balance could
    not rely on it.
    """
    metering = Metering(scene(rig, calibration))
    own = metering.scene
    rows = metering.rows_at(at)
    asked = [1.0 if levels is None else levels.get(name, 0.0) for name in own.names]
    codes: Codes = tuple(own.dimmers.codes_from_levels(np.array(asked)).tolist())
    outputs, shown = own.dimmers.outputs(codes), own.dimmers.levels_from_codes(codes)
    now = measure(metering, rows, target_from_rig(rig), outputs)
    toward_key, toward_fill, toward_camera = own.ambient
    return Prediction(
        at=rows.point,
        heads=tuple(
            _predicted(own, rows, i, code, float(shown[i]), float(outputs[i])) for i, code in enumerate(codes)
        ),
        ambient=PredictedAmbient(toward_key=toward_key, toward_fill=toward_fill, toward_camera=toward_camera),
        key_lux=float(outputs @ (rows.facing_lux * metering.is_key)),
        fill_lux=float(outputs @ (rows.facing_lux * metering.is_fill)),
        ratio=now.ratio,
        face=face_of(now, BallInPlace(metering).at(rows.point).ratio(outputs)),
        exposure_lux=now.exposure_lux,
        room_light=own.room_light,
    )


def _predicted(own: Scene, rows: Rows, i: int, code: int, level: float, output: float) -> PredictedHead:
    return PredictedHead(
        name=own.names[i],
        role=own.roles[i],
        output=output,
        level=level,
        wire=own.wire(i, code),
        lux=float(rows.facing_lux[i]) * output,
        metered_lux=float(rows.metered_lux[i]) * output,
    )
