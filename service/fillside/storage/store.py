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
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from fillside.plain_errors import why
from fillside.storage.errors import FolderUnusableError
from fillside.storage.folder import PRIVATE_FILE, LockedFolder
from fillside.storage.migrate import migrate
from fillside.storage.writer import Job, Writer

log = logging.getLogger(__name__)

T = TypeVar("T")
FILE = "fillside.db"
_BROKEN = ("SQLITE_NOTADB", "SQLITE_CORRUPT")


def _connect(uri: str) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _open_file(path: Path) -> sqlite3.Connection:
    """The database at `path`, made private before the first byte is written, and up to date."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, PRIVATE_FILE))
    path.chmod(PRIVATE_FILE)
    connection = _connect(path.absolute().as_uri())
    try:
        migrate(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _put_aside(path: Path) -> Path:
    """Rename a damaged database, so that nothing is lost and a new one can begin."""
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for suffix in ("-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    return aside


class Store:
    """Everything kept for one rig. `close` drains what waits and may be called again."""

    def __init__(
        self, connection: sqlite3.Connection, uri: str, where: str, lock: LockedFolder | None
    ) -> None:
        self._uri, self._lock = uri, lock
        self._writer = Writer(connection, where)
        self.kept = lock is not None

    @classmethod
    def open(cls, folder: Path) -> Self:
        """The store in `folder`.

        Raises FolderInUseError when another daemon has it, FolderUnusableError when it takes no data,
        DataTooNewError when this Fillside is older than the data.
        """
        lock = LockedFolder(folder)
        path = folder / FILE
        try:
            try:
                connection = _open_file(path)
            except sqlite3.DatabaseError as error:
                if getattr(error, "sqlite_errorname", "") not in _BROKEN:
                    raise
                log.error("%s is damaged (%s); put aside as %s, starting anew", path, error, _put_aside(path))
                connection = _open_file(path)
        except (OSError, sqlite3.Error) as error:
            lock.close()
            raise FolderUnusableError(folder, why(error)) from error
        except BaseException:
            lock.close()
            raise
        return cls(connection, f"{path.absolute().as_uri()}?mode=ro", str(path), lock)

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

    def write(self, job: Job) -> Future[Any]:
        """Run `job(connection)` on the writing thread, within a transaction."""
        return self._writer.put(job)

    def read(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Answer `question(connection)` on a read-only connection of its own, on the caller's thread."""
        with contextlib.closing(
            sqlite3.connect(self._uri, uri=True, isolation_level=None, timeout=5.0)
        ) as connection:
            connection.execute("PRAGMA query_only = ON")
            if not self.kept:
                connection.execute("PRAGMA read_uncommitted = ON")
            return question(connection)

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
    row = store.read(lambda connection: connection.execute("SELECT body FROM remembered").fetchone())
    return None if row is None else json.loads(row[0])


def kept_identity(store: Store, name: str, make: Callable[[], str]) -> str:
    """The value this installation has for `name`, made at the first call and the same ever after."""
    made = make()

    def job(connection: sqlite3.Connection) -> str:
        connection.execute("INSERT OR IGNORE INTO identity (name, value) VALUES (?, ?)", (name, made))
        value: str = connection.execute("SELECT value FROM identity WHERE name = ?", (name,)).fetchone()[0]
        return value

    try:
        value: str = store.write(job).result()
    except sqlite3.Error:
        return made  # the writer has said so; a fresh name serves this run
    return value
