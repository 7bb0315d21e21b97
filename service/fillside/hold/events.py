"""Events that nobody ordered: wires and heads that change, light that is learned of, remedies found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from fillside.balance.report import Remedy
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Point, Rig

DriverState = Literal["ok", "late", "lost"]
HeadState = Literal["ok", "late", "lost", "disobeying"]
Answering = Literal["yes", "changes", "no"]


@dataclass(frozen=True)
class DriverChanged:
    """A driver's health changed; while it is lost so are its heads.

    `note` says why; `notices` are what a person should know although it works.
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
    """One head can be reached or obeys again. `code` is its present code where it differs from the one
    sent."""

    head: str
    code: int | None = None


@dataclass(frozen=True)
class HeadLate:
    """An answer of one head is overdue; the head is taken to be there."""

    head: str


@dataclass(frozen=True)
class HeadAnswers:
    """The way a head answers what it is sent ("changes" where only a change is answered, "no" where it
    cannot, None while that is not known); `confirmed` is true once it has confirmed its level."""

    head: str
    answers: Answering | None
    confirmed: bool | None


@dataclass(frozen=True)
class HeadDisobeys:
    """One head is at another level than it was sent; `code` is the code it reports."""

    head: str
    code: int | None = None


class AmbientReading(NamedTuple):
    """The ambient light changed: lux toward the key, toward the fill, and as the exposure receptor faces."""

    toward_key: float
    toward_fill: float
    toward_camera: float


@dataclass(frozen=True)
class HeadsCorrected:
    """Heads, by name, to be asked for so many stops more, as they give that much less than they were
    calibrated with; a head that is not named is taken to be as calibrated."""

    stops: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class HeadsLeave:
    """These heads are to go out and stay out, whatever the intent: a changed rig file no longer has them. The
    others are held as before; a head that is not named comes back."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class RemedyQuestion:
    """A question for `balance.remedies`; the answer takes long, so it is found outside and comes as an
    event."""

    rig: Rig
    subject: Point
    calibration: Calibration | None


@dataclass(frozen=True)
class RemediesFound:
    """The answer; without effect if the question is no longer the one that is open."""

    question: RemedyQuestion
    remedies: tuple[Remedy, ...]


HealthEvent = DriverChanged | HeadLost | HeadLate | HeadBack | HeadDisobeys | HeadAnswers
LightEvent = AmbientReading | HeadsCorrected
"""The light is believed to be another from now on."""
Event = HealthEvent | RemediesFound | LightEvent | HeadsLeave
