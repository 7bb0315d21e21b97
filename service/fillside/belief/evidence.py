"""Evidence of a studio: meter readings, tape measures, stands that were moved, lamps that were changed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Annotated, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from fillside.photometry.exposure import (
    HALF_STOP_NAMES,
    LUX_PER_FOOT_CANDLE,
    f_stop_reading,
    lux_from_reading,
)
from fillside.rig.problems import one_line
from fillside.rig.tables.model import FARTHEST_M, HIGHEST_M, LOWEST_M, Name, Point, Rig

MOST_DAYLIGHT_LUX = 200_000.0
OWN_HEAD, CAMERA = "head", "camera"
_HALF_STOP, _THIRD_STOP, _TENTH_STOP = 0.5, 1 / 3, 0.1
METRES_PER = {"m": 1.0, "ft": 0.3048}
"""Units of a tape measure."""


class ReadingError(ValueError):
    """A reading that cannot be taken; `line` is its line in the file (from 1), None outside a file."""

    def __init__(self, message: str, line: int | None = None) -> None:
        self.message, self.line = one_line(message), line
        super().__init__(self.message if line is None else f"line {line}: {self.message}")


class Reading(BaseModel):
    """One value read off a light meter.

    `heads` were lit, each at its wire level of `levels` (0..1); none lit is the ambient light. `at` is where
    the receptor was [m]. `value` is in `unit`: lux, fc, ev100, or an f-stop at ISO and shutter, which says
    it all. `facing` is "head" (each its own), "camera", or a head's name. Ambient light is always in it.
    `daylight_lux` is what a sensor at the window showed then, without the light of our own heads; of which
    name, says `daylight_sensor`, and None is the rig's.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    heads: tuple[Name, ...] = ()
    levels: tuple[Annotated[float, Field(ge=0, le=1)], ...] = ()
    at: Point
    value: float | None = None
    unit: str = "lux"
    receptor: Literal["flat", "dome"] = "flat"
    facing: Name = OWN_HEAD
    time: str | None = None
    note: str | None = None
    daylight_lux: Annotated[float, Field(ge=0, le=MOST_DAYLIGHT_LUX)] | None = None
    daylight_sensor: Name | None = None

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if len(self.heads) != len(self.levels):
            raise ValueError(f"{len(self.heads)} heads need as many levels, not {len(self.levels)}")
        if len(set(self.heads)) != len(self.heads):
            raise ValueError("a head is named twice")
        if not self.heads and self.facing == OWN_HEAD:
            raise ValueError('all heads out, so facing is "camera" or the name of a head, not "head"')
        self.lux(250.0)
        return self

    def lux(self, constant: float) -> float:
        """The illuminance read [lux], with the C of ISO 2720 of the receptor it was read with."""
        return lux_from_reading(self.value, self.unit, constant)

    def rounding_lux(self, lux: float) -> float:
        """Standard uncertainty from the display's last digit [lux], rectangular (JCGM 100, 4.3.7).

        Lux and foot-candles are rounded as they are written; EV and f-stops step in stops: a tenth where
        tenths are written, a half at an aperture that only scales in halves name, else a third.
        """
        if self.unit.lower() == "lux":
            return _last_digit(self.value) / math.sqrt(12)
        if self.unit.lower() == "fc":
            return _last_digit(self.value) * LUX_PER_FOOT_CANDLE / math.sqrt(12)
        return lux * math.log(2) * self._step_stops() / math.sqrt(12)

    def _step_stops(self) -> float:
        """Step of a display in EV or f-stops [stops]."""
        if self.unit.lower() == "ev100":
            return min(_last_digit(self.value), _TENTH_STOP)
        if "+" in self.unit or "-" in self.unit:
            return _TENTH_STOP
        return _HALF_STOP if f_stop_reading(self.unit).aperture in HALF_STOP_NAMES else _THIRD_STOP


class TapeMeasure(BaseModel):
    """The distance of the centre of a head's lit face from a place [m], by a tape."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    head: Name
    at: Point
    distance_m: Annotated[float, Field(gt=0, le=2 * FARTHEST_M)]
    time: str | None = None
    note: str | None = None


class HeadEvent(BaseModel):
    """A change that somebody made to a head: its stand was moved a little, or its lamp was changed.

    `was` is where the rig file had the stand before [m], and `was_cd` what intensity it stated of the lamp
    [cd], where the file is another since.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    head: Name
    kind: Literal["moved", "changed"]
    was: Point | None = None
    was_cd: Annotated[float, Field(gt=0, le=1e9)] | None = None
    time: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class SensorValue:
    """The light of heads at levels on a sensor in a fixed place [lx]; `faced` is the point or head that the
    sensor faces."""

    heads: tuple[str, ...]
    levels: tuple[float, ...]
    at: Point
    faced: str | Point
    is_dome: bool
    lux: float
    daylight: float = 1.0


Piece = Reading | TapeMeasure | HeadEvent
OnePiece = TypeVar("OnePiece", Reading, TapeMeasure, HeadEvent)
Remarks = Mapping[str, str | None]


