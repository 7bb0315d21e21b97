"""The model of the state that every door shows: the fields that `solve` prints, and
the studio's condition."""

from __future__ import annotations

from typing import Literal

from fillside.balance.report import (
    AchievedReport,
    FaceReport,
    HeadReport,
    LimitReport,
    Remedy,
    ReportModel,
    TargetReport,
    Uncertainty,
)
from fillside.hold.events import Answering, DriverState, HeadState
from fillside.hold.intent.intent import Mode, TrimWord
from fillside.hold.tracking.subject import Source
from fillside.rig.notation import RoomLightKnown
from fillside.rig.tables.model import Point, ReadAs

TOO_ROUGH_STOPS = 0.05
"""A tracker whose jitter moves the light by more than this standard deviation is too rough to follow: twice
this is the 0.1 stop allowed for the ratio, which one report in twenty would exceed."""


class Goal(ReportModel):
    """The output, level and wire codes that a head is going to."""

    output: float
    level: float
    wire: tuple[int, ...]


class HeadNow(HeadReport):
    """The present condition of a head. `works` is false while it cannot be reached.

    `state` is ok, late, lost or disobeying, `since` is as in DriverNow; `says_level` is the level that a
    disobeying lamp reports, and `lux` is then the light of that level. `answers` tells if the lamp answers
    what it is sent: yes, changes (it answers changes of level alone), or no; null if its wire has no way back
    or this is not known yet. `confirmed` is true if the lamp has reported its level lately; null if it
    cannot.
    """

    goal: Goal
    settled: bool
    works: bool
    state: HeadState
    since: float
    says_level: float | None
    answers: Answering | None
    confirmed: bool | None


class BalanceNow(ReportModel):
    """The balance target, without the trims. `exposure` is "camera" or lux;
    `exposure_stops` are added to it."""

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
    relative: dict[str, float | Literal["out"]]
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
    """A driver's health, and the time it began [s, Unix time if the hold was given that].

    `note` says why it is not ok; `notices` are facts worth knowing although it is ok, such as another source.
    """

    state: DriverState
    since: float
    note: str
    notices: tuple[str, ...]


class SubjectSeen(ReportModel):
    """The source of the subject's place; jitter as a standard deviation in metres,
    and in stops as it reaches the light."""

    source: Source
    mark: str | None
    jitter_m: float | None
    jitter_stops: float | None
    too_rough: bool


class LastOrder(ReportModel):
    """The last order obeyed, except position reports; `at` is as `since` in DriverNow."""

    do: str
    at: float


class State(ReportModel):
    """Everything a door shows. A number that is not available is null.

    `ticks` are the points that a door may tick as being well: "balance", "ratio", "exposure", "limits"
    (nothing is in the way) and "wires".
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
    trims: dict[str, TrimWord]
    drivers: dict[str, DriverNow]
    calibrated_at: str | None
    undo: str | None
    last_order: LastOrder | None
    light_changed_at: float | None
    notes: tuple[str, ...]
    ticks: dict[str, bool]
    uncertainty: Uncertainty
    room_light: RoomLightKnown
    relative_uncertainty_stops: dict[str, float | None]
