"""Renewal of a damaged database: every readable, valid row goes into a new one.

The damaged file is kept under a name with the date, byte for byte, and its log beside it. Rows are searched
forward, backward and one by one, since an unreadable page hides only its own rows; a damaged beginning of the
file is replaced, for reading only, by that of a new database.
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
from collections.abc import Callable, Collection, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from fillside.bounds import DAMAGED_OCTETS, LONGEST_ORDER, MOST_DAMAGED, ORDER_EXCERPT
from fillside.storage.folder import PRIVATE_FILE
from fillside.storage.migrate import migrate, migrations
from fillside.storage.repair.check import read_only_connection, schema_columns
from fillside.storage.rows import TABLES, BadRowError, Row, RowTable, readable_text

FAULTS = (sqlite3.Error, UnicodeError, OverflowError)
"""Errors from reading a damaged file; a message of SQLite that quotes the file may not be valid text."""
MOST_MISSED = 5_000
"""Number of consecutive unreadable rows that ends the row-by-row search."""
MOST_SPANNED = 20_000
"""Limit for counting missing rows, since a damaged number may have any size."""
MOST_FILLED_UP = 64
"""Largest ratio to its present length up to which a truncated file is padded for reading."""
NUMBERED = ("reading", "calibration", "take", "journal")
"""Tables whose rows are numbered without a gap, so that missing ones can be counted."""
_HEADER, _PAGE = 100, 4096
_FRESH_PREFIX = "renewed-"
_SUFFIXES = ("", "-wal", "-shm")
_NUMBERED = re.compile(r"(\d{4}-\d\d-\d\d-\d{6})-(\d+)")

log = logging.getLogger(__name__)


@dataclass
class SalvagedRows:
    """The rows of a damaged database: valid rows by table, and the number of lost ones.

    `uncounted` has the tables whose full number of rows is unknown.
    """

    rows: dict[str, list[Row]] = field(default_factory=lambda: {name: [] for name in TABLES})
    lost_counts: dict[str, int] = field(default_factory=dict)
    uncounted: set[str] = field(default_factory=set)

    @property
    def empty(self) -> bool:
        return not any(self.rows.values())

    @property
    def summary(self) -> str:
        """The losses in one line."""
        return "; ".join(self.losses()) or "everything in it could be read"

    def losses(self) -> list[str]:
        """Return the losses, a phrase for each kind."""
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


def renew(path: Path, why: str, unix_clock: Callable[[], float] = time.time) -> str:
    """Replace the damaged database by a new one with every valid row; return the note for people.

    The damaged file is named by the time on `unix_clock`.
    Raises OSError or sqlite3.Error where the disk does not take it; nothing has changed then.
    """
    found = salvage_rows(path)
    for leftover in path.parent.glob(f"{_FRESH_PREFIX}*"):
        shutil.rmtree(leftover, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=_FRESH_PREFIX, dir=path.parent) as beside:
        fresh = Path(beside) / path.name
        write_database(fresh, found)
        aside = _exchange(path, fresh, unix_clock())
    with contextlib.suppress(OSError):
        remove_old_damaged(path)
    return f"the store was damaged ({why}): {found.summary}; the damaged file is kept as {aside.name}"


def remove_old_damaged(path: Path) -> None:
    """Remove damaged databases beside the one at `path` that are beyond their bound, oldest first."""
    found: dict[str, list[Path]] = {}
    for each in path.parent.glob(f"{path.name}.damaged-*"):
        found.setdefault(each.name.removesuffix("-wal").removesuffix("-shm"), []).append(each)
    octets = 0
    for number, name in enumerate(sorted(found, key=_sort_key, reverse=True), start=1):
        octets += sum(each.lstat().st_size for each in found[name])
        if number > 1 and (number > MOST_DAMAGED or octets > DAMAGED_OCTETS):
            log.warning("%s is removed: newer damaged databases are kept", name)
            for each in found[name]:
                with contextlib.suppress(OSError):
                    shutil.rmtree(each) if each.is_dir() and not each.is_symlink() else each.unlink()


def _sort_key(name: str) -> tuple[str, int]:
    """Return the date in the name of a damaged database, and its number among those of one second."""
    date, number = name.rpartition("damaged-")[2], 1
    if match := _NUMBERED.fullmatch(date):
        date, number = match[1], int(match[2])
    return date, number


def salvage_rows(path: Path) -> SalvagedRows:
    """Return every row of a damaged database that is readable and valid."""
    found = SalvagedRows(uncounted=set(NUMBERED))
    if not path.is_file():
        return found  # Opening a pipe would wait for its other end.
    for way in _candidates(path):
        with closing(way) as connection, contextlib.suppress(*FAULTS):
            connection.text_factory = readable_text
            found = _read(connection)
            if not found.empty:
                return found
    return found


def _candidates(path: Path) -> Iterator[sqlite3.Connection]:
    """Yield the database as it is with its log, with a new header, and with a new first page."""
    with contextlib.suppress(sqlite3.Error):
        yield read_only_connection(path)
    try:
        octets = path.read_bytes()
    except OSError:
        return
    # In a truncated file, a table that would begin past the end keeps SQLite from reading any other.
    octets += bytes(max(0, _header_size(octets) - len(octets)))
    first = _new_first_page(max(1, len(octets) // _PAGE))
    for length in (_HEADER, _PAGE):
        if len(octets) > length:
            connection = sqlite3.connect(":memory:", isolation_level=None)
            with contextlib.suppress(sqlite3.Error):
                connection.deserialize(first[:length] + octets[length:])
            yield connection


def _header_size(octets: bytes) -> int:
    """Return the file's length by its own header [octets]; 0 for an impossible one."""
    if len(octets) < _HEADER:
        return 0
    (pages,) = struct.unpack(">I", octets[28:32])  # sqlite.org/fileformat2.html, 1.3.7
    return pages * _PAGE if pages * _PAGE <= MOST_FILLED_UP * len(octets) else 0


