"""The kept data of one rig: opened once by the daemon, written through one thread, read by anybody."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import sqlite3
import time
import uuid
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from fillside.storage.check import is_of_the_folder, what_is_wrong
from fillside.storage.errors import FolderUnusableError
from fillside.storage.folder import PRIVATE_FILE, LockedFolder
from fillside.storage.migrate import migrate
from fillside.storage.rows import TABLES, BadRowError, Values, readable_text
from fillside.storage.salvage import renew
from fillside.storage.unread import Unread
from fillside.storage.writer import Job, Writer

log = logging.getLogger(__name__)

T = TypeVar("T")
FILE = "fillside.db"


def _connect(uri: str) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _usable(path: Path, say: Callable[[str], object]) -> sqlite3.Connection:
    """The database at `path`, whole and up to date; what is lost is said.

    A damaged one is put aside, and what is whole in it goes on in a new one. Nothing is written before that.
    """
    why = what_is_wrong(path)
    if why is None:
        try:
            return _open_file(path)
        except (sqlite3.DatabaseError, UnicodeError) as error:
            if isinstance(error, sqlite3.Error) and is_of_the_folder(error):
                raise
            why = str(error)
    say(renew(path, why))
    return _open_file(path)


def _open_file(path: Path) -> sqlite3.Connection:
    """The database at `path`, made private before the first byte is written, and up to date."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, PRIVATE_FILE))
    path.chmod(PRIVATE_FILE)
    connection = _connect(path.absolute().as_uri())
    try:
        migrate(connection, path)
        connection.execute("INSERT OR IGNORE INTO metering (id) VALUES (1)")
    except BaseException:
        connection.close()
        raise
    return connection


class Store:
    """Everything kept for one rig. `close` drains what waits and may be called again."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        uri: str,
        where: str,
        lock: LockedFolder | None,
        unread: Unread | None = None,
    ) -> None:
        self._uri, self._lock = uri, lock
        self._unread = Unread() if unread is None else unread
        self._writer = Writer(connection, where)
        self.kept = lock is not None

    @classmethod
    def open(cls, folder: Path) -> Self:
        """The store in `folder`.

        Raises FolderInUseError when another daemon has it, FolderUnusableError when it takes no data,
        DataTooNewError when this Fillside is older than the data.
        """
        lock, unread = LockedFolder(folder), Unread()
        path = folder / FILE
        try:
            connection = _usable(path, unread.note)
        except (OSError, sqlite3.Error) as error:
            lock.close()
            raise FolderUnusableError(folder, str(error)) from error
        except BaseException:
            lock.close()
            raise
        return cls(connection, f"{path.absolute().as_uri()}?mode=ro", str(path), lock, unread)

    @classmethod
    def unkept(cls) -> Self:
        """A store in memory alone, for when no folder takes data: the light is worth more than the record."""
        uri = f"file:fillside-{uuid.uuid4()}?mode=memory&cache=shared"
        connection = _connect(uri)
        migrate(connection, Path(":memory:"))
        return cls(connection, uri, "memory", None)

    @property
    def trouble(self) -> str | None:
        """What keeps data from being stored at the moment, in words; None when all is well."""
        return self._writer.trouble if self.kept else "nothing is kept: the data folder cannot be used"

    @property
    def notes(self) -> tuple[str, ...]:
        """What of the kept data is lost or cannot be read, a line each, for people."""
        return self._unread.notes

    def say(self, text: str) -> None:
        """Have the notes carry a line more until the end of this run."""
        self._unread.note(text)

    def write(self, job: Job) -> Future[Any]:
        """Run `job(connection)` on the writing thread, within a transaction."""
        return self._writer.put(job)

    def read(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Answer `question(connection)` on a read-only connection of its own, on the caller's thread."""
        with contextlib.closing(
            sqlite3.connect(self._uri, uri=True, isolation_level=None, timeout=5.0)
        ) as connection:
            connection.text_factory = readable_text
            connection.execute("PRAGMA query_only = ON")
            if not self.kept:
                connection.execute("PRAGMA read_uncommitted = ON")
            return question(connection)

    def rows(self, table: str, where: str = "", values: Values = (), most: int | None = None) -> list[Values]:
        """The rows of a table as its check gives them, at most so many; `where` is what follows FROM.

        A row that is not right is left out, counted and noted; so are those after one that cannot be read.
        """
        found: list[Values] = []
        known = TABLES[table]

        def look(connection: sqlite3.Connection) -> None:
            for row in connection.execute(f"SELECT {known.listed} FROM {table} {where}", values):
                try:
                    found.append(known.check(row))
                except BadRowError as error:
                    self._unread.bad(table, row[0], str(error))
                if len(found) == most:
                    break

        try:
            self.read(look)
        except (sqlite3.Error, UnicodeError) as error:
            self._unread.failed(table, " ".join(str(error).split()))
        else:
            self._unread.well(table)
        return found

    def leave_out(self, table: str, row: object, why: str) -> None:
        """Count a row that is right by itself and not in what it means."""
        self._unread.bad(table, row, why)

    def close(self) -> None:
        self._writer.close()
        if self._lock is not None:
            self._lock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def remember(store: Store, body: Any) -> Future[Any]:
    """Keep `body` (JSON-able) as what a restart resumes from."""
    row = (time.time(), json.dumps(body, allow_nan=False, separators=(",", ":")))
    return store.write(
        lambda connection: connection.execute(
            "INSERT INTO remembered (id, saved_at, body) VALUES (1, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET saved_at = excluded.saved_at, body = excluded.body",
            row,
        )
    )


def remembered(store: Store) -> Any | None:
    """What the last run kept, or None."""
    found = store.rows("remembered")
    return found[0][2] if found else None


def _execute(statement: str, values: Values, connection: sqlite3.Connection) -> None:
    connection.execute(statement, values)


def kept_identity(store: Store, name: str, make: Callable[[], str], anew: bool = False) -> str:
    """The value this installation has for `name`, made at the first call and the same ever after.

    With `anew`, or where what is kept cannot be read, another one takes its place.
    """
    made = make()
    values = "INTO identity (name, value) VALUES (?, ?)"
    for word in ("REPLACE",) if anew else ("IGNORE", "REPLACE"):
        change = partial(_execute, f"INSERT OR {word} {values}", (name, made))
        try:
            store.write(change).result()
        except sqlite3.Error:
            return made  # the writer has said so; a fresh name serves this run
        if found := store.rows("identity", "WHERE name = ?", (name,)):
            return str(found[0][1])
    return made
