"""A data folder as a killed daemon leaves it, and single damages to it: bytes, files, tables, rows.

`kept_folder` makes the folder with the product itself; a damage is a function of the folder and says by its
name what it does. Nothing here knows how a daemon mends what it finds.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from fillside.belief.evidence import Reading
from fillside.hold.machine.hold import Hold
from fillside.hold.memory.undo import stored_order
from fillside.orders.parsing import parse_order
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering
from fillside.storage.records.journal import Journal, Visitor
from fillside.storage.records.saved_state import persistent_identity, save_state, undoable_orders_job
from fillside.storage.records.takes import TakeRecorder
from fillside.storage.store import FILE, Store

PAGE = 4096
JOURNALLED, READ, TAKEN = 120, 12, 4
IDENTITY = "6f2b4c1e-0d5a-4f7e-9b3c-2a1d0e9f8b7c"
ANNA = Visitor("anna", "http", "127.0.0.1")
TABLES = {
    "remembered": ("saved_at", "body"),
    "undoable": ("body",),
    "journal": ("at", "who", "door", "address", "said", "outcome", "note", "times", "last_at"),
    "identity": ("name", "value"),
    "reading": ("at", "who", "purpose", "body", "struck"),
    "calibration": ("at", "meter", "readings", "body", "chosen", "spans"),
    "metering": ("calibration", "routine", "weighed", "heads"),
    "removal": ("rows",),
    "take": ("began", "ended", "first", "last", "belief", "geometry", "camera"),
}
"""Every table with the columns that a damage can write another value in."""
JSON_COLUMNS = (
    ("remembered", "body"),
    ("undoable", "body"),
    ("journal", "said"),
    ("reading", "body"),
    ("calibration", "meter"),
    ("calibration", "readings"),
    ("calibration", "body"),
    ("calibration", "spans"),
    ("metering", "routine"),
    ("metering", "heads"),
    ("take", "first"),
    ("take", "last"),
    ("take", "belief"),
    ("take", "geometry"),
    ("take", "camera"),
)
WRONG_VALUES = {
    "nothing": None,
    "a blob": b"\xff\xfe\x00",
    "a word": "x",
    "a number": -17,
    "infinity": float("inf"),
}
WRONG_JSON = {
    "torn": '{"at": [0.0',
    "NaN": "NaN",
    "infinity": '{"saved_at": Infinity, "at": [1e999, 0, 0]}',
    "a list": "[1, [2, []]]",
    "too deep": "[" * 100_000,
    "too long a number": '{"at": ' + "9" * 5000 + "}",
    "half a surrogate": '{"who": "\\ud800"}',
}


@dataclass(frozen=True)
class Damage:
    name: str
    do: Callable[[Path], object]


def kept_folder(folder: Path, rig: Rig) -> None:
    """Fill a folder with everything a daemon keeps, and leave it as kill -9 would: with its log beside."""
    with tempfile.TemporaryDirectory() as made:
        with Store.open(Path(made)) as store:
            _fill(store, rig, range(JOURNALLED // 2), range(READ // 2))
        with Store.open(Path(made)) as store:
            _fill(store, rig, range(JOURNALLED // 2, JOURNALLED), range(READ // 2, READ))
            for name in (FILE, f"{FILE}-wal", f"{FILE}-shm"):
                shutil.copyfile(Path(made) / name, folder / name)


def _fill(store: Store, rig: Rig, orders: range, readings: range) -> None:
    hold = Hold(rig)
    takes, journal = TakeRecorder(store), Journal(store)
    for number in orders:
        journal.write(ANNA, {"do": "expose", "by": number / 100}, "ok", "exposure is " + "x" * (number % 40))
    for do in ("freeze", "follow") * (TAKEN // 4):
        hold.order(parse_order({"do": do}), 0.0)
        takes.record(hold.snapshot().model_dump(mode="json") | {"routine": None})
    hold.order(parse_order({"do": "trim", "role": "fill", "by": -0.5}), 0.0)
    hold.order(parse_order({"do": "freeze"}), 0.0)
    hold.tick(60.0)
    numbers = [_read(store, rig, number) for number in readings]
    key = rig.heads[0].name
    calibration = Calibration.model_validate({"heads": {key: {"intensity_cd": 1500.0, "sigma_stops": 0.04}}})
    meter = rig.meter.model_dump(mode="json")
    metering.save_calibration(store, meter, numbers, calibration.model_dump(mode="json")).result()
    metering.save_routine(store, {"kind": "calibrate", "began": 1.0, "stage": "prepare"}).result()
    persistent_identity(store, "cid", lambda: IDENTITY)
    orders = hold.history.numbered.items()
    store.keep(undoable_orders_job({number: stored_order(hold.scene, each).text for number, each in orders}))
    save_state(store, hold.remember().model_dump(mode="json", exclude={"undoable"})).result()


def _read(store: Store, rig: Rig, number: int) -> int:
    reading = Reading(heads=(rig.heads[0].name,), levels=(1.0,), at=rig.first_mark, value=640.0 + number)
    purpose = "check" if number % 3 == 2 else "calibrate"
    return metering.save_reading(store, "anna", purpose, reading.model_dump(mode="json")).result()


def light_kept(folder: Path) -> dict[str, Any]:
    """What of the light the folder remembers; for tests that want it held after a damage elsewhere."""
    with contextlib.closing(sqlite3.connect(folder / FILE)) as connection:
        (text,) = connection.execute("SELECT body FROM remembered").fetchone()
        orders = connection.execute("SELECT body FROM undoable ORDER BY id").fetchall()
    found: dict[str, Any] = json.loads(text)
    return {**found, "undoable": [order for (order,) in orders]}


def all_damages(folder: Path) -> Iterator[Damage]:
    """Every damage there is, made for this folder."""
    yield from bytes_of_the_file(pages_of(folder))
    yield from bytes_of_the_log((folder / f"{FILE}-wal").stat().st_size)
    yield from other_files()
    yield from tables()
    yield from rows()


def pages_of(folder: Path) -> int:
    """How many pages the file has once its log is written into it; looked up beside."""
    with tempfile.TemporaryDirectory() as beside:
        for name in (FILE, f"{FILE}-wal"):
            shutil.copyfile(folder / name, Path(beside) / name)
        with contextlib.closing(sqlite3.connect(Path(beside) / FILE)) as connection:
            return int(connection.execute("PRAGMA page_count").fetchone()[0])


def bytes_of_the_file(pages: int) -> Iterator[Damage]:
    """After a clean stop, when all is in the one file."""
    size = pages * PAGE
    for at in (0, 15, 16, 18, 19, 20, 24, 28, 40, 44, 47, 56, 59, 60, 61, 62, 96, 100, 101, 103, 105, 107):
        yield _at(f"header octet {at} turned over", FILE, partial(_turned, at=at))
    for page in range(pages):
        for within in (0, 3, 5, 8, 2000, 4090):
            yield _at(
                f"page {page + 1}, octet {within} turned over",
                FILE,
                partial(_turned, at=page * PAGE + within),
            )
        yield _at(f"page {page + 1} zeroed", FILE, partial(_filled, at=page * PAGE, much=PAGE, by=0))
        yield _at(f"page {page + 1} all ones", FILE, partial(_filled, at=page * PAGE, much=PAGE, by=0xFF))
        yield _at(
            f"page {page + 1} torn", FILE, partial(_filled, at=page * PAGE + PAGE // 2, much=PAGE // 2, by=0)
        )
    for left in (0, 1, 50, 100, 511, PAGE, PAGE + 1, size // 2, size - PAGE, size - 1):
        yield _at(f"cut off after {left} octets", FILE, partial(_cut, left=left))
    yield _at("header zeroed", FILE, partial(_filled, at=0, much=100, by=0))
    yield _at("the second half zeroed", FILE, partial(_filled, at=size // 2, much=size, by=0))


def bytes_of_the_log(size: int) -> Iterator[Damage]:
    """After a kill, when the newest is in the log beside the file."""
    for name in (f"{FILE}-wal", f"{FILE}-shm"):
        for at in (0, 8, 16, 24, 32, 40, 56, 4000, size // 2, size - 100):
            yield _at(f"{name[-3:]} octet {at} turned over", name, partial(_turned, at=at))
        for left in (0, 1, 31, 33, 5000, size // 2):
            yield _at(f"{name[-3:]} cut off after {left} octets", name, partial(_cut, left=left))
        yield _at(f"{name[-3:]} zeroed", name, partial(_filled, at=0, much=size, by=0))
        yield _at(f"{name[-3:]} all ones", name, partial(_filled, at=0, much=size, by=0xFF))
        yield Damage(f"{name[-3:]} gone", partial(_gone, name=name))


def other_files() -> Iterator[Damage]:
    for content in (b"", b"this was never a database\n" * 400, b"\x89PNG\r\n\x1a\n" + bytes(5000), b"{}"):
        yield Damage(f"another file in its place: {content[:8]!r}", partial(_another, content=content))
    for name in (FILE, f"{FILE}-wal", f"{FILE}-shm", "lock"):
        yield Damage(f"a folder in place of {name}", partial(_folder, name=name))
    yield Damage("a pipe in its place", partial(_special, make=os.mkfifo))
    yield Damage("a socket in its place", partial(_special, make=_socket))
    yield Damage("a link to nowhere in its place", partial(_special, make=partial(os.symlink, "/nowhere/x")))
    yield Damage("a link to itself in its place", partial(_special, make=partial(os.symlink, FILE)))


def tables() -> Iterator[Damage]:
    for table, columns in TABLES.items():
        yield _sql(f"table {table} dropped", f"DROP TABLE {table}")
        yield _sql(f"table {table} empty", f"DELETE FROM {table}")
        for column in columns:
            if column not in ("name",):
                yield _sql(f"{table}.{column} dropped", f"ALTER TABLE {table} DROP COLUMN {column}")
                yield _sql(
                    f"{table}.{column} renamed", f"ALTER TABLE {table} RENAME COLUMN {column} TO {column}x"
                )
    for version in (0, 1, 2, -1, 2**24 + 3, 2**31 - 1):
        yield _sql(f"user_version {version}", f"PRAGMA user_version = {version}")
    yield _sql("a calibration in use that is not there", "UPDATE metering SET calibration = 999")
    yield _sql("another program's database", *(f"DROP TABLE {name}" for name in TABLES), "CREATE TABLE t (x)")


def rows() -> Iterator[Damage]:
    for table, columns in TABLES.items():
        for column in columns:
            for word, value in WRONG_VALUES.items():
                yield Damage(
                    f"{table}.{column} is {word}", partial(_written, table=table, column=column, value=value)
                )
            yield Damage(f"{table}.{column} is no UTF-8", partial(_no_utf8, table=table, column=column))
    for table, column in JSON_COLUMNS:
        for word, text in WRONG_JSON.items():
            yield Damage(
                f"{table}.{column} is JSON: {word}",
                partial(_written, table=table, column=column, value=text),
            )
        yield Damage(
            f"{table}.{column} is of 20 MB",
            partial(_written, table=table, column=column, value='{"x": "' + "y" * 20_000_000 + '"}'),
        )
    for body in (
        {"at": [0, 0, 1.2], "value": -5, "unit": "lux", "heads": ["key"], "levels": [1.0]},
        {"sensor": 5, "lux": "bright", "reading": "x"},
        {},
    ):
        yield Damage(
            f"reading.body is {sorted(body)}",
            partial(_written, table="reading", column="body", value=json.dumps(body)),
        )
    yield Damage(
        "reading.body is a sensor's, of words",
        partial(_sensor, body={"sensor": ["a"], "lux": "bright", "reading": 1}),
    )
    yield Damage(
        "identity.value is no identity", partial(_written, table="identity", column="value", value="-")
    )
    yield Damage(
        "calibration.readings holds words",
        partial(_written, table="calibration", column="readings", value='["a", {}, 1e400]'),
    )
    yield Damage(
        "calibration.body gives no light",
        partial(
            _written,
            table="calibration",
            column="body",
            value=json.dumps({"heads": {"key": {"curve": {"levels": [0.5], "outputs": [0.0]}}}}),
        ),
    )
    for at in (-1e300, 1e300, -62135596801.0, 253402300800.0):
        yield Damage(
            f"calibration.at is {at:g}", partial(_written, table="calibration", column="at", value=at)
        )


def _at(name: str, file: str, do: Callable[[bytearray], None]) -> Damage:
    def damage(folder: Path) -> None:
        path = folder / file
        if file == FILE:
            _without_log(folder)
        found = bytearray(path.read_bytes())
        do(found)
        path.write_bytes(found)

    return Damage(name, damage)


def _turned(found: bytearray, at: int) -> None:
    if at < len(found):
        found[at] ^= 0xFF


def _filled(found: bytearray, at: int, much: int, by: int) -> None:
    end = min(len(found), at + much)
    found[at:end] = bytes([by]) * (end - at)


def _cut(found: bytearray, left: int) -> None:
    del found[left:]


def _gone(folder: Path, name: str) -> None:
    (folder / name).unlink()


def _without_log(folder: Path) -> None:
    """Have everything in the one file, as a clean stop does."""
    with contextlib.closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def _another(folder: Path, content: bytes) -> None:
    _without_log(folder)
    (folder / FILE).write_bytes(content)


def _folder(folder: Path, name: str) -> None:
    (folder / name).unlink(missing_ok=True)
    (folder / name).mkdir()
    (folder / name / "something").write_text("kept")


def _special(folder: Path, make: Callable[[Path], object]) -> None:
    for suffix in ("", "-wal", "-shm"):
        (folder / f"{FILE}{suffix}").unlink(missing_ok=True)
    make(folder / FILE)


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(path))


def _sql(name: str, *statements: str) -> Damage:
    def damage(folder: Path) -> None:
        with contextlib.closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
            for statement in statements:
                connection.execute(statement)

    return Damage(name, damage)


def _written(folder: Path, table: str, column: str, value: object) -> None:
    """Another value in every second row and in the newest, whatever the table's own rules say."""
    with _lawless(folder, table) as connection:
        connection.execute(
            f"UPDATE OR REPLACE {table} SET {column} = ? "
            f"WHERE rowid % 2 = 1 OR rowid = (SELECT max(rowid) FROM {table})",
            (value,),
        )