def _new_first_page(pages: int) -> bytes:
    """Return the first page of a new database with this number of pages in its header."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        migrate(connection, Path(":memory:"))
        page = bytearray(connection.serialize()[:_PAGE])
    # The size counts where "version valid for" is the change counter: sqlite.org/fileformat2.html, 1.3.7.
    page[28:32] = struct.pack(">I", pages)
    page[92:96] = page[24:28]
    return bytes(page)


def _read(connection: sqlite3.Connection) -> SalvagedRows:
    names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    expected, found = _expected_tables(connection), SalvagedRows()
    removed_counts = _removed_counts(connection, "removal" in expected)
    for name, table in TABLES.items():
        if name in names:
            _read_table(connection, name, table, found, removed_counts.get(name, 0))
        elif name in expected:
            found.uncounted.add(name)
    # Rows already counted as lost must not be counted again at the next salvage.
    found.rows["removal"] = [
        (name, max(row[0] for row in found.rows[name]) - len(found.rows[name]))
        for name in NUMBERED
        if found.rows[name]
    ]
    used = found.rows["metering"]
    if used and used[0][1] is not None and used[0][1] not in {row[0] for row in found.rows["calibration"]}:
        used.clear()
    if found.lost_counts.get("undoable") or "undoable" in found.uncounted:
        # Each order is undone from the state the next one found, so a gap makes the earlier ones wrong.
        found.uncounted.add("undoable")
        found.rows["undoable"].clear()
    return found


def _expected_tables(connection: sqlite3.Connection) -> Collection[str]:
    """Return the tables of the schema that the file states; all of them for an impossible one."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return schema_columns(version) if 0 < version <= len(migrations()) else TABLES


def _removed_counts(connection: sqlite3.Connection, is_counted: bool) -> dict[str, int | None]:
    """Return the number of removed rows of each table, None where unknown.

    Before they were counted, only the journal's first rows were removed.
    """
    found: dict[str, int | None] = {} if is_counted else {"journal": None}
    with contextlib.suppress(BadRowError, *FAULTS):
        if is_counted:
            for row in connection.execute("SELECT name, rows FROM removal"):
                found.update([TABLES["removal"].check(row)])
        else:
            (first,) = connection.execute("SELECT min(rowid) FROM journal").fetchone()
            found["journal"] = max(first or 1, 1) - 1
    # The journal's row always exists; where it is missing, others may be missing too.
    return found if "journal" in found else dict.fromkeys(NUMBERED)


