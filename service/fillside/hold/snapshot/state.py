"""The state as every door shows it: what `solve` prints, and what the studio is doing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fillside.balance.judgement.reasons import JudgedLight
from fillside.balance.judgement.verdict import CURABLE, LightVerdict, judge
from fillside.balance.report import (
    AchievedReport,
    FaceReport,
    HeadReport,
    LimitReport,
    Remedy,
    ReportModel,
    TargetReport,
    Uncertainty,
    achieved_of,
    face_of,
    head_reports,
)
from fillside.hold.intent.intent import Mode
from fillside.hold.machine.events import Answering, DriverState, HeadState
from fillside.hold.memory.remembered import TrimSaid, trims_said
from fillside.hold.snapshot.health import DriverHealth, as_reported
from fillside.hold.snapshot.judged_light import ShownLight, circumstances_of, light_of
from fillside.hold.snapshot.trouble import head_notes, level_reported
from fillside.hold.tracking.subject import Source
from fillside.rig.tables.model import Point, ReadAs

TOO_ROUGH_STOPS = 0.05
"""A tracker whose jitter moves the light by more than this, one standard deviation, is too rough to follow:
twice that is the 0.1 stop within which the ratio is to be, so one report in twenty would break it."""


class Goal(ReportModel):
    """Where a head is going."""

    output: float
    level: float
    wire: tuple[int, ...]


class HeadNow(HeadReport):
    """A head as it is now. `works` is false while it cannot be reached.

    `state` is ok, late, lost or disobeying, `since` as in DriverNow; `says_level` is the level that a lamp
    which disobeys says it has, and then `lux` is the light of that. `answers` is whether the lamp answers
    what it is sent: yes, to changes of level alone, or no; null where its wire has no way back, or where that
    is not known yet. `confirmed` is whether it has reported its level lately; null where it cannot."""

    goal: Goal
    settled: bool
    works: bool
    state: HeadState
    since: float
    says_level: float | None
    answers: Answering | None
    confirmed: bool | None


class BalanceNow(ReportModel):
    """The wish, without the trims. `exposure` is "camera" or lux; `exposure_stops` lie on top of that."""

    ratio: float
    ratio_stops: float
    read_as: ReadAs
    exposure: Literal["camera"] | float
    exposure_stops: float
    exposure_lux: float
    protect: str
    most_over: float
    most_lux: float | None
    when_lost: str
    relative: dict[str, float]
    against: dict[str, str]
    most_under: float


class CameraNow(ReportModel):
    iso: float | None
    aperture: float | None
    shutter: str | float | None
    shutter_angle: float | None
    fps: float | None
    nd_stops: float
    loss_stops: float
    offset_stops: float


class DriverNow(ReportModel):
    """A driver's health, and since when [s, Unix time where the hold was told it].

    `note` says why it is not ok; `notices` are what to know although it is, such as another source.
    """

    state: DriverState
    since: float
    note: str
    notices: tuple[str, ...]


class SubjectSeen(ReportModel):
    """Who says where the subject is; jitter as standard deviation in metres, and as it reaches the light in
    stops."""

    source: Source
    mark: str | None
    jitter_m: float | None
    jitter_stops: float | None
    too_rough: bool


class LastOrder(ReportModel):
    """The last order obeyed, position reports not counted; `at` as in DriverNow."""

    do: str
    at: float


class State(ReportModel):
    """Everything a door shows. Where a number cannot be had it is null.

    `ticks` are what a door may tick as being well: "balance", "ratio", "exposure", "limits" (nothing is in
    the way) and "wires".
    """

    rig: str
    mode: Mode
    alone: str | None
    shown: tuple[str, ...] | None
    identifying: str | None
    subject: Point
    subject_seen: SubjectSeen
    target: TargetReport
    achieved: AchievedReport
    face: FaceReport
    heads: tuple[HeadNow, ...]
    settled: bool
    waits: bool
    limits: tuple[LimitReport, ...]
    remedies: tuple[Remedy, ...]
    balance: BalanceNow
    camera: CameraNow
    trims: dict[str, TrimSaid]
    drivers: dict[str, DriverNow]
    calibrated_at: str | None
    undo: str | None
    last_order: LastOrder | None
    light_changed_at: float | None
    notes: tuple[str, ...]
    ticks: dict[str, bool]
    uncertainty: Uncertainty
    relative_uncertainty_stops: dict[str, float | None]


@dataclass(frozen=True)
class Metered:
    """The light of a moment in the balance's words, and what may be said of it."""

    target: TargetReport
    achieved: AchievedReport
    face: FaceReport
    heads: tuple[HeadNow, ...]
    verdict: LightVerdict

    @property
    def in_the_way(self) -> bool:
        """Whether anything is that a remedy might help against."""
        return any(limit.at in CURABLE for limit in self.verdict.limits)


def metered(shown: ShownLight) -> Metered:
    """Wish and light at the subject, now; limits as they will be once the fade has landed."""
    light = light_of(shown)
    codes = as_reported(shown.codes, shown.health)
    now = shown.balancing.measure(shown.subject.place, shown.wish, codes, shown.working)
    achieved = achieved_of(shown.wish, light.target_report, now)
    return Metered(
        target=light.target_report,
        achieved=achieved,
        face=face_of(now),
        heads=_heads(shown, light),
        verdict=judge(light, circumstances_of(shown), achieved),
    )


