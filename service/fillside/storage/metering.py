"""What the meter said and what was made of it: readings, calibrations, and the routine under way."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from fillside.storage.store import Store
from fillside.storage.writer import Lasting

FIELDS = "id, at, who, purpose, body, struck"


@dataclass(frozen=True)
class KeptReading:
    """A reading as it is kept; `body` is what was handed in, `struck` why it does not count any more."""

    id: int
    at: float
    who: str
    purpose: str
    body: dict[str, Any]
    struck: str | None


@dataclass(frozen=True)
class KeptCalibration:
    """A calibration as it is kept, with the rig's meter table then, the numbers of its readings and whether
    it is the one in use."""

    id: int
    at: float
    meter: dict[str, Any]
    readings: tuple[int, ...]
    body: dict[str, Any]
    used: bool


def keep_reading(
    store: Store, who: str, purpose: str, body: dict[str, Any], sensor: tuple[str, float] | None = None
) -> Future[int]:
    """Keep a reading, and what a sensor [name, lux] showed beside it; once the future is done it outlives a
    kill. Gives its number."""
    row = (time.time(), who, purpose, _text(body))

    def job(connection: sqlite3.Connection) -> int:
        number = _insert_reading(connection, row)
        if sensor is not None:
            beside = _text({"sensor": sensor[0], "lux": sensor[1], "reading": number})
            _insert_reading(connection, (row[0], f"sensor {sensor[0]}", "sensor", beside))
        return number

    return store.write(job)


def keep_readings(
    store: Store, who: str, purpose: str, bodies: Sequence[dict[str, Any]]
) -> Future[list[int]]:
    """Keep all of these readings or none; gives their numbers."""
    rows = [(time.time(), who, purpose, _text(body)) for body in bodies]
    return store.write(lambda connection: [_insert_reading(connection, row) for row in rows])


def _insert_reading(connection: sqlite3.Connection, row: tuple[float, str, str, str]) -> int:
    found = connection.execute("INSERT INTO reading (at, who, purpose, body) VALUES (?, ?, ?, ?)", row)
    return int(found.lastrowid or 0)


def strike_reading(store: Store, number: int, why: str) -> Future[bool]:
    """Let a reading not count any more; whether there was such a one."""

    def job(connection: sqlite3.Connection) -> bool:
        found = connection.execute(
            "UPDATE reading SET struck = ? WHERE id = ? AND struck IS NULL", (why, number)
        )
        return found.rowcount > 0

    return store.write(job)


def put_right(store: Store, sql: str, *values: Any) -> Future[Any]:
    """Undo what was stored though it was refused, now or as soon as that can be stored."""
    return store.keep(Lasting(lambda connection: connection.execute(sql, values)))


def readings(store: Store, most: int = 100, before: int | None = None) -> list[KeptReading]:
    """The newest readings first, at most `most`, all with numbers below `before`."""
    return _readings(store, "id < ? ORDER BY id DESC LIMIT ?", (2**62 if before is None else before, most))


def readings_of(store: Store, numbers: Sequence[int]) -> list[KeptReading]:
    """The readings with these numbers, struck ones left out, in their order."""
    return _readings(
        store,
        "id IN (SELECT value FROM json_each(?)) AND struck IS NULL ORDER BY id",
        (_text(list(numbers)),),
    )


def checks_since(store: Store, at: float, most: int = 200) -> list[KeptReading]:
    """The newest readings since a Unix time that tell of drift, in their order; struck ones left out."""
    found = _readings(
        store,
        "purpose IN ('check', 'lineup') AND struck IS NULL AND at >= ? ORDER BY id DESC LIMIT ?",
        (at, most),
    )
    return found[::-1]


def _readings(store: Store, where: str, values: tuple[Any, ...]) -> list[KeptReading]:
    rows = store.read(
        lambda connection: connection.execute(
            f"SELECT {FIELDS} FROM reading WHERE {where}", values
        ).fetchall()
    )
    return [KeptReading(r[0], r[1], r[2], r[3], json.loads(r[4]), r[5]) for r in rows]


def sensors_with(store: Store, numbers: Sequence[int]) -> dict[str, list[float]]:
    """What each sensor showed [lux] when the readings with these numbers were taken."""
    rows = store.read(
        lambda connection: connection.execute(
            "SELECT json_extract(body, '$.sensor'), json_extract(body, '$.lux') FROM reading "
            "WHERE purpose = 'sensor' "
            "AND json_extract(body, '$.reading') IN (SELECT value FROM json_each(?))",
            (_text(list(numbers)),),
        ).fetchall()
    )
    found: dict[str, list[float]] = {}
    for name, lux in rows:
        found.setdefault(name, []).append(float(lux))
    return found


def keep_calibration(
    store: Store, meter: dict[str, Any], numbers: Sequence[int], body: dict[str, Any]
) -> Future[int]:
    """Keep a calibration and use it from now on; gives its number."""
    row = (time.time(), _text(meter), _text(list(numbers)), _text(body))

    def job(connection: sqlite3.Connection) -> int:
        found = connection.execute(
            "INSERT INTO calibration (at, meter, readings, body) VALUES (?, ?, ?, ?)", row
        )
        number = int(found.lastrowid or 0)
        connection.execute("UPDATE metering SET calibration = ?", (number,))
        return number

    return store.write(job)


def use_calibration(store: Store, number: int | None) -> Future[bool]:
    """Use an earlier calibration, or none; whether there is such a one."""

    def job(connection: sqlite3.Connection) -> bool:
        known = connection.execute("SELECT 1 FROM calibration WHERE id = ?", (number,)).fetchone()
        if number is not None and known is None:
            return False
        connection.execute("UPDATE metering SET calibration = ?", (number,))
        return True

    return store.write(job)


def newest_weighed(store: Store) -> int:
    """The highest number of a reading that is in any calibration, 0 without one."""
    row = store.read(
        lambda connection: connection.execute(
            "SELECT max(each.value) FROM calibration, json_each(calibration.readings) AS each"
        ).fetchone()
    )
    return int(row[0] or 0)


def used_calibration(store: Store) -> KeptCalibration | None:
    """The calibration in use, if any."""
    found = _calibrations(store, "c.id = m.calibration", ())
    return found[0] if found else None


def calibration(store: Store, number: int | None) -> KeptCalibration | None:
    """The calibration of that number, if there is one."""
    found = _calibrations(store, "c.id = ?", (number,))
    return found[0] if found else None


def calibrations(store: Store, most: int = 100, before: int | None = None) -> list[KeptCalibration]:
    """The newest calibrations first, at most `most` of those with a number below `before`."""
    limits = (before if before is not None else 2**62, most)
    return _calibrations(store, "c.id < ? ORDER BY c.id DESC LIMIT ?", limits)


def _calibrations(store: Store, where: str, values: tuple[Any, ...]) -> list[KeptCalibration]:
    rows = store.read(
        lambda connection: connection.execute(
            "SELECT c.id, c.at, c.meter, c.readings, c.body, c.id IS m.calibration "
            f"FROM calibration AS c, metering AS m WHERE {where}",
            values,
        ).fetchall()
    )
    return [
        KeptCalibration(r[0], r[1], json.loads(r[2]), tuple(json.loads(r[3])), json.loads(r[4]), bool(r[5]))
        for r in rows
    ]


def keep_routine(store: Store, routine: dict[str, Any] | None) -> Future[Any]:
    """Keep where the routine is, so that it can be resumed; None when none is under way."""
    text = None if routine is None else _text(routine)
    return store.keep(
        Lasting(lambda connection: connection.execute("UPDATE metering SET routine = ?", (text,)), "routine")
    )


def kept_routine(store: Store) -> dict[str, Any] | None:
    """The routine that was under way, or None."""
    row = store.read(lambda connection: connection.execute("SELECT routine FROM metering").fetchone())
    body: dict[str, Any] | None = None if row is None or row[0] is None else json.loads(row[0])
    return body


def _text(value: Any) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))
