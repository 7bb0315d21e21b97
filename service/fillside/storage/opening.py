"""Opening a database file: private, up to date and whole.

A damaged file is renewed from what is whole in it. Where the folder takes no data, as much as can be read is
taken from a copy of it instead, and the file stays as it is.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from fillside.bounds import MB, OCTETS_BESIDE
from fillside.storage.folder import PRIVATE_FILE
from fillside.storage.migrate import migrate
from fillside.storage.records.rows import readable_text
from fillside.storage.repair.check import damage_text, find_damage, is_folder_error
from fillside.storage.repair.salvage import insert_rows, renew, salvage_rows

PAGE = 4096
WORTH_COMPACTING = 16 * MB
"""Unused room [octets] from which on a file is written anew without it."""

T = TypeVar("T")
Say = Callable[[str], object]


class _DamagedError(Exception):
    """The file is not whole; the text says why."""


def connect_writer(uri: str) -> sqlite3.Connection:
    """A connection for one writer. `synchronous` is FULL: a commit returns when the disk has it. The log
    is shortened once it has been taken over into the file.

    Raises sqlite3.Error for what is no database, or cannot be read or written.
    """
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)
    try:
        connection.text_factory = readable_text
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA journal_size_limit = {OCTETS_BESIDE}")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def open_or_renew(path: Path, say: Say) -> sqlite3.Connection:
    """The database at `path`, whole and up to date; what is lost is said.

    A damaged one is put aside, and what is whole in it goes on in a new one. Nothing is written before that.
    Raises OSError or sqlite3.Error where the folder is in the way, DataTooNewError for newer data.
    """
    try:
        return _if_whole(path, _open_file)
    except _DamagedError as error:
        say(renew(path, str(error)))
    return _open_file(path)


def compact(connection: sqlite3.Connection) -> None:
    """Give room back to the disk where most of the file is unused; takes as long as the rest is large."""
    (free,), (pages,) = (
        connection.execute(f"PRAGMA {name}").fetchone() for name in ("freelist_count", "page_count")
    )
    if free * PAGE >= WORTH_COMPACTING and free > pages / 2:
        connection.execute("VACUUM")


def copy_into(path: Path, connection: sqlite3.Connection, say: Say) -> None:
    """Fill a new database with what is whole in the one at `path`; what is lost is said.

    The file at `path` is a copy that may be changed. Raises as `open_or_renew`.
    """

    def copy(path: Path) -> None:
        with contextlib.closing(_open_file(path)) as source:
            source.execute("PRAGMA journal_mode = DELETE")
            source.backup(connection)

    try:
        _if_whole(path, copy)
    except _DamagedError as error:
        found = salvage_rows(path)
        insert_rows(connection, found)
        say(f"the store is damaged ({error}): {found.summary}; it is left as it is until it can be written")


def _if_whole(path: Path, use: Callable[[Path], T]) -> T:
    """What `use` gives of a database that is whole; _DamagedError where it is not."""
    wrong = find_damage(path)
    if wrong is not None:
        raise _DamagedError(wrong)
    try:
        return use(path)
    except (sqlite3.DatabaseError, UnicodeError) as error:
        if isinstance(error, sqlite3.Error) and is_folder_error(error):
            raise
        raise _DamagedError(damage_text(error)) from error


def _open_file(path: Path) -> sqlite3.Connection:
    """The database at `path`, made private before the first byte is written, and up to date."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, PRIVATE_FILE))
    path.chmod(PRIVATE_FILE)
    connection = connect_writer(path.absolute().as_uri())
    try:
        migrate(connection, path)
        connection.execute("INSERT OR IGNORE INTO metering (id) VALUES (1)")
    except BaseException:
        connection.close()
        raise
    return connection