@dataclass(frozen=True)
class Evidence:
    """All that was seen of a studio, each kind in the order in which it was told."""

    readings: tuple[Reading, ...] = ()
    tapes: tuple[TapeMeasure, ...] = ()
    events: tuple[HeadEvent, ...] = ()

    @classmethod
    def of(cls, pieces: Sequence[Piece]) -> Self:
        """Sort pieces by their kind, and events by their time; one without a time counts as the latest."""
        events = [one for one in pieces if isinstance(one, HeadEvent)]
        return cls(
            tuple(one for one in pieces if isinstance(one, Reading)),
            tuple(one for one in pieces if isinstance(one, TapeMeasure)),
            tuple(sorted(events, key=lambda one: math.inf if (at := seconds_of(one.time)) is None else at)),
        )

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """All of it, readings first."""
        return (*self.readings, *self.tapes, *self.events)

    @property
    def times_s(self) -> list[float]:
        """The times of the pieces that say theirs [s]."""
        times = [seconds_of(one.time) for one in self.pieces]
        return [own for own in times if own is not None]


def seconds_of(time: str | None) -> float | None:
    """Unix time [s] of a date and time in ISO 8601, in UTC where no zone is said; None for other words.

    >>> seconds_of("1970-01-02T00:00:00Z"), seconds_of("yesterday")
    (86400.0, None)
    """
    try:
        then = datetime.fromisoformat(time or "")
    except ValueError:
        return None
    return (then if then.tzinfo else then.replace(tzinfo=UTC)).timestamp()


def time_of(unix_s: float) -> str:
    """A Unix time [s] as `seconds_of` reads it, to the microsecond.

    >>> time_of(86400.0), time_of(0.25)
    ('1970-01-02T00:00:00Z', '1970-01-01T00:00:00.250000Z')
    """
    return datetime.fromtimestamp(unix_s, UTC).isoformat().replace("+00:00", "Z")


def dated(piece: Piece, unix_s: float) -> Piece:
    """A piece with a Unix time [s], unless it says its own."""
    return piece if piece.time else piece.model_copy(update={"time": time_of(unix_s)})


def _last_digit(value: float | None) -> float:
    """Worth of the last digit a number was written with, at most 1."""
    exponent = Decimal(repr(value or 0.0)).normalize().as_tuple().exponent
    return 10.0 ** min(0, exponent if isinstance(exponent, int) else 0)


def check_against(reading: Reading, rig: Rig) -> Reading:
    """The reading, if the rig has its heads and a person can have stood there; ReadingError otherwise."""
    known = {head.name: head for head in rig.heads}
    named = reading.heads if reading.facing in (OWN_HEAD, CAMERA) else (*reading.heads, reading.facing)
    for name in named:
        check_head(name, rig)
    _check_place(reading.at, rig)
    for name in named:
        if math.dist(reading.at, known[name].position) < 0.05:
            raise ReadingError(f'the place is in the lit face of "{name}"; x, y, z are where the meter was')
    return reading


def check_piece(piece: Piece, rig: Rig) -> Piece:
    """The piece, if it can be of this rig; ReadingError otherwise."""
    if isinstance(piece, Reading):
        return check_against(piece, rig)
    check_head(piece.head, rig)
    if isinstance(piece, TapeMeasure):
        _check_place(piece.at, rig)
    return piece


def check_head(name: str, rig: Rig) -> None:
    if name not in {head.name for head in rig.heads}:
        known = ", ".join(head.name for head in rig.heads)
        raise ReadingError(f'there is no head "{name}"; there are {known}')


def _check_place(place: Point, rig: Rig) -> None:
    if math.dist(place, rig.first_mark) > FARTHEST_M:
        raise ReadingError(f"the place is more than {FARTHEST_M:g} m from the first mark; x, y, z are metres")
    if not LOWEST_M <= place[2] <= HIGHEST_M:
        raise ReadingError(f"the height z is {place[2]:g} m; from {LOWEST_M:g} to {HIGHEST_M:g} is right")


def reading_from_words(
    *,
    heads: Sequence[str],
    levels: Sequence[float],
    at: Sequence[float],
    value: float | None,
    unit: str,
    receptor: str,
    facing: str,
    rig: Rig,
    remarks: Mapping[str, str | None] | None = None,
) -> Reading:
    """A reading from what was written; what is left empty is what a person would have done.

    No unit is lux; no receptor is flat toward a head and the rig's own toward the camera; no facing is the
    head itself, or the camera with all heads out. Raises ReadingError in one clear line.
    """
    facing = facing.lower() or (OWN_HEAD if heads else CAMERA)
    receptor = receptor or (rig.meter.receptor if facing == CAMERA else "flat")
    fields = {
        "heads": tuple(name.lower() for name in heads),
        "levels": tuple(levels),
        "at": tuple(at),
        "value": value,
        "unit": unit.lower() or "lux",
        "receptor": receptor,
        "facing": facing,
        **(remarks or {}),
    }
    return piece_of(Reading, fields)


def piece_of(kind: type[OnePiece], fields: Mapping[str, object]) -> OnePiece:
    """A piece of evidence of a kind from its fields. Raises ReadingError in one clear line."""
    try:
        return kind.model_validate(fields)
    except ValidationError as error:
        raise ReadingError(_first_error(error)) from None


def _first_error(error: ValidationError) -> str:
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    message = first["msg"].removeprefix("Value error, ")
    return f"{where}: {message[:1].lower()}{message[1:]}" if where else message
