"""A damaged database renewed: every row that can be read and is right goes into a new one.

The damaged file is kept under a name with the date, byte for byte, and its log beside it. Rows are looked for
forward, backward and one by one, since a page that cannot be read hides only the rows that are on it; a
damaged beginning of the file is replaced, for reading only, by that of a new database.
"""

from __future__ import annotations

import contextlib
import logging
import os
import re
import shutil
import sqlite3
import struct
import tempfile
import time
from collections.abc import Collection, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from fillside.bounds import BEGINS, LONGEST_SAID, MOST_DAMAGED, OCTETS_DAMAGED
from fillside.storage.folder import PRIVATE_FILE
from fillside.storage.migrate import migrate, migrations
from fillside.storage.records.rows import TABLES, BadRowError, Row, RowTable, readable_text
from fillside.storage.repair.check import read_only_connection, schema_columns

FAULTS = (sqlite3.Error, UnicodeError, OverflowError)
"""What reading a damaged file may raise; a message of SQLite that quotes it need not be text."""
MOST_MISSED = 5_000
"""Rows are asked for one by one between those found in order, until so many in a row could not be read."""
MOST_SPANNED = 20_000
"""Missing rows are not counted beyond this, since a damaged number may be of any size."""
MOST_FILLED_UP = 64
"""A file that was cut off is read as if it were whole up to so many times the length that is left."""
NUMBERED = ("reading", "calibration", "take", "journal")
"""Tables whose rows are numbered without a gap, so that missing ones can be counted."""
_HEADER, _PAGE = 100, 4096
_BESIDE = "renewed-"
_SUFFIXES = ("", "-wal", "-shm")
_NUMBERED = re.compile(r"(\d{4}-\d\d-\d\d-\d{6})-(\d+)")

log = logging.getLogger(__name__)


@dataclass
class SalvagedRows:
    """What a damaged database gives: whole rows by table, and how many were not whole.

    `uncounted` has the tables of which nobody can say how many rows there were.
    """

    rows: dict[str, list[Row]] = field(default_factory=lambda: {name: [] for name in TABLES})
    lost_counts: dict[str, int] = field(default_factory=dict)
    uncounted: set[str] = field(default_factory=set)

    @property
    def empty(self) -> bool:
        return not any(self.rows.values())

    @property
    def summary(self) -> str:
        """What is lost, in one line."""
        return "; ".join(self.losses()) or "everything in it could be read"

    def losses(self) -> list[str]:
        """What is lost, a phrase for each kind of thing."""
        if self.empty:
            return ["nothing in it could be read, so the light begins from the rig file"]
        said = [
            self._counted(name, self.lost_counts.get(name, 0), len(self.rows[name]))
            for name in NUMBERED
            if self.lost_counts.get(name) or name in self.uncounted
        ]
        if not self.rows["remembered"]:
            said.append("the light that was held could not be read, so it begins from the rig file")
        if "undoable" in self.uncounted:
            said.append("earlier orders cannot be taken back, since some of them could not be read")
        if not self.rows["metering"]:
            said.append("which calibration is used could not be read, so the rig file alone is")
        if not self.rows["identity"]:
            said.append("the name on the network could not be read, so there is a new one")
        return said

    def _counted(self, name: str, lost: int, kept: int) -> str:
        table = TABLES[name]
        if name not in self.uncounted:
            return f"{lost} of {lost + kept} {table.several} could not be read"
        if kept == 0:
            return f"none of the {table.several} could be read"
        some = f"at least {lost} {table.one if lost == 1 else table.several}" if lost else "some"
        return f"{kept} {table.one if kept == 1 else table.several} could be read, {some} could not"


def renew(path: Path, why: str) -> str:
    """Put a new database with every whole row in place of the damaged one; what to tell people.

    Raises OSError or sqlite3.Error where the disk does not take it; nothing has changed then.
    """
    found = salvage_rows(path)
    for left_by_a_kill in path.parent.glob(f"{_BESIDE}*"):
        shutil.rmtree(left_by_a_kill, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=_BESIDE, dir=path.parent) as beside:
        fresh = Path(beside) / path.name
        write_database(fresh, found)
        aside = _exchanged(path, fresh)
    with contextlib.suppress(OSError):
        remove_old_damaged(path)
    return f"the store was damaged ({why}): {found.summary}; the damaged file is kept as {aside.name}"


def remove_old_damaged(path: Path) -> None:
    """Remove damaged databases beside the one at `path` that are beyond their bound, the oldest first."""
    found: dict[str, list[Path]] = {}
    for each in path.parent.glob(f"{path.name}.damaged-*"):
        found.setdefault(each.name.removesuffix("-wal").removesuffix("-shm"), []).append(each)
    octets = 0
    for number, name in enumerate(sorted(found, key=_in_order, reverse=True), start=1):
        octets += sum(each.lstat().st_size for each in found[name])
        if number > 1 and (number > MOST_DAMAGED or octets > OCTETS_DAMAGED):
            log.warning("%s is removed: newer damaged databases are kept", name)
            for each in found[name]:
                with contextlib.suppress(OSError):
                    shutil.rmtree(each) if each.is_dir() and not each.is_symlink() else each.unlink()


