"""The check of a database for damage, before anything is written to it and without changing it."""

from __future__ import annotations

import sqlite3
import stat
import struct
import time
from contextlib import closing
from functools import cache
from pathlib import Path

from fillside.storage.errors import DataTooNewError
from fillside.storage.migrate import MOST_STEPS, migrations

CHECK_TIMEOUT_S = 1.5
"""Longest wait for SQLite's check, which takes a quarter of a second for 60 MB; the light comes first."""
_LEAST_FILE = 100
_LOG_HEADER, _FRAME_HEADER = 32, 24
_LOG_MAGIC = (0x377F0682, 0x377F0683)
_FRAME_COUNT_AT = 16
"""Offset of the number of valid frames in the log's index: sqlite.org/walformat.html, 2.1."""


def find_damage(path: Path) -> str | None:
    """Return the damage of the database at `path` in a few words; None if it is intact or absent.

    Raises DataTooNewError for one that a newer Fillside wrote, and sqlite3.OperationalError where the folder
    does not let it be read.
    """
    log, index = (path.with_name(path.name + suffix) for suffix in ("-wal", "-shm"))
    for each in (path, log, index):
        if not _is_file_or_absent(each):
            return f"{each.name} is no file"
    size = path.stat().st_size if path.exists() else None
    log_size = log.stat().st_size if log.exists() else 0
    if size is None and not log_size:
        return None
    if size is None or size < _LEAST_FILE:
        return "the file is empty" if size == 0 else "the file is torn or gone"
    if not _has_known_format(path):
        return "its header is wrong"
    try:
        with closing(read_only_connection(path)) as connection:
            connection.execute("SELECT 1 FROM sqlite_master").fetchone()
            # While this connection is open, the index tells the valid part of the log.
            if _has_log_damage(log, index):
                return "its newest changes cannot all be read"
            return _find_content_damage(connection, path)
    except sqlite3.DatabaseError as error:
        if is_folder_error(error):
            raise
        return damage_text(error)
    except UnicodeError:
        # SQLite's own message quotes the garbage.
        return "its schema is no text"


def damage_text(error: Exception) -> str:
    """Return SQLite's message in one line; for an unreadable schema, without the quoted garbage.

    >>> damage_text(sqlite3.DatabaseError('malformed database schema (take) - near "a\\nb"'))
    'malformed database schema (take)'
    """
    text = " ".join(str(error).split())
    return text.partition(" - ")[0] if text.startswith("malformed database schema") else text


def _has_known_format(path: Path) -> bool:
    """Check that octets 18 and 19 are 1 or 2; SQLite treats other files as read-only."""
    with path.open("rb") as file:
        return set(file.read(20)[18:]) <= {1, 2}


def read_only_connection(path: Path) -> sqlite3.Connection:
    """Return a connection to a database that nobody else has open; it changes no file.

    If there is no log, the database is opened as immutable; otherwise SQLite would create a log.
    """
    log = path.with_name(f"{path.name}-wal")
    more = "" if log.is_file() and log.stat().st_size else "&immutable=1"
    uri = f"{path.absolute().as_uri()}?mode=ro{more}"
    return sqlite3.connect(uri, uri=True, isolation_level=None)


def is_folder_error(error: sqlite3.Error) -> bool:
    """Return true for trouble with the disk or its permissions, false for damage in the file."""
    kinds = ("READONLY", "FULL", "CANTOPEN", "IOERR", "BUSY", "LOCKED", "PERM", "AUTH", "NOMEM")
    name = getattr(error, "sqlite_errorname", "")
    return name.removeprefix("SQLITE_").partition("_")[0] in kinds


def _is_file_or_absent(path: Path) -> bool:
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except FileNotFoundError:
        return not path.is_symlink()
    except OSError:
        return False


def _find_content_damage(connection: sqlite3.Connection, path: Path) -> str | None:
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    if not 0 <= version <= MOST_STEPS:
        return f"it claims to be of schema {version}"
    if version > len(migrations()):
        raise DataTooNewError(path, version, len(migrations()))
    tables = {
        str(row[0]) for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    }
    if version == 0 and tables:
        return "it claims to be new, and has tables"
    for table, columns in schema_columns(version).items():
        if table not in tables:
            return f"the table {table} is missing"
        has = {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}
        if not columns <= has:
            return f"the table {table} has no {', '.join(sorted(columns - has))}"
    return _find_page_damage(connection)


def _find_page_damage(connection: sqlite3.Connection) -> str | None:
    """Run SQLite's own check, cut off after a time: the unchecked rest is checked on reading."""
    until = time.monotonic() + CHECK_TIMEOUT_S
    connection.set_progress_handler(lambda: time.monotonic() > until, 10_000)
    try:
        (found,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorname", "") == "SQLITE_INTERRUPT":
            return None
        raise
    finally:
        connection.set_progress_handler(None, 0)
    # A finding may name the page in a line of its own; the fault is in the last line.
    return None if found == "ok" else str(found).strip().splitlines()[-1]


@cache
def schema_columns(version: int) -> dict[str, frozenset[str]]:
    """Return the tables of this schema version, and their columns."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        for step in migrations()[:version]:
            connection.executescript(step)
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            name: frozenset(row[1] for row in connection.execute(f"PRAGMA table_info({name})"))
            for name in names
        }


def _has_log_damage(log: Path, index: Path) -> bool:
    """Return true for a log with a committed change that SQLite, which has just opened it, ignores.

    SQLite counts frames up to the last commit before the first broken one. Frames with other salts than the
    log's header are of an earlier round; those after the last commit were never acknowledged.
    """
    try:
        with log.open("rb") as file:
            header = file.read(_LOG_HEADER)
            if len(header) < _LOG_HEADER:
                return False
            if not _is_valid_header(header):
                return True
            (page,) = struct.unpack_from(">I", header, 8)
            counted = _valid_frame_count(index)
            file.seek(_LOG_HEADER + counted * (page + _FRAME_HEADER))
            while len(frame := file.read(_FRAME_HEADER)) == _FRAME_HEADER:
                if frame[8:16] == header[16:24] and frame[4:8] != bytes(4):
                    return True
                file.seek(page, 1)
    except (OSError, struct.error):
        return False
    return False


def _valid_frame_count(index: Path) -> int:
    with index.open("rb") as file:
        file.seek(_FRAME_COUNT_AT)
        (found,) = struct.unpack("=I", file.read(4))
    return int(found)


def _is_valid_header(header: bytes) -> bool:
    """Check magic number and checksum of the log's header: sqlite.org/fileformat2.html, 4.1 and 4.2."""
    (magic,) = struct.unpack_from(">I", header)
    if magic not in _LOG_MAGIC:
        return False
    words = struct.unpack(f"{'>' if magic & 1 else '<'}6I", header[:24])
    one = other = 0
    for x, y in zip(words[::2], words[1::2], strict=True):
        one = (one + x + other) & 0xFFFFFFFF
        other = (other + y + one) & 0xFFFFFFFF
    return struct.unpack(">2I", header[24:32]) == (one, other)
