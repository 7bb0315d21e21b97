"""Evidence of a studio: meter readings, tape measures, stands that were moved, lamps that were changed.

A list of it is read from the text of a spreadsheet's CSV file, one piece a row.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from fillside.photometry.exposure import (
    HALF_STOP_NAMES,
    LUX_PER_FOOT_CANDLE,
    f_stop_reading,
    lux_from_reading,
)
from fillside.rig.problems import one_line
from fillside.rig.tables.model import FARTHEST_M, HIGHEST_M, LOWEST_M, Name, Point, Rig

COLUMNS = ("head", "level", "x", "y", "z", "value", "unit", "receptor", "facing")
OPTIONAL_COLUMNS = ("time", "note")
DAYLIGHT_COLUMNS = ("daylight_lux", "daylight_sensor")
"""Columns of readings alone, which a table has where a sensor spoke."""
NUMBERS = ("level", "x", "y", "z", "value", "unit", "daylight_lux")
"""Columns in which a comma is a decimal comma."""
MOST_DAYLIGHT_LUX = 200_000.0
LONGEST_CELL = 400
"""Characters of one value; a note is the only one that may need more than a few."""
OWN_HEAD, CAMERA = "head", "camera"
_HALF_STOP, _THIRD_STOP, _TENTH_STOP = 0.5, 1 / 3, 0.1
METRES_PER = {"m": 1.0, "ft": 0.3048}
"""Units of a tape measure."""
_DONE = ("moved", "changed")
_LIGHT = ("lux", "fc")
"""Units of light that are a word; the others have a number in them."""


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
    """What a sensor in a fixed place showed [lx] of heads at levels: where it is, and the point or head that
    it faces."""

    heads: tuple[str, ...]
    levels: tuple[float, ...]
    at: Point
    faced: str | Point
    is_dome: bool
    lux: float
    daylight: float = 1.0


Piece = Reading | TapeMeasure | HeadEvent
Remarks = Mapping[str, str | None]


@dataclass(frozen=True)
class Evidence:
    """All that was seen of a studio, each kind in the order in which it was told."""

    readings: tuple[Reading, ...] = ()
    tapes: tuple[TapeMeasure, ...] = ()
    events: tuple[HeadEvent, ...] = ()

    @classmethod
    def of(cls, pieces: Sequence[Piece]) -> Self:
        """Sort pieces by their kind, and events by their time: the latest is what does not say it."""
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
    def newest_s(self) -> float | None:
        """The time of the newest piece [s]; None if none says its time."""
        return max(self._times_s, default=None)

    @property
    def oldest_s(self) -> float | None:
        """The time of the oldest piece [s]; None if none says its time."""
        return min(self._times_s, default=None)

    @property
    def _times_s(self) -> list[float]:
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
        _check_head(name, rig)
    _check_place(reading.at, rig)
    for name in named:
        if math.dist(reading.at, known[name].position) < 0.05:
            raise ReadingError(f'the place is in the lit face of "{name}"; x, y, z are where the meter was')
    return reading


def check_piece(piece: Piece, rig: Rig) -> Piece:
    """The piece, if it can be of this rig; ReadingError otherwise."""
    if isinstance(piece, Reading):
        return check_against(piece, rig)
    _check_head(piece.head, rig)
    if isinstance(piece, TapeMeasure):
        _check_place(piece.at, rig)
    return piece


def _check_head(name: str, rig: Rig) -> None:
    if name not in {head.name for head in rig.heads}:
        known = ", ".join(head.name for head in rig.heads)
        raise ReadingError(f'there is no head "{name}"; there are {known}')


def _check_place(place: Point, rig: Rig) -> None:
    if math.dist(place, rig.first_mark) > FARTHEST_M:
        raise ReadingError(f"the place is more than {FARTHEST_M:g} m from the first mark; x, y, z are metres")
    if not LOWEST_M <= place[2] <= HIGHEST_M:
        raise ReadingError(f"the height z is {place[2]:g} m; from {LOWEST_M:g} to {HIGHEST_M:g} is right")


def readings_from_csv(text: str, rig: Rig) -> tuple[Reading, ...]:
    """The readings of a CSV file's text that has nothing else; ReadingError as of `evidence_from_csv`."""
    found = evidence_from_csv(text, rig)
    if found.tapes or found.events:
        other = f"a tape measure of {found.tapes[0].head}" if found.tapes else f"{found.events[0].head} "
        other += "" if found.tapes else found.events[0].kind
        raise ReadingError(f"{other} is no reading, and only those are taken here")
    return found.readings


