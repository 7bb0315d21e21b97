"""The events of the hold: changes of wires, heads and ambient light, and remedies that were found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fillside.balance.report import Remedy
from fillside.belief.result.intervals import Intervals
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Point, Rig

DriverState = Literal["ok", "late", "lost"]
HeadState = Literal["ok", "late", "lost", "disobeying"]
Answering = Literal["yes", "changes", "no"]


@dataclass(frozen=True)
class DriverChanged:
    """A driver's health changed. While a driver is lost, so are its heads.

    `note` gives the reason; `notices` are facts worth knowing although the driver works.
    """

    driver: str
    state: DriverState
    note: str = ""
    notices: tuple[str, ...] = ()


@dataclass(frozen=True)
class HeadLost:
    """One head cannot be reached."""

    head: str


@dataclass(frozen=True)
class HeadBack:
    """One head can be reached or obeys again. `code` is its present code if it differs from the one sent."""

    head: str
    code: int | None = None


@dataclass(frozen=True)
class HeadLate:
    """One head is late to answer; it is assumed to be at the code it was sent. `code` is the one it reported
    last, None if it never did."""

    head: str
    code: int | None = None


@dataclass(frozen=True)
class HeadAnswers:
    """The kind of answers a head gives: "yes", "changes" (it answers changes only), "no" (it cannot), or None
    while unknown. `confirmed` is true once the head has confirmed its level."""

    head: str
    answers: Answering | None
    confirmed: bool | None


@dataclass(frozen=True)
class HeadDisobeys:
    """One head is at a level other than the one sent; `code` is the code it reports."""

    head: str
    code: int | None = None


@dataclass(frozen=True)
class DaylightChanged:
    """There is so many times as much ambient light as the calibration says, from each direction alike, to
    within a standard uncertainty [stops]."""

    times: float
    sd_stops: float = 0.0


@dataclass(frozen=True)
class HeadsCorrected:
    """Corrections in stops by head name, for heads that give less light than their calibration says; heads
    not listed count as calibrated."""

    stops: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class HeadsLeave:
    """Heads that a changed rig file no longer has: they go out and stay out, whatever the intent. The other
    heads are held as before; a head missing from a later list comes back."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class RemedyQuestion:
    """A question for `balance.remedies`. The answer takes long, so it is computed
    elsewhere and returned as an event."""

    rig: Rig
    subject: Point
    calibration: Calibration | None


@dataclass(frozen=True)
class RemediesFound:
    """The answer to a remedy question; ignored if that question is no longer open."""

    question: RemedyQuestion
    remedies: tuple[Remedy, ...]


@dataclass(frozen=True)
class CalibrationAged:
    """The uncertainties of the light at a later time; ignored unless those they come from are in use."""

    before: Intervals
    after: Intervals


HealthEvent = DriverChanged | HeadLost | HeadLate | HeadBack | HeadDisobeys | HeadAnswers
LightEvent = DaylightChanged | HeadsCorrected
"""Events that change the light the heads or the room are believed to give."""
Event = HealthEvent | RemediesFound | LightEvent | HeadsLeave | CalibrationAged