def _in_order(name: str) -> tuple[str, int]:
    """The date in the name of a damaged database, and its number among those of one second."""
    date, number = name.rpartition("damaged-")[2], 1
    if match := _NUMBERED.fullmatch(date):
        date, number = match[1], int(match[2])
    return date, number


def salvage_rows(path: Path) -> SalvagedRows:
    """Every row of a damaged database that can be read and is right."""
    found = SalvagedRows(uncounted=set(NUMBERED))
    if not path.is_file():
        return found  # to open a pipe is to wait for its other end
    for way in _ways_into(path):
        with closing(way) as connection, contextlib.suppress(*FAULTS):
            connection.text_factory = readable_text
            found = _read(connection)
            if not found.empty:
                return found
    return found


def _ways_into(path: Path) -> Iterator[sqlite3.Connection]:
    """The database as it is with its log; with a new header; with a new first page."""
    with contextlib.suppress(sqlite3.Error):
        yield read_only_connection(path)
    try:
        octets = path.read_bytes()
    except OSError:
        return
    # Of a file that was cut off, a table that would begin behind its end keeps SQLite from all the others.
    octets += bytes(max(0, _stated_size(octets) - len(octets)))
    first = _first_page_of_a_new_one(max(1, len(octets) // _PAGE))
    for length in (_HEADER, _PAGE):
        if len(octets) > length:
            connection = sqlite3.connect(":memory:", isolation_level=None)
            with contextlib.suppress(sqlite3.Error):
                connection.deserialize(first[:length] + octets[length:])
            yield connection


def _stated_size(octets: bytes) -> int:
    """How long the file was by its own header [octets]; 0 where that cannot be."""
    if len(octets) < _HEADER:
        return 0
    (pages,) = struct.unpack(">I", octets[28:32])  # sqlite.org/fileformat2.html, 1.3.7
    return pages * _PAGE if pages * _PAGE <= MOST_FILLED_UP * len(octets) else 0


def _first_page_of_a_new_one(pages: int) -> bytes:
    """The first page of a new database, which says that there are so many in all."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        migrate(connection, Path(":memory:"))
        page = bytearray(connection.serialize()[:_PAGE])
    # The size counts where "version valid for" is the change counter: sqlite.org/fileformat2.html, 1.3.7.
    page[28:32] = struct.pack(">I", pages)
    page[92:96] = page[24:28]
    return bytes(page)


def _read(connection: sqlite3.Connection) -> SalvagedRows:
    names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    expected, found = _tables_expected(connection), SalvagedRows()
    let_go = _let_go(connection, "removal" in expected)
    for name, table in TABLES.items():
        if name in names:
            _read_table(connection, name, table, found, let_go.get(name, 0))
        elif name in expected:
            found.uncounted.add(name)
    # What is missing now is known to be, and would be counted as lost once more.
    found.rows["removal"] = [
        (name, max(row[0] for row in found.rows[name]) - len(found.rows[name]))
        for name in NUMBERED
        if found.rows[name]
    ]
    used = found.rows["metering"]
    if used and used[0][1] is not None and used[0][1] not in {row[0] for row in found.rows["calibration"]}:
        used.clear()
    if found.lost_counts.get("undoable") or "undoable" in found.uncounted:
        # Each order is taken back from what the next one found: with one missing the others would be wrong.
        found.uncounted.add("undoable")
        found.rows["undoable"].clear()
    return found


def _tables_expected(connection: sqlite3.Connection) -> Collection[str]:
    """The tables of the schema that the file claims to be of; all, where that cannot be."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return schema_columns(version) if 0 < version <= len(migrations()) else TABLES


def _let_go(connection: sqlite3.Connection, is_counted: bool) -> dict[str, int | None]:
    """How many rows of each table were let go, None where that cannot be told; before they were counted it
    was the journal's first."""
    found: dict[str, int | None] = {} if is_counted else {"journal": None}
    with contextlib.suppress(BadRowError, *FAULTS):
        if is_counted:
            for row in connection.execute("SELECT name, rows FROM removal"):
                found.update([TABLES["removal"].check(row)])
        else:
            (first,) = connection.execute("SELECT min(rowid) FROM journal").fetchone()
            found["journal"] = max(first or 1, 1) - 1
    # The journal's row is there from the beginning: where it is not, others may be missing too.
    return found if "journal" in found else dict.fromkeys(NUMBERED)


def _read_table(
    connection: sqlite3.Connection, name: str, table: RowTable, found: SalvagedRows, let_go: int | None
) -> None:
    try:
        has = {row[1] for row in connection.execute(f"PRAGMA table_info({name})")}
    except FAULTS:
        found.uncounted.add(name)
        return
    columns = ", ".join(_read_as(name, each) if each in has else "NULL" for each in table.columns)
    rows, in_order, ended = _rows(connection, f"SELECT rowid, {columns} FROM {name}")
    if not (in_order or (ended and name in NUMBERED and let_go is not None)):
        found.uncounted.add(name)
    for row in rows.values():
        filled = tuple(
            value if column in has else table.absent.get(column)
            for column, value in zip(table.columns, row, strict=True)
        )
        with contextlib.suppress(BadRowError):
            table.check(filled)
            found.rows[name].append(filled)
    found.lost_counts[name] = _lost(name, rows, len(found.rows[name]), let_go)


def _lost(name: str, rows: dict[int, Row], good: int, let_go: int | None) -> int:
    """How many rows there were beside the good ones, as far as their numbers tell."""
    if not rows:
        return 0
    spanned = 0 if let_go is None else max(rows) - let_go
    numbered = name in NUMBERED and spanned <= 2 * len(rows) + MOST_SPANNED
    return max(len(rows), spanned if numbered else 0) - good


def _read_as(table: str, column: str) -> str:
    """A column as it is taken over: of an order that is too long what the journal would keep, so that an old
    one fits into the memory of a small machine."""
    if (table, column) != ("journal", "said"):
        return column
    return (
        f"CASE WHEN length(said) > {LONGEST_SAID} AND json_valid(said) THEN json_patch('{{}}', json_object("
        "'do', CASE WHEN said LIKE '{%' THEN json_extract(said, '$.do') END, "
        f"'begins', substr(said, 1, {BEGINS}), 'characters', length(said))) ELSE said END"
    )


def _rows(connection: sqlite3.Connection, select: str) -> tuple[dict[int, Row], bool, bool]:
    """Rows by their number, whether all could be read in order, and whether both ends were reached."""
    rows: dict[int, Row] = {}
    if _walk(connection, f"{select} ORDER BY rowid", rows):
        return dict(sorted(rows.items())), True, True
    last = max(rows, default=0)
    _walk(connection, f"{select} ORDER BY rowid DESC", rows, until=last)
    beyond = min((number for number in rows if number > last), default=None)
    number, missed = last + 1, 0
    while number != beyond and missed < MOST_MISSED:
        _walk(connection, f"{select} WHERE rowid = {number}", rows)
        missed = 0 if number in rows else missed + 1
        number += 1
    return dict(sorted(rows.items())), False, last > 0 and beyond is not None


def _walk(connection: sqlite3.Connection, select: str, rows: dict[int, Row], until: int = 0) -> bool:
    """Take up rows until one cannot be read or that number is reached; whether all could."""
    try:
        for number, *row in connection.execute(select):
            if number < 1:
                return False  # no row of ours has such a number: octets of zero read as one
            if number <= until:
                return True
            rows[number] = row
    except FAULTS:
        return False
    return True


def write_database(path: Path, found: SalvagedRows) -> None:
    """A new database at `path` with these rows, closed and on the disk."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, PRIVATE_FILE))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        migrate(connection, path)
        insert_rows(connection, found)


def insert_rows(connection: sqlite3.Connection, found: SalvagedRows) -> None:
    """Put the rows into a new database."""
    connection.execute("BEGIN IMMEDIATE")
    # Which calibration is used comes after the calibrations, as the database insists.
    for name in sorted(TABLES, key=lambda name: name == "metering"):
        table = TABLES[name]
        marks = ", ".join("?" * len(table.columns))
        connection.executemany(
            f"INSERT OR REPLACE INTO {name} ({table.listed}) VALUES ({marks})", found.rows[name]
        )
    connection.execute("COMMIT")


def _exchanged(path: Path, fresh: Path) -> Path:
    """Keep what is at `path` under a new name, and put the fresh file there; the new name."""
    aside = _free_name(path)
    for suffix in _SUFFIXES[1:]:
        beside = path.with_name(path.name + suffix)
        if os.path.lexists(beside):
            beside.rename(aside.with_name(aside.name + suffix))
    if os.path.lexists(path):
        _keep(path, aside)
    fresh.replace(path)
    _sync(path.parent)
    return aside


def _keep(path: Path, aside: Path) -> None:
    """A second name, so that there is no moment without a database; where that cannot be, the only one."""
    try:
        if path.is_symlink() or not path.is_file():
            path.rename(aside)
        else:
            os.link(path, aside)
    except OSError:
        if path.is_dir():
            raise
        shutil.copy2(path, aside)


def _free_name(path: Path) -> Path:
    """`NAME.damaged-DATE`, with a number where something has that name."""
    stem = f"{path.name}.damaged-{time.strftime('%Y-%m-%d-%H%M%S')}"
    number, aside = 1, path.with_name(stem)
    while any(os.path.lexists(aside.with_name(aside.name + suffix)) for suffix in _SUFFIXES):
        number += 1
        aside = path.with_name(f"{stem}-{number}")
    return aside


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