def evidence_from_csv(text: str, rig: Rig) -> Evidence:
    """The evidence in a CSV file's text; ReadingError names the first wrong line and what would be right.

    The first line names the columns. A row with the unit m or ft is a tape measure from its place to its
    head; one with the unit moved or changed says what was done to its head, and when, by its `time`.
    A byte order mark, semicolons or tabs between the columns, decimal
    commas, quotes and blank lines are as spreadsheets leave them. `x` may hold a mark's name instead of three
    numbers.
    """
    rows = _rows(text.lstrip("\ufeff"))
    _, header = next(rows, (1, []))
    columns = _columns(header)
    found: list[Piece] = []
    for line, cells in rows:
        try:
            found.append(_piece(cells, columns, rig))
        except ReadingError as error:
            raise ReadingError(error.message, line) from None
    if not found:
        raise ReadingError("there is no reading below the line that names the columns", 1)
    return Evidence.of(found)


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and stripped cells of every line that is not blank."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    line = 0
    while True:
        line = reader.line_num + 1
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return
        except csv.Error as error:
            raise ReadingError(f"this is not a line of a CSV file ({error})", line) from None
        if (longest := max(map(len, cells), default=0)) > LONGEST_CELL:
            raise ReadingError(f"a value has {longest} characters; at most {LONGEST_CELL} can be", line)
        if any(cells):
            yield line, cells


def _columns(header: Sequence[str]) -> dict[str, int]:
    names = [name.lower() for name in header]
    allowed = (*COLUMNS, *OPTIONAL_COLUMNS, *DAYLIGHT_COLUMNS)
    for name in names:
        if name and name not in allowed:
            raise ReadingError(f'"{name[:32]}" is not a column; there are {",".join(allowed)}', 1)
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise ReadingError(f"columns missing: {', '.join(missing)}; the first line is {','.join(COLUMNS)}", 1)
    if len(set(filter(None, names))) != len(list(filter(None, names))):
        raise ReadingError("a column is named twice", 1)
    return {name: place for place, name in enumerate(names) if name}


def _piece(cells: Sequence[str], columns: Mapping[str, int], rig: Rig) -> Piece:
    cell = _named(cells, columns)
    unit = cell["unit"].lower()
    if unit in METRES_PER or unit in _DONE:
        return _told_of_head(cell, unit, rig)
    if unit.isalpha() and unit not in _LIGHT:
        raise ReadingError(
            f'"{unit[:32]}" is not a unit of light: lux, fc, ev100, f/4@400@1/50; m and ft are of a tape '
            "measure, moved and changed of what was done to a head"
        )
    return check_against(_reading(cell, rig), rig)


def _told_of_head(cell: Mapping[str, str], unit: str, rig: Rig) -> TapeMeasure | HeadEvent:
    """A tape measure, or what was done to a head."""
    name = cell["head"].lower()
    _check_head(name, rig)
    remarks = {key: cell.get(key) or None for key in OPTIONAL_COLUMNS}
    if unit in _DONE:
        if remarks["time"] is not None and seconds_of(remarks["time"]) is None:
            raise ReadingError(f'time: "{remarks["time"]}" is no date and time such as 2026-02-11T09:30')
        return _event(cell, name, unit, remarks, rig)
    fields = {
        "head": name,
        "at": _place(cell, rig),
        "distance_m": _number(cell["value"], "value") * METRES_PER[unit],
        **remarks,
    }
    try:
        return TapeMeasure.model_validate(fields)
    except ValidationError as error:
        raise ReadingError(_first_error(error)) from None


def _event(cell: Mapping[str, str], head: str, kind: str, remarks: Remarks, rig: Rig) -> HeadEvent:
    """An event of a head: of a stand with its former place, of a lamp with its former intensity, if given."""
    fields: dict[str, object] = {"head": head, "kind": kind, **remarks}
    if kind == "moved" and any(cell[axis] for axis in "xyz"):
        fields["was"] = _place(cell, rig)
    if kind == "changed" and cell["value"]:
        fields["was_cd"] = _number(cell["value"], "value")
    try:
        return HeadEvent.model_validate(fields)
    except ValidationError as error:
        raise ReadingError(_first_error(error)) from None


