"""Levels for one moment and light at one place, from a rig alone: what the offline commands print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from fillside.balance.judgement.reasons import JudgedLight
from fillside.balance.judgement.verdict import judge
from fillside.balance.limits import OutputLimits, limits_of
from fillside.balance.measure import measure
from fillside.balance.report import (
    FaceReport,
    Report,
    ReportModel,
    Uncertainty,
    achieved_of,
    face_of,
    head_says,
)
from fillside.balance.rows import Metering, Rows
from fillside.balance.solver.rounding import Codes, choose_codes, outputs_of
from fillside.balance.solver.solve import Solved, solve
from fillside.balance.target import BalanceTarget, wish_from_rig
from fillside.photometry.dimming import code_from_level, level_from_code
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import Rig

Place = Sequence[float]


class Solution(ReportModel):
    """A report with what it was worked out from, for whoever goes on from it."""

    report: Report
    codes: tuple[int, ...]


def solve_rig(
    rig: Rig, subject: Place | None = None, ratio: float | None = None, calibration: Calibration | None = None
) -> Solution:
    """The report and wire codes for a subject at a place [m] (default: the rig's), before any remedy.

    `ratio` is in the terms of the rig's `read_as`.
    """
    metering = Metering(scene(rig, calibration))
    wish = wish_from_rig(rig)
    if ratio is not None:
        wish = replace(wish, ratio=ratio)
    rows = metering.rows_at(rig.start if subject is None else subject)
    return solve_rows(metering, rows, wish, limits_of(metering.scene))


def solve_rows(metering: Metering, rows: Rows, wish: BalanceTarget, limits: OutputLimits) -> Solution:
    """The report and wire codes for rows already at hand."""
    solved = solve(metering, rows, wish, limits)
    codes = choose_codes(metering, rows, wish, limits, solved.outputs)
    return Solution(report=_report(metering, rows, wish, limits, solved, codes), codes=codes)


def _report(
    metering: Metering, rows: Rows, wish: BalanceTarget, limits: OutputLimits, solved: Solved, codes: Codes
) -> Report:
    """The whole answer for codes without trims; remedies are added by who has time to look for them."""
    outputs = outputs_of(metering.scene, codes)
    there = np.ones(len(outputs), dtype=bool)
    light = JudgedLight(
        metering=metering,
        wish=wish,
        limits=limits,
        solved=solved,
        solved_at=rows,
        rows=rows,
        untrimmed=outputs,
        codes=codes,
        landing=outputs,
        working=there,
        counted=there,
        trims={},
    )
    now = measure(metering, rows, wish, outputs, solved.dropped)
    return Report(
        subject=rows.point,
        target=light.target,
        achieved=achieved_of(wish, light.target, now),
        face=face_of(now),
        heads=head_says(metering.scene, limits, rows, codes, solved.outputs),
        limits=judge(light).limits,
    )


class PredictedHead(ReportModel):
    name: str
    role: str
    output: float
    level: float
    wire: tuple[int, ...]
    lux: float
    metered_lux: float


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
    uncertainty: Uncertainty = Uncertainty()


def predict(
    rig: Rig, at: Place, levels: Mapping[str, float] | None = None, calibration: Calibration | None = None
) -> Prediction:
    """The light at a place [m]; `levels` 0..1 by name, heads not named out; without levels all are full.

    The ratio is that of these levels: a number wherever key and fill give light, be it too little for a
    balance to count on.
    """
    metering = Metering(scene(rig, calibration))
    own = metering.scene
    rows = metering.rows_at(at)
    codes = _codes_of_levels(own, levels)
    outputs = outputs_of(own, codes)
    now = measure(metering, rows, wish_from_rig(rig), outputs)
    toward_key, toward_fill, toward_camera = own.ambient
    return Prediction(
        at=rows.point,
        heads=tuple(_predicted(own, rows, i, codes[i], float(outputs[i])) for i in range(len(codes))),
        ambient=PredictedAmbient(toward_key=toward_key, toward_fill=toward_fill, toward_camera=toward_camera),
        key_lux=float(outputs @ (rows.facing_lux * metering.is_key)),
        fill_lux=float(outputs @ (rows.facing_lux * metering.is_fill)),
        ratio=now.ratio,
        face=face_of(now),
        exposure_lux=now.exposure_lux,
    )


def _codes_of_levels(own: Scene, levels: Mapping[str, float] | None) -> Codes:
    return tuple(
        0 if fixed else code_from_level(1.0 if levels is None else levels.get(name, 0.0), full_scale)
        for name, fixed, full_scale in zip(own.names, own.fixed, own.full_scales, strict=True)
    )


def _predicted(own: Scene, rows: Rows, i: int, code: int, output: float) -> PredictedHead:
    fixed = bool(own.fixed[i])
    return PredictedHead(
        name=own.names[i],
        role=own.roles[i],
        output=output,
        level=1.0 if fixed else level_from_code(code, own.full_scales[i]),
        wire=own.wire(i, code),
        lux=float(rows.facing_lux[i]) * output,
        metered_lux=float(rows.metered_lux[i]) * output,
    )
