"""Checks of database rows, since any program or fault may have written them.

Each table has one check: it takes the columns in the order of `TABLES` and returns their values, JSON parsed,
or raises BadRowError naming the wrong column. Readers leave such a row out and count it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from fillside.belief.evidence import HeadEvent, Piece, Reading, TapeMeasure
from fillside.orders.answers import Refusal
from fillside.orders.strict_json import stored_loads, strict_loads
from fillside.rig.calibration import Calibration

MOST_ID = 10**15 - 1
LAST_UNIX_S = 253_402_300_799.0
"""The last second of the year 9999: no later time can be written as a date."""
LONGEST_TEXT = 4 * 2**20
LIGHT_PARTS = ("target", "achieved", "face")
STUDIO_COLUMNS = ("belief", "geometry", "camera")
"""Columns of a take about the studio that it began in."""

Row = Sequence[Any]
Values = tuple[Any, ...]


class BadRowError(ValueError):
    """An invalid row; the text names the column."""


def readable_text(octets: bytes) -> str | bytes:
    """Decode text for a connection; octets that are not UTF-8 stay octets for a check to refuse."""
    try:
        return octets.decode("utf-8")
    except UnicodeDecodeError:
        return octets


def _id(value: Any, column: str = "id") -> int:
    if type(value) is not int or not 1 <= value <= MOST_ID:
        raise BadRowError(f"{column} is no number of a row")
    return value


def _count(value: Any, column: str) -> int:
    if type(value) is not int or not 0 <= value <= MOST_ID:
        raise BadRowError(f"{column} is no count")
    return value


def _unix_s(value: Any, column: str) -> float:
    if type(value) not in (int, float) or not (math.isfinite(value) and 0 <= value <= LAST_UNIX_S):
        raise BadRowError(f"{column} is no time")
    return float(value)


def _text(value: Any, column: str) -> str:
    if type(value) is not str or len(value) > LONGEST_TEXT:
        raise BadRowError(f"{column} is no text")
    return value


def _json(value: Any, column: str, loads: Callable[[str], Any] = strict_loads) -> Any:
    try:
        return loads(_text(value, column))
    except (Refusal, ValueError) as error:
        raise BadRowError(f"{column}: {error}") from None


def _object(value: Any, column: str) -> dict[str, Any]:
    found = _json(value, column)
    if type(found) is not dict:
        raise BadRowError(f"{column} is no object")
    return found


def _light(value: Any, column: str) -> dict[str, Any]:
    """Check the light of a take: heads as a list, the rest as objects where present."""
    found = _object(value, column)
    heads = found.get("heads")
    if type(heads) is not list or not all(type(head) is dict for head in heads):
        raise BadRowError(f"{column} has no heads")
    if not all(type(found.get(part, {})) is dict for part in LIGHT_PARTS):
        raise BadRowError(f"{column} is no light")
    return found


def remembered_row(row: Row) -> Values:
    """id, saved_at, body."""
    if row[0] != 1:
        raise BadRowError("id is not 1")
    return 1, _unix_s(row[1], "saved_at"), _object(row[2], "body")


def undoable_row(row: Row) -> Values:
    """id, body; the body stays text, since the hold alone knows the form of an order."""
    _object(row[1], "body")
    return _id(row[0]), row[1]


def journal_row(row: Row) -> Values:
    """id, at, who, door, address, said, outcome, note, times, last_at."""
    number, at, who, door, address, said, outcome, note, times, last_at = row
    return (
        _id(number),
        _unix_s(at, "at"),
        _text(who, "who"),
        _text(door, "door"),
        _text(address, "address"),
        _json(said, "said", stored_loads),
        _text(outcome, "outcome"),
        _text(note, "note"),
        _id(times, "times"),
        None if last_at is None else _unix_s(last_at, "last_at"),
    )


def identity_row(row: Row) -> Values:
    """name, value."""
    return _text(row[0], "name"), _text(row[1], "value")


def reading_row(row: Row) -> Values:
    """id, at, who, purpose, body, struck. The body is checked on use."""
    number, at, who, purpose, body, struck = row
    return (
        _id(number),
        _unix_s(at, "at"),
        _text(who, "who"),
        _text(purpose, "purpose"),
        _object(body, "body"),
        None if struck is None else _text(struck, "struck"),
    )


def reading_in(body: Mapping[str, Any]) -> Reading:
    """Return the reading in a row's body; raises BadRowError."""
    try:
        return Reading.model_validate(body)
    except (ValidationError, ValueError, ArithmeticError) as error:
        raise BadRowError(f"body is no reading: {first_line(error)}") from None


TAPE, EVENT, LINEUP_TAPE = "tape", "event", "lineup tape"
"""The purposes of a tape measure, of what was done to a head, and of a tape measure that only lines up."""
WEIGHED = ("calibrate", TAPE, EVENT)
"""The purposes of what calibrations are made of."""
_TOLD: dict[str, tuple[type[TapeMeasure] | type[HeadEvent], str]] = {
    TAPE: (TapeMeasure, "tape measure"),
    LINEUP_TAPE: (TapeMeasure, "tape measure"),
    EVENT: (HeadEvent, "event"),
}


def piece_in(purpose: str, body: Mapping[str, Any]) -> Piece:
    """Return the reading, tape measure or event in a row's body; raises BadRowError."""
    if purpose not in _TOLD:
        return reading_in(body)
    model, noun = _TOLD[purpose]
    try:
        return model.model_validate(body)
    except (ValidationError, ValueError, ArithmeticError) as error:
        raise BadRowError(f"body is no {noun}: {first_line(error)}") from None


def purpose_of(piece: Piece) -> str:
    """Return the purpose under which a piece is kept that calibrations are made of."""
    if isinstance(piece, Reading):
        return WEIGHED[0]
    return TAPE if isinstance(piece, TapeMeasure) else EVENT