def _read_table(
    connection: sqlite3.Connection, name: str, table: RowTable, found: SalvagedRows, removed_count: int | None
) -> None:
    try:
        has = {row[1] for row in connection.execute(f"PRAGMA table_info({name})")}
    except FAULTS:
        found.uncounted.add(name)
        return
    columns = ", ".join(_select_expression(name, each) if each in has else "NULL" for each in table.columns)
    rows, in_order, ended = _collect_rows(connection, f"SELECT rowid, {columns} FROM {name}")
    if not (in_order or (ended and name in NUMBERED and removed_count is not None)):
        found.uncounted.add(name)
    for row in rows.values():
        filled = tuple(
            value if column in has else table.absent.get(column)
            for column, value in zip(table.columns, row, strict=True)
        )
        with contextlib.suppress(BadRowError):
            table.check(filled)
            found.rows[name].append(filled)
    found.lost_counts[name] = _lost_count(name, rows, len(found.rows[name]), removed_count)


def _lost_count(name: str, rows: dict[int, Row], good: int, removed_count: int | None) -> int:
    """Return the number of rows besides the valid ones, as far as their numbers show."""
    if not rows:
        return 0
    spanned = 0 if removed_count is None else max(rows) - removed_count
    numbered = name in NUMBERED and spanned <= 2 * len(rows) + MOST_SPANNED
    return max(len(rows), spanned if numbered else 0) - good


def _select_expression(table: str, column: str) -> str:
    """Return the SQL that reads a column.

    A too long order is shortened as the journal would, to save memory.
    """
    if (table, column) != ("journal", "said"):
        return column
    return (
        f"CASE WHEN length(said) > {LONGEST_ORDER} AND json_valid(said) THEN json_patch('{{}}', json_object("
        "'do', CASE WHEN said LIKE '{%' THEN json_extract(said, '$.do') END, "
        f"'begins', substr(said, 1, {ORDER_EXCERPT}), 'characters', length(said))) ELSE said END"
    )


def _collect_rows(connection: sqlite3.Connection, select: str) -> tuple[dict[int, Row], bool, bool]:
    """Return the rows by number, whether all were read in order, and whether both ends were reached."""
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
    """Collect rows until one is unreadable or `until` is reached; return true if all were readable."""
    try:
        for number, *row in connection.execute(select):
            if number < 1:
                return False  # no valid row has such a number; zeroed octets read as one
            if number <= until:
                return True
            rows[number] = row
    except FAULTS:
        return False
    return True


def write_database(path: Path, found: SalvagedRows) -> None:
    """Write a new database with these rows at `path`, closed and synced."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, PRIVATE_FILE))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        migrate(connection, path)
        insert_rows(connection, found)


def insert_rows(connection: sqlite3.Connection, found: SalvagedRows) -> None:
    """Insert the rows into a new database."""
    connection.execute("BEGIN IMMEDIATE")
    # The foreign key requires the calibrations before the one in use.
    for name in sorted(TABLES, key=lambda name: name == "metering"):
        table = TABLES[name]
        marks = ", ".join("?" * len(table.columns))
        connection.executemany(
            f"INSERT OR REPLACE INTO {name} ({table.listed}) VALUES ({marks})", found.rows[name]
        )
    connection.execute("COMMIT")


def _exchange(path: Path, fresh: Path, unix_s: float) -> Path:
    """Move the file at `path` to a new name and put the fresh one there; return the new name."""
    aside = _free_name(path, unix_s)
    for suffix in _SUFFIXES[1:]:
        beside = path.with_name(path.name + suffix)
        if os.path.lexists(beside):
            beside.rename(aside.with_name(aside.name + suffix))
    if os.path.lexists(path):
        _set_aside(path, aside)
    fresh.replace(path)
    _sync(path.parent)
    return aside


def _set_aside(path: Path, aside: Path) -> None:
    """Give the file a second name, so that a database always exists; where links fail, move or copy it."""
    try:
        if path.is_symlink() or not path.is_file():
            path.rename(aside)
        else:
            os.link(path, aside)
    except OSError:
        if path.is_dir():
            raise
        shutil.copy2(path, aside)


def _free_name(path: Path, unix_s: float) -> Path:
    """Return `NAME.damaged-DATE`, with a number where that name is taken."""
    stem = f"{path.name}.damaged-{time.strftime('%Y-%m-%d-%H%M%S', time.localtime(unix_s))}"
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
