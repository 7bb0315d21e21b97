"""The report of a balance: target, achieved light, the face, every head, and the obstacles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, WithJsonSchema
from pydantic.json_schema import JsonSchemaValue

from fillside.balance.limits import OutputLimits
from fillside.balance.measure import MeteredBalance, measure, metered_target, stops_over
from fillside.balance.rows import Metering, Rows
from fillside.balance.solver.rounding import Codes
from fillside.balance.target import BalanceTarget
from fillside.rig.notation import RoomLightKnown
from fillside.rig.scene.scene import Scene

FloatArray = npt.NDArray[np.float64]

AtLimit = Literal["full", "floor"]
LimitKind = Literal[
    "full",
    "floor",
    "most_over",
    "most_under",
    "most_lux",
    "weak",
    "spill",
    "steps",
    "reach",
    "rest",
    "following",
    "freeze",
    "dark",
    "only",
    "lost",
    "disobeying",
    "leaving",
    "colour",
]
"""Obstacles: an end of a head's range, a bound of the target, a role that gives too little at the subject,
other light, the steps of the wire, no setting that would do; the pace, or a subject just reported; an order;
heads that cannot be relied on; a colour that is off, which hinders nothing else."""
AT_LIMIT = 1e-9


class ReportModel(BaseModel):
    """Part of an answer; every number is finite or null."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False, defer_build=True)


class TargetReport(ReportModel):
    ratio: float | None
    ratio_stops: float | None
    exposure_lux: float
    relative: dict[str, float | None]


class AchievedReport(ReportModel):
    ratio: float | None
    ratio_stops: float | None
    ratio_error_stops: float | None
    exposure_lux: float
    exposure_error_stops: float | None
    relative: dict[str, float | None]


class FaceReport(ReportModel):
    """The two cheeks; `halves_ratio` is that of the halves of a matt ball in the subject's place, as the
    camera sees them."""

    key_side_lux: float
    fill_side_lux: float
    ratio: float | None
    halves_ratio: float | None


class Uncertainty(ReportModel):
    """Expanded uncertainties, k = 2: half the width of the 95 % interval about the achieved value, in stops.

    A value that does not exist, such as a ratio without a fill, is null.
    """

    ratio_stops: float | None = None
    exposure_stops: float | None = None
    face_stops: float | None = None


class HeadReport(ReportModel):
    """A head and its own light, with the expanded uncertainty, k = 2, of that light in stops; null for a head
    that gives none."""

    name: str
    role: str
    output: float
    level: float
    wire: tuple[int, ...]
    lux: float
    at_limit: AtLimit | None
    uncertainty_stops: float | None = None


class LimitReport(ReportModel):
    """One obstacle: of a head (`head`), or of no head in particular (`head` is null)."""

    head: str | None
    role: str | None
    at: LimitKind
    says: str


RigValue = float | int | str | list[float]
"""A value that a remedy sets in the rig file."""
_ANY_VALUES: JsonSchemaValue = {"additionalProperties": True, "title": "Change", "type": "object"}


class Remedy(ReportModel):
    do: str
    change: Annotated[dict[str, RigValue], WithJsonSchema(_ANY_VALUES)]
    leaves_stops: float


class Report(ReportModel):
    subject: tuple[float, float, float]
    target: TargetReport
    achieved: AchievedReport
    face: FaceReport
    heads: tuple[HeadReport, ...]
    limits: tuple[LimitReport, ...]
    room_light: RoomLightKnown
    remedies: tuple[Remedy, ...] = ()
    uncertainty: Uncertainty = Uncertainty()
    relative_uncertainty_stops: Annotated[dict[str, float | None], Field(exclude=True)] = {}
    """Expanded uncertainties of the other roles, for texts; not part of the JSON."""

    @property
    def worst_error_stops(self) -> float:
        """The largest of all errors, in stops, without sign."""
        return worst_error_stops(self.target, self.achieved)


def worst_error_stops(target: TargetReport, achieved: AchievedReport) -> float:
    """Return the largest of the errors in ratio, exposure and relative roles, in stops, without sign."""
    errors = [achieved.ratio_error_stops or 0.0, achieved.exposure_error_stops or 0.0]
    for role, stops in target.relative.items():
        held = achieved.relative.get(role)
        if stops is not None and held is not None:
            errors.append(held - stops)
    return max(abs(error) for error in errors)


def head_reports(
    scene: Scene, limits: OutputLimits, rows: Rows, codes: Codes, solved: FloatArray | None = None
) -> tuple[HeadReport, ...]:
    """Return the report of every head at its wire code.

    `solved` (heads,) are the outputs before rounding: a head at a limit before rounding is reported there,
    even if joint rounding left it one code away.
    """
    outputs, levels = scene.dimmers.outputs(codes), scene.dimmers.levels_from_codes(codes)
    columns = (
        scene.names,
        scene.roles,
        outputs.tolist(),
        levels.tolist(),
        scene.wires(codes),
        (rows.own_lux * outputs).tolist(),
        limits_met(limits, outputs, outputs if solved is None else solved),
    )
    return tuple(
        HeadReport(name=name, role=role, output=output, level=level, wire=wire, lux=lux, at_limit=at_limit)
        for name, role, output, level, wire, lux, at_limit in zip(*columns, strict=True)
    )