def sensor_in(body: Mapping[str, Any]) -> tuple[str, float, int]:
    """Return a sensor, its value [lux] and the number of the reading beside it, from a row's body.

    Raises BadRowError.
    """
    lux = body.get("lux")
    if not isinstance(lux, int | float) or not (math.isfinite(lux) and lux >= 0):
        raise BadRowError("body.lux is no light")
    return _text(body.get("sensor"), "body.sensor"), float(lux), _id(body.get("reading"), "body.reading")


def calibration_row(row: Row) -> Values:
    """id, at, meter, readings, body, chosen, spans."""
    number, at, meter, readings, body, chosen, spans = row
    numbers, found = _json(readings, "readings"), _object(body, "body")
    if type(numbers) is not list:
        raise BadRowError("readings is no list")
    try:
        Calibration.model_validate(found)
    except (ValidationError, ValueError, ArithmeticError) as error:
        raise BadRowError(f"body is no calibration: {first_line(error)}") from None
    ids = tuple(_id(each, "readings") for each in numbers)
    if chosen not in (0, 1):
        raise BadRowError("chosen is neither 0 nor 1")
    meter, used = _object(meter, "meter"), spans_in(spans)
    return _id(number), _unix_s(at, "at"), meter, ids, found, int(chosen), used


def spans_in(value: Any) -> tuple[tuple[float, float], ...]:
    """Return from when to when a calibration was used, an open end as infinity; raises BadRowError."""
    found = _json(value, "spans")
    if type(found) is not list or not all(type(one) is list and len(one) == 2 for one in found):
        raise BadRowError("spans is no list of spans")
    return tuple(
        (_unix_s(begin, "spans"), math.inf if end is None else _unix_s(end, "spans")) for begin, end in found
    )


def metering_row(row: Row) -> Values:
    """id, calibration, routine, weighed, heads."""
    if row[0] != 1:
        raise BadRowError("id is not 1")
    used = None if row[1] is None else _id(row[1], "calibration")
    routine = None if row[2] is None else _object(row[2], "routine")
    heads = None if row[4] is None else _heads(row[4])
    return 1, used, routine, _count(row[3], "weighed"), heads


def _heads(value: Any) -> dict[str, Any]:
    """Check what a rig file said of heads."""
    found = _object(value, "heads")
    for one in found.values():
        try:
            x, y, z, cd = map(float, (*one["position"], one["intensity_cd"]))
            sound = all(map(math.isfinite, (x, y, z, cd))) and cd > 0 and {"lamp", "modifier"} <= set(one)
        except (KeyError, TypeError, ValueError, OverflowError):
            sound = False
        if not sound:
            raise BadRowError("heads is no list of heads")
    return found


def removal_row(row: Row) -> Values:
    """name, rows."""
    return _text(row[0], "name"), _count(row[1], "rows")


def take_row(row: Row) -> Values:
    """id, began, ended, first, last, belief, geometry, camera."""
    number, began, ended, first, last, *studio = row
    return (
        _id(number),
        _unix_s(began, "began"),
        None if ended is None else _unix_s(ended, "ended"),
        _light(first, "first"),
        None if last is None else _light(last, "last"),
        *(
            None if own is None else _object(own, name)
            for name, own in zip(STUDIO_COLUMNS, studio, strict=True)
        ),
    )


def first_line(error: Exception) -> str:
    """Return the first fault of an error, in one line."""
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_context=False)[0]
        return f"{'.'.join(map(str, first['loc']))} {first['msg']}".strip()
    return str(error).partition("\n")[0]


@dataclass(frozen=True)
class RowTable:
    """A table's columns, the check of its rows, and the name of a row, one and several.

    `absent` gives the values of columns that the file lacks.
    """

    columns: tuple[str, ...]
    check: Callable[[Row], Values]
    one: str
    several: str
    absent: Mapping[str, Any] = field(default_factory=dict)

    @property
    def listed(self) -> str:
        return ", ".join(self.columns)


TABLES = {
    "remembered": RowTable(("id", "saved_at", "body"), remembered_row, "state", "states", {"saved_at": 0.0}),
    "undoable": RowTable(
        ("id", "body"), undoable_row, "order that can be taken back", "orders that can be taken back"
    ),
    "journal": RowTable(
        ("id", "at", "who", "door", "address", "said", "outcome", "note", "times", "last_at"),
        journal_row,
        "journal entry",
        "journal entries",
        {"who": "", "door": "", "address": "", "note": "", "times": 1, "last_at": None},
    ),
    "identity": RowTable(("name", "value"), identity_row, "identity", "identities"),
    "reading": RowTable(
        ("id", "at", "who", "purpose", "body", "struck"), reading_row, "reading", "readings", {"who": ""}
    ),
    "calibration": RowTable(
        ("id", "at", "meter", "readings", "body", "chosen", "spans"),
        calibration_row,
        "calibration",
        "calibrations",
        {"meter": "{}", "readings": "[]", "chosen": 0, "spans": "[]"},
    ),
    "metering": RowTable(
        ("id", "calibration", "routine", "weighed", "heads"),
        metering_row,
        "calibration in use",
        "calibrations in use",
        {"calibration": None, "routine": None, "weighed": 0, "heads": None},
    ),
    "removal": RowTable(("name", "rows"), removal_row, "count of rows let go", "counts of rows let go"),
    "take": RowTable(
        ("id", "began", "ended", "first", "last", *STUDIO_COLUMNS),
        take_row,
        "take",
        "takes",
        {"ended": None, "last": None, **dict.fromkeys(STUDIO_COLUMNS)},
    ),
}
"""Every table of the present schema; a test compares it with the migrations."""