def _no_utf8(folder: Path, table: str, column: str) -> None:
    with _lawless(folder, table) as connection:
        connection.execute(f"UPDATE OR REPLACE {table} SET {column} = CAST(x'22fffe22' AS TEXT)")


def _sensor(folder: Path, body: dict[str, Any]) -> None:
    with contextlib.closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        connection.execute(
            "INSERT INTO reading (at, who, purpose, body) VALUES (1, 'sensor', 'sensor', ?)",
            (json.dumps(body),),
        )


@contextlib.contextmanager
def _lawless(folder: Path, table: str) -> Iterator[sqlite3.Connection]:
    """A connection for which the table has no types and no rules; the file says afterwards that it has."""
    path = folder / FILE
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        (sql,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        loose = ", ".join(f"{name} INTEGER PRIMARY KEY" if name == "id" else name for name in columns)
        if columns[0] == "name":
            loose = f"name PRIMARY KEY, {columns[1]}"
        _say_schema(connection, table, f"CREATE TABLE {table} ({loose})")
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection
        _say_schema(connection, table, sql)


def _say_schema(connection: sqlite3.Connection, table: str, sql: str) -> None:
    connection.execute("PRAGMA writable_schema = ON")
    connection.execute("UPDATE sqlite_master SET sql = ? WHERE name = ?", (sql, table))
    connection.execute("PRAGMA writable_schema = OFF")