def _named(cells: Sequence[str], columns: Mapping[str, int]) -> dict[str, str]:
    """The cells of a row by their columns, decimal commas as points."""
    if len(cells) > max(columns.values()) + 1 and any(cells[max(columns.values()) + 1 :]):
        raise ReadingError(
            f"{len(cells)} values for {len(columns)} columns; decimal commas want semicolons between columns"
        )
    cell = {name: cells[place] if place < len(cells) else "" for name, place in columns.items()}
    for name in NUMBERS:
        if name in cell:
            cell[name] = cell[name].replace(",", ".")
    return cell


def _reading(cell: Mapping[str, str], rig: Rig) -> Reading:
    heads = tuple(name.strip() for name in cell["head"].split("+") if name.strip())
    return reading_from_words(
        heads=heads,
        levels=_levels(cell["level"], len(heads)),
        at=_place(cell, rig),
        value=_number(cell["value"].lower().removeprefix("f/"), "value") if cell["value"] else None,
        unit=cell["unit"],
        receptor=cell["receptor"].lower(),
        facing=cell["facing"],
        rig=rig,
        remarks={name: cell.get(name) or None for name in (*OPTIONAL_COLUMNS, *DAYLIGHT_COLUMNS)},
    )


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
    try:
        return Reading.model_validate(fields)
    except ValidationError as error:
        raise ReadingError(_first_error(error)) from None


def _first_error(error: ValidationError) -> str:
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    message = first["msg"].removeprefix("Value error, ")
    return f"{where}: {message[:1].lower()}{message[1:]}" if where else message


def _levels(text: str, heads: int) -> tuple[float, ...]:
    if not heads:
        if text.strip("0. "):
            raise ReadingError("a level without a head; leave both empty for the light with all heads out")
        return ()
    levels = tuple(_level(part.strip()) for part in text.split("+"))
    if len(levels) != heads:
        need = "1 head needs 1 level" if heads == 1 else f"{heads} heads need {heads} levels"
        raise ReadingError(f'{need} such as "{"+".join(["1.0"] * heads)}", not "{text}"')
    return levels


def _level(text: str) -> float:
    level = _number(text.removesuffix("%"), "level") / (100 if text.endswith("%") else 1)
    if not 0 <= level <= 1:
        raise ReadingError(f"the level is {text}; from 0 to 1 is right")
    return level


def _place(cell: Mapping[str, str], rig: Rig) -> tuple[float, ...]:
    mark = cell["x"].lower()
    if mark in rig.marks and not cell["y"] and not cell["z"]:
        return rig.marks[mark]
    return tuple(_number(cell[axis], axis) for axis in "xyz")


def _number(text: str, column: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        why = f'"{text}" is not a number' if text else "is empty; it must be a number"
        raise ReadingError(f"{column} {why}")
    return number


def csv_from_readings(pieces: Sequence[Piece]) -> str:
    """Readings, tapes and events as a CSV file that `evidence_from_csv` reads back."""
    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\n")
    told = any(isinstance(one, Reading) and one.daylight_lux is not None for one in pieces)
    remarks = (*OPTIONAL_COLUMNS, *(DAYLIGHT_COLUMNS if told else ()))
    writer.writerow((*COLUMNS, *remarks))
    for piece in pieces:
        own = (getattr(piece, name, None) for name in remarks)
        writer.writerow((*_cells(piece), *("" if cell is None else cell for cell in own)))
    return sheet.getvalue()


def _cells(piece: Piece) -> tuple[object, ...]:
    """The cells of a piece but for its time and note."""
    if isinstance(piece, TapeMeasure):
        return (piece.head, "", *piece.at, repr(piece.distance_m), "m", "", "")
    if isinstance(piece, HeadEvent):
        cd = "" if piece.was_cd is None else repr(piece.was_cd)
        return (piece.head, "", *(piece.was or ("", "", "")), cd, piece.kind, "", "")
    head, level = "+".join(piece.heads), "+".join(map(repr, piece.levels))
    value = "" if piece.value is None else repr(piece.value)
    return (head, level, *piece.at, value, piece.unit, piece.receptor, piece.facing)