def limits_met(limits: OutputLimits, outputs: FloatArray, met: FloatArray) -> list[AtLimit | None]:
    """Return `limit_of` for all heads at the outputs `met` (heads,); None for one whose output is none."""
    lit = limits.held & (outputs > 0) & (met > 0)
    full = lit & (met >= limits.most * (1 - AT_LIMIT))
    found: list[AtLimit | None] = [None] * len(lit)
    for i in full.nonzero()[0].tolist():
        found[i] = "full"
    for i in (lit & ~full & (met <= limits.least * (1 + AT_LIMIT))).nonzero()[0].tolist():
        found[i] = "floor"
    return found


def limit_of(limits: OutputLimits, i: int, output: float) -> AtLimit | None:
    """Return the end of its range that a held head is at; None between the ends or for a head that is out."""
    if not limits.held[i] or output <= 0:
        return None
    if output >= limits.most[i] * (1 - AT_LIMIT):
        return "full"
    return "floor" if output <= limits.least[i] * (1 + AT_LIMIT) else None


def target_report_of(
    metering: Metering,
    rows: Rows,
    target: BalanceTarget,
    untrimmed: FloatArray,
    trims: Mapping[str, float | None],
) -> TargetReport:
    """Return the target with the trims applied, as if every trim could be met in full.

    `untrimmed` (heads,) are the outputs of the balance before trims.
    """
    want = metered_target(metering, rows, target)
    active = {role: stops for role, stops in trims.items() if stops != 0}
    if not active:
        return TargetReport(
            ratio=want.ratio,
            ratio_stops=want.ratio_stops,
            exposure_lux=want.exposure_lux,
            relative=dict(want.relative),
        )
    scale = np.array([_factor(active.get(role, 0.0)) for role in metering.scene.roles])
    before = measure(metering, rows, target, untrimmed)
    after = measure(metering, rows, target, untrimmed * scale)
    return _shifted(target, want, before, after, _ratio_shift_stops(before, after, active))


def _ratio_shift_stops(
    before: MeteredBalance, after: MeteredBalance, trims: Mapping[str, float | None]
) -> float | None:
    """Return the shift of the ratio by the trims; None if they put a side of it out.

    Where a role gives too little to count there is no ratio to compare, but one is wanted all the same.
    """
    if before.ratio_stops is not None:
        return None if after.ratio_stops is None else after.ratio_stops - before.ratio_stops
    key, fill = trims.get("key", 0.0), trims.get("fill", 0.0)
    return None if key is None or fill is None else key - fill


def _factor(stops: float | None) -> float:
    return 0.0 if stops is None else 2.0**stops


def _shifted(
    target: BalanceTarget,
    want: MeteredBalance,
    before: MeteredBalance,
    after: MeteredBalance,
    shift_stops: float | None,
) -> TargetReport:
    ratio = ratio_stops = None
    if want.ratio_stops is not None and shift_stops is not None:
        ratio_stops = want.ratio_stops + shift_stops
        ratio = target.ratio_from_quotient(2.0**ratio_stops)
    change = after.exposure_lux / before.exposure_lux if before.exposure_lux > 0 else 1.0
    relative: dict[str, float | None] = {}
    for role, stops in want.relative.items():
        old, new = before.relative[role], after.relative[role]
        relative[role] = None if stops is None or old is None or new is None else stops + new - old
    return TargetReport(
        ratio=ratio, ratio_stops=ratio_stops, exposure_lux=want.exposure_lux * change, relative=relative
    )


def achieved_of(target: BalanceTarget, target_report: TargetReport, now: MeteredBalance) -> AchievedReport:
    """Return the light that is held, with its errors against the target."""
    ratio_error = None
    if now.ratio is not None and target_report.ratio is not None:
        ratio_error = stops_over(now.ratio, target_report.ratio)
    return AchievedReport(
        ratio=now.ratio,
        ratio_stops=now.ratio_stops,
        ratio_error_stops=ratio_error,
        exposure_lux=now.exposure_lux,
        exposure_error_stops=stops_over(now.exposure_lux, target_report.exposure_lux),
        relative=dict(now.relative),
    )


def face_of(now: MeteredBalance, halves_ratio: float | None) -> FaceReport:
    """Return the two sides of the face."""
    return FaceReport(
        key_side_lux=now.face_key_lux,
        fill_side_lux=now.face_fill_lux,
        ratio=now.face_ratio,
        halves_ratio=halves_ratio,
    )
