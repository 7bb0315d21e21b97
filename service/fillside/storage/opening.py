"""Opens database files so that they are private, up to date and undamaged.

A damaged file is renewed from its intact rows. Where the folder is not writable, the readable rows are taken
from a copy instead, and the file stays as it is.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeVar

from fillside.bounds import LARGEST_WAL_OCTETS, MB
from fillside.storage.folder import PRIVATE_FILE
from fillside.storage.migrate import migrate
from fillside.storage.repair.check import damage_text, find_damage, is_folder_error
from fillside.storage.rows import readable_text
from fillside_drivers.system import SYSTEM, System

PAGE = 4096
WORTH_COMPACTING = 16 * MB
"""Unused space [octets] above which a file is rewritten without it."""

T = TypeVar("T")
ReportLoss = Callable[[str], object]


class _DamagedError(Exception):
    """The file is damaged; the text gives the reason."""


def connect_writer(uri: str, system: System = SYSTEM) -> sqlite3.Connection:
    """Return a connection for one writer. `synchronous` is FULL: a commit returns once the disk has the data.

    The write-ahead log is truncated after a checkpoint. Raises sqlite3.Error for a file that is no database,
    or cannot be read or written.
    """
    connection = system.database(uri)
    try:
        connection.text_factory = readable_text
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA journal_size_limit = {LARGEST_WAL_OCTETS}")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def open_or_renew(path: Path, say: ReportLoss, system: System = SYSTEM) -> sqlite3.Connection:
    """Return the database at `path`, undamaged and up to date; `say` receives the losses.

    A damaged file is put aside, and its intact rows go into a new one; nothing is written before that. Raises
    OSError or sqlite3.Error for trouble with the folder, DataTooNewError for newer data.
    """
    try:
        return _use_if_intact(path, partial(_open_file, system=system))
    except _DamagedError as error:
        # Imported where there is damage: hardly ever.
        from fillside.storage.repair.salvage import renew

        say(renew(path, str(error), system.unix_clock))
    return _open_file(path, system)


def compact(connection: sqlite3.Connection) -> None:
    """Return free space to the disk where most of the file is unused.

    Takes time in proportion to the rest.
    """
    (free,), (pages,) = (
        connection.execute(f"PRAGMA {name}").fetchone() for name in ("freelist_count", "page_count")
    )
    if free * PAGE >= WORTH_COMPACTING and free > pages / 2:
        connection.execute("VACUUM")


def copy_into(path: Path, connection: sqlite3.Connection, say: ReportLoss) -> None:
    """Fill a new database with the intact rows of the one at `path`; `say` receives the losses.

    The file at `path` is a copy that may be changed. Raises the errors of `open_or_renew`.
    """

    def copy(path: Path) -> None:
        with contextlib.closing(_open_file(path)) as source:
            source.execute("PRAGMA journal_mode = DELETE")
            source.backup(connection)

    try:
        _use_if_intact(path, copy)
    except _DamagedError as error:
        from fillside.storage.repair.salvage import insert_rows, salvage_rows

        found = salvage_rows(path)
        insert_rows(connection, found)
        say(f"the store is damaged ({error}): {found.summary}; it is left as it is until it can be written")


def _use_if_intact(path: Path, use: Callable[[Path], T]) -> T:
    """Return the result of `use` for an undamaged database; raises _DamagedError for a damaged one."""
    wrong = find_damage(path)
    if wrong is not None:
        raise _DamagedError(wrong)
    try:
        return use(path)
    except (sqlite3.DatabaseError, UnicodeError) as error:
        if isinstance(error, sqlite3.Error) and is_folder_error(error):
            raise
        raise _DamagedError(damage_text(error)) from error


def _open_file(path: Path, system: System = SYSTEM) -> sqlite3.Connection:
    """Return the database at `path`, made private before the first byte is written, and up to date."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, PRIVATE_FILE))
    path.chmod(PRIVATE_FILE)
    connection = connect_writer(path.absolute().as_uri(), system)
    try:
        migrate(connection, path)
        connection.execute("INSERT OR IGNORE INTO metering (id) VALUES (1)")
    except BaseException:
        connection.close()
        raise
    return connection
