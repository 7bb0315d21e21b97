"""Stored metering: readings, calibrations, and the routine under way."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from fillside.belief.evidence import HeadEvent, Piece, Reading, time_of
from fillside.rig.calibration import Calibration
from fillside.storage.rows import (
    EVENT,
    TAPE,
    BadRowError,
    piece_in,
    purpose_of,
    reading_in,
    sensor_in,
    spans_in,
)
from fillside.storage.store import Store
from fillside.storage.writer import PersistentJob

T = TypeVar("T")
MOST_SPANS = 50
"""How many times that a calibration was gone back to are remembered of it, the latest."""


@dataclass(frozen=True)
class StoredReading:
    """A stored reading, tape measure or event; `body` is the data handed in, `struck` the reason for ignoring
    it."""

    id: int
    at: float
    who: str
    purpose: str
    body: dict[str, Any]
    struck: str | None


@dataclass(frozen=True)
class StoredCalibration:
    """A stored calibration.

    `meter` is the rig's meter table at the time, `readings` the numbers of its readings; `used` is true for
    the calibration in use.
    """

    id: int
    at: float
    meter: dict[str, Any]
    readings: tuple[int, ...]
    body: dict[str, Any]
    used: bool

    @property
    def calibration(self) -> Calibration:
        """The calibration itself; a row without a sound one is left out."""
        return Calibration.model_validate(self.body)

    @property
    def made_at(self) -> str:
        """The time at which it was made, in ISO 8601 and UTC, to the second."""
        return time_of(int(self.at))


def save_reading(
    store: Store, who: str, purpose: str, body: dict[str, Any], at: float | None = None
) -> Future[int]:
    """Store a reading; the future gives its number.

    Once the future is done, the reading survives a kill. `at` is its Unix time, now if left out.
    """
    row = (store.unix_clock() if at is None else at, who, purpose, _text(body))
    return store.write(lambda connection: _insert_reading(connection, row))


def save_readings(
    store: Store,
    who: str,
    pieces: Sequence[Piece],
    at: float | None = None,
    imported: tuple[int, Sequence[int]] | None = None,
) -> Future[list[int]]:
    """Store all of this evidence or none, with one Unix time; the future gives its numbers. `imported`
    is the calibration that came with it, and the numbers of what was stored already: it has all of them from
    then on.
    """
    at = store.unix_clock() if at is None else at
    bodies = [(purpose_of(one), one.model_dump(mode="json", exclude_none=True)) for one in pieces]
    rows = [(at, who, purpose, _text(body)) for purpose, body in bodies]

    def job(connection: sqlite3.Connection) -> list[int]:
        numbers = [_insert_reading(connection, row) for row in rows]
        if imported is not None:
            # It stays one that a person chose, though it is no longer known by having no readings.
            sql = "UPDATE calibration SET readings = ?, chosen = 1 WHERE id = ?"
            connection.execute(sql, (_text(sorted({*imported[1], *numbers})), imported[0]))
        return numbers

    return store.write(job)


def _insert_reading(connection: sqlite3.Connection, row: tuple[float, str, str, str]) -> int:
    found = connection.execute("INSERT INTO reading (at, who, purpose, body) VALUES (?, ?, ?, ?)", row)
    return int(found.lastrowid or 0)


def strike_reading(store: Store, number: int, why: str) -> Future[bool]:
    """Exclude a reading from use; the future tells if there was one of this number."""

    def job(connection: sqlite3.Connection) -> bool:
        found = connection.execute(
            "UPDATE reading SET struck = ? WHERE id = ? AND struck IS NULL", (why, number)
        )
        return found.rowcount > 0

    return store.write(job)


def revert(store: Store, sql: str, *values: Any) -> Future[Any]:
    """Undo data that was stored although the order was refused, now or as soon as possible."""
    return store.keep(PersistentJob(lambda connection: connection.execute(sql, values)))


def readings(store: Store, most: int = 100, before: int | None = None) -> list[StoredReading]:
    """Return the newest readings first, at most `most`, all with numbers below `before`."""
    return _readings(store, "id < ? ORDER BY id DESC", (2**62 if before is None else before,), most)


def readings_of(store: Store, numbers: Sequence[int]) -> list[StoredReading]:
    """Return the readings with these numbers in order, without struck ones."""
    return _readings(
        store,
        "id IN (SELECT value FROM json_each(?)) AND struck IS NULL ORDER BY id",
        (_text(list(numbers)),),
    )


def checks_since(store: Store, at: float, most: int = 200) -> list[StoredReading]:
    """Return the newest readings since a Unix time that show drift, in order, without struck ones."""
    found = _readings(
        store, "purpose IN ('check', 'lineup') AND struck IS NULL AND at >= ? ORDER BY id DESC", (at,), most
    )
    return found[::-1]


def _readings(
    store: Store, where: str, values: tuple[Any, ...], most: int | None = None
) -> list[StoredReading]:
    return [StoredReading(*row) for row in store.rows("reading", f"WHERE {where}", values, most)]


def valid_readings(store: Store, entries: Sequence[StoredReading]) -> list[tuple[StoredReading, Reading]]:
    """Return rows with their parsed readings; unparsable ones are left out and noted."""
    parsed = ((one, _parsed(store, one, reading_in)) for one in entries)
    return [(one, reading) for one, reading in parsed if reading is not None]


def valid_pieces(store: Store, entries: Sequence[StoredReading]) -> list[tuple[StoredReading, Piece]]:
    """Return rows with their parsed evidence, as `valid_readings` does."""
    parsed = ((one, _parsed(store, one, partial(piece_in, one.purpose))) for one in entries)
    return [(one, piece) for one, piece in parsed if piece is not None]


def told_of_heads(store: Store, most: int = 200) -> list[StoredReading]:
    """Return the newest tape measures and events in order, without struck ones."""
    sql = f"purpose IN ('{TAPE}', '{EVENT}') AND struck IS NULL ORDER BY id DESC"
    return _readings(store, sql, (), most)[::-1]


def sensors_with(store: Store, numbers: Sequence[int]) -> dict[int, tuple[str, float]]:
    """Return the sensor and its value [lux] beside each of the readings with these numbers, of rows from
    before readings had them in their own body."""
    rows = _readings(store, "purpose = 'sensor' ORDER BY id", ())
    told = (parsed for one in rows if (parsed := _parsed(store, one, sensor_in)) is not None)
    return {number: (name, lux) for name, lux, number in told if number in set(numbers)}


def _parsed(store: Store, one: StoredReading, read: Callable[[dict[str, Any]], T]) -> T | None:
    try:
        return read(one.body)
    except BadRowError as error:
        store.leave_out("reading", one.id, str(error))
        return None


def save_calibration(
    store: Store, meter: dict[str, Any], numbers: Sequence[int], body: dict[str, Any]
) -> Future[int]:
    """Store a calibration and use it from now on; the future gives its number."""
    at = store.unix_clock()
    row = (at, _text(meter), _text(list(numbers)), _text(body))

    def job(connection: sqlite3.Connection) -> int:
        found = connection.execute(
            "INSERT INTO calibration (at, meter, readings, body) VALUES (?, ?, ?, ?)", row
        )
        number = int(found.lastrowid or 0)
        _use(connection, number, at)
        return number

    return store.write(job)


def use_calibration(store: Store, number: int | None) -> Future[bool]:
    """Use an earlier calibration, or none; the future tells if there is one of this number."""
    at = store.unix_clock()

    def job(connection: sqlite3.Connection) -> bool:
        known = connection.execute("SELECT 1 FROM calibration WHERE id = ?", (number,)).fetchone()
        if number is not None and known is None:
            return False
        _use(connection, number, at)
        connection.execute("UPDATE calibration SET chosen = 1 WHERE id = ?", (number,))
        return True

    return store.write(job)


def revert_use(store: Store, number: int | None) -> Future[Any]:
    """Use what was used before an order that was refused, now or as soon as possible."""
    at = store.unix_clock()
    return store.keep(PersistentJob(lambda connection: _use(connection, number, at)))


def _use(connection: sqlite3.Connection, number: int | None, at: float) -> None:
    """Use a calibration, or none, from a Unix time on [s], and remember from when to when each was used."""
    (before,) = connection.execute("SELECT calibration FROM metering").fetchone() or (None,)
    if before == number:
        return
    for one, is_begun in ((before, False), (number, True)):
        row = connection.execute("SELECT at, spans FROM calibration WHERE id = ?", (one,)).fetchone()
        if row is not None:
            spans = _text(_used_from(_spans_in(row[1]), at) if is_begun else _used_until(row[0], row[1], at))
            connection.execute("UPDATE calibration SET spans = ? WHERE id = ?", (spans, one))
    connection.execute("UPDATE metering SET calibration = ?", (number,))


def _spans_in(text: object) -> list[list[float | None]]:
    """Return the spans in a column; none where it holds something else."""
    try:
        return [[begin, None if end == math.inf else end] for begin, end in spans_in(text)]
    except BadRowError:
        return []


def _used_from(spans: list[list[float | None]], at: float) -> list[list[float | None]]:
    return [*spans, [at, None]][-MOST_SPANS:]


def _used_until(made: float, text: object, at: float) -> list[list[float | None]]:
    """The spans of a calibration that is used no more; one of before they were kept was used since it was
    made."""
    spans = _spans_in(text) or [[made, None]]
    return [*spans[:-1], [spans[-1][0], max(at, spans[-1][0] or 0.0)]]


def newest_weighed(store: Store) -> int:
    """Return the highest number of a reading that is or was in any calibration; 0 if there is none."""
    sql = (
        "SELECT max(value) FROM calibration, json_each(CASE WHEN json_valid(readings) THEN readings "
        "ELSE '[]' END) WHERE type = 'integer'"
    )
    known = [number for (number,) in _found(store, sql) if number is not None]
    return max([*known, *(row[3] for row in store.rows("metering"))], default=0)


def calibration_at(store: Store, at: float) -> StoredCalibration | None:
    """Return the calibration that was in use at a Unix time [s], or None.

    Of those from before that was kept, the newest that was made by then.
    """
    sql = "SELECT id, at, spans FROM calibration ORDER BY id DESC"
    rows = [(number, made, _spans_in(spans)) for number, made, spans in _found(store, sql)]
    used = [number for number, _, spans in rows if any(_is_in(at, *span) for span in spans)]
    kept_since = min((spans[0][0] or 0.0 for _, _, spans in rows if spans), default=math.inf)
    if not used and at < kept_since:
        used = [number for number, made, spans in rows if not spans and made <= at]
    return calibration(store, used[0]) if used else None


def _is_in(at: float, begin: float | None, end: float | None) -> bool:
    return (begin or 0.0) <= at < (math.inf if end is None else end)


def _found(store: Store, sql: str) -> list[Any]:
    """Return what a question to the database finds; nothing where it cannot be read."""
    try:
        return store.read(lambda connection: connection.execute(sql).fetchall())
    except sqlite3.Error:
        return []


def current_calibration(store: Store) -> StoredCalibration | None:
    """Return the calibration in use, if any; an unreadable one is noted."""
    number = _number_in_use(store)
    found = None if number is None else calibration(store, number)
    if number is not None and found is None:
        store.add_note(f"calibration {number} cannot be read; the rig file alone is used")
    return found


def calibration_in_use(store: Store) -> tuple[Calibration | None, str | None]:
    """Return the calibration in use and the time at which it was made; None and None without one."""
    used = current_calibration(store)
    return (None, None) if used is None else (used.calibration, used.made_at)


def calibration(store: Store, number: int | None) -> StoredCalibration | None:
    """Return the calibration of this number, or None."""
    found = _calibrations(store, "id = ?", (number,))
    return found[0] if found else None


def calibrations(store: Store, most: int | None = 100, before: int | None = None) -> list[StoredCalibration]:
    """Return the newest calibrations first, at most `most` of those with a number below `before`."""
    return _calibrations(store, "id < ? ORDER BY id DESC", (before if before is not None else 2**62,), most)


def _calibrations(
    store: Store, where: str, values: tuple[Any, ...], most: int | None = None
) -> list[StoredCalibration]:
    used = _number_in_use(store)
    rows = store.rows("calibration", f"WHERE {where}", values, most)
    return [
        StoredCalibration(number, at, meter, numbers, body, number == used)
        for number, at, meter, numbers, body, *_ in rows
    ]


def _number_in_use(store: Store) -> int | None:
    found = store.rows("metering")
    return found[0][1] if found else None


def save_routine(store: Store, routine: dict[str, Any] | None) -> Future[Any]:
    """Store the progress of the routine, so that it can be resumed; None when none is under way."""
    text = None if routine is None else _text(routine)
    return store.keep(
        PersistentJob(
            lambda connection: connection.execute("UPDATE metering SET routine = ?", (text,)), "routine"
        )
    )


def load_routine(store: Store) -> dict[str, Any] | None:
    """Return the routine that was under way, or None."""
    found = store.rows("metering")
    return found[0][2] if found else None


def load_heads(store: Store) -> dict[str, Any] | None:
    """Return what the rig file said of its heads when it was last held, or None."""
    found = store.rows("metering")
    return found[0][4] if found else None


def save_heads(
    store: Store, heads: dict[str, Any], who: str, events: Sequence[HeadEvent], at: float
) -> list[Future[int | None]]:
    """Store what the rig file says of its heads, and an event for each of `events` whose head was ever
    metered; the futures give their numbers, None where it was not. It is tried until it is stored.
    """
    told = [
        store.keep(PersistentJob(partial(_insert_once, row=(at, who, EVENT, _text(body)), head=event.head)))
        for event, body in ((one, one.model_dump(mode="json", exclude_none=True)) for one in events)
    ]
    text = _text(heads)
    store.keep(PersistentJob(lambda connection: connection.execute("UPDATE metering SET heads = ?", (text,))))
    return told


def _insert_once(connection: sqlite3.Connection, row: tuple[float, str, str, str], head: str) -> int | None:
    """Store a piece of evidence of a head, though it may be tried twice; None if it was never metered."""
    known = connection.execute(
        "SELECT id FROM reading WHERE at = ? AND who = ? AND purpose = ? AND body = ?", row
    ).fetchone()
    if known is not None:
        return int(known[0])
    name = (f'"{head}"',) * 2
    metered = connection.execute(
        "SELECT EXISTS (SELECT 1 FROM reading WHERE purpose <> 'event' AND instr(body, ?) > 0) "
        "OR EXISTS (SELECT 1 FROM calibration WHERE instr(body, ?) > 0)",
        name,
    ).fetchone()[0]
    return _insert_reading(connection, row) if metered else None


def _text(value: Any) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))
