"""What happens to the hold without anybody ordering it."""

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
    """A driver's health is another; while it is lost so are its heads.

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
    """It can again, or obeys again. `code` is what it has now, where that is another than it was sent."""

    head: str
    code: int | None = None


@dataclass(frozen=True)
class HeadLate:
    """An answer that one head owes is overdue; it is taken to be there."""

    head: str


@dataclass(frozen=True)
class HeadAnswers:
    """Whether a head answers what it is sent ("changes" where only a change is answered, "no" where it
    cannot, None while that is not known), and whether it has confirmed its level."""

    head: str
    answers: Answering | None
    confirmed: bool | None


@dataclass(frozen=True)
class HeadDisobeys:
    """One head is there with another level than it was sent; `code` is what it says it has."""

    head: str
    code: int | None = None


class AmbientReading(NamedTuple):
    """The light that is there without our heads is another: lux toward the key, toward the fill, and as the
    exposure receptor faces."""

    toward_key: float
    toward_fill: float
    toward_camera: float


@dataclass(frozen=True)
class HeadsCorrected:
    """Heads by name that are asked for so many stops more from now on, since they give so much less than they
    were calibrated with; of a head that is not named the calibration is believed."""

    stops: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class HeadsLeave:
    """These heads are to go out and stay out, whatever is wanted: a changed rig file has them no more. The
    others are held as before; one that is not named comes back."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class RemedyQuestion:
    """What to ask `balance.remedies.remedies`; it takes long, so it is asked outside and answered by an
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
"""What is believed of the light is another."""
Event = HealthEvent | RemediesFound | LightEvent | HeadsLeave