def _heads(shown: ShownLight, light: JudgedLight) -> tuple[HeadNow, ...]:
    balancing = shown.balancing
    # Joint rounding may leave a head at its limit one code away from it: where it rests, the solution counts.
    met = balancing.outputs(shown.codes)
    if shown.wanted.acts:
        met = np.where(np.array(shown.codes) == np.array(shown.lasting), light.unrounded, met)
    now = head_reports(balancing.scene, balancing.limits, light.rows, shown.codes, met)
    goal = head_reports(balancing.scene, balancing.limits, light.rows, shown.goal)
    lux = light.rows.own_lux * balancing.outputs(as_reported(shown.codes, shown.health))
    return tuple(
        HeadNow.model_construct(
            **{**head.__dict__, "lux": float(lux[i])},
            goal=Goal(output=to.output, level=to.level, wire=to.wire),
            settled=shown.codes[i] == shown.goal[i],
            works=health.state != "lost",
            state=health.state,
            since=health.since_s + shown.unix_s,
            says_level=level_reported(balancing.scene.full_scales[i], health.code),
            answers=health.answers,
            confirmed=health.confirmed,
        )
        for i, (head, to, health) in enumerate(zip(now, goal, shown.health, strict=True))
    )


def balance_now(shown: ShownLight) -> BalanceNow:
    """The wish as it is shown."""
    wanted, wish = shown.wanted, shown.wish
    table = wanted.rig(shown.balancing.scene.rig).balance
    metering = shown.balancing.metering
    roles = metering.relative_roles
    return BalanceNow(
        ratio=wish.ratio,
        ratio_stops=float(np.log2(wish.quotient)),
        read_as=wish.read_as,
        exposure=table.exposure,
        exposure_stops=wanted.exposure_stops,
        exposure_lux=wish.exposure_lux,
        protect=wish.protect,
        most_over=wish.most_over,
        most_under=wish.most_under,
        most_lux=wish.most_lux,
        when_lost=table.when_lost,
        relative={role: wish.relative_stops(role, metering.role_rules[role]) for role in roles},
        against={role: wish.reference(role, metering.role_rules[role]) for role in roles},
    )


def camera_now(shown: ShownLight) -> CameraNow:
    """The camera's settings as they count now."""
    camera = shown.wanted.rig(shown.balancing.scene.rig).camera
    return CameraNow(**camera.model_dump(include=set(CameraNow.model_fields)))


def subject_seen(shown: ShownLight) -> SubjectSeen:
    """Who says where the subject is, and whether that can be followed."""
    subject, rig = shown.subject, shown.balancing.scene.rig
    mark = next((name for name, point in rig.marks.items() if point == subject.place), None)
    jitter = subject.jitter_m
    stops = None
    if jitter is not None:
        stops = subject.passing_m * shown.balancing.steepness_stops_m(subject.place)
    return SubjectSeen(
        source=subject.source,
        mark=mark,
        jitter_m=jitter,
        jitter_stops=stops,
        too_rough=stops is not None and stops > TOO_ROUGH_STOPS,
    )


def drivers_now(drivers: Mapping[str, DriverHealth], unix_s: float) -> dict[str, DriverNow]:
    """The drivers' health with Unix times."""
    return {
        name: DriverNow(
            state=health.state, since=health.since_s + unix_s, note=health.note, notices=health.notices
        )
        for name, health in drivers.items()
    }


def _notes_on(seen: SubjectSeen) -> tuple[str, ...]:
    if not seen.too_rough or seen.jitter_m is None:
        return ()
    return (
        f"the tracker jitters by {100 * seen.jitter_m:.0f} cm (standard deviation), {seen.jitter_stops:.2f} "
        "stop in the light after a walk: too rough to hold the ratio within 0.1 stop",
    )


@dataclass(frozen=True)
class DoorView:
    """What a state says that does not follow from the light; as in `State`."""

    remedies: tuple[Remedy, ...]
    waits: bool
    drivers: dict[str, DriverNow]
    calibrated_at: str | None
    undo: str | None
    last_order: LastOrder | None
    light_changed_at: float | None
    notes: tuple[str, ...]


def state_of(shown: ShownLight, light: Metered, told: DoorView) -> State:
    """The whole state from its parts."""
    scene, wanted, seen = shown.balancing.scene, shown.wanted, subject_seen(shown)
    sure = shown.balancing.sure(shown.subject.place, shown.wish, shown.codes, shown.working)
    return State(
        rig=scene.rig.rig.name,
        mode=wanted.mode,
        alone=None if wanted.alone is None or wanted.alone.head is None else scene.names[wanted.alone.head],
        shown=None if wanted.alone is None else tuple(scene.names[i] for i, _ in wanted.alone.lit),
        identifying=shown.identifying,
        subject=shown.subject.place,
        subject_seen=seen,
        target=light.target,
        achieved=light.achieved,
        face=light.face,
        heads=light.heads,
        settled=shown.codes == shown.goal,
        waits=told.waits,
        limits=light.verdict.limits,
        remedies=told.remedies,
        balance=balance_now(shown),
        camera=camera_now(shown),
        trims=trims_said(wanted.trims),
        drivers=told.drivers,
        calibrated_at=told.calibrated_at,
        undo=told.undo,
        last_order=told.last_order,
        light_changed_at=told.light_changed_at,
        notes=told.notes + _notes_on(seen) + head_notes(scene, shown.health),
        ticks=_ticks(light, told, seen),
        uncertainty=sure.uncertainty,
        relative_uncertainty_stops=sure.relative_stops,
    )


def _ticks(light: Metered, told: DoorView, seen: SubjectSeen) -> dict[str, bool]:
    """What may be ticked; a light over a wire that is not well, or for a place not well known, may not be."""
    heads = all(head.state == "ok" for head in light.heads)
    wires = heads and all(driver.state == "ok" and not driver.notices for driver in told.drivers.values())
    found = light.verdict.ticks
    return {**found, "balance": found["balance"] and heads and not seen.too_rough, "wires": wires}
