"""The kept data of one rig: opened once by the daemon, written through one thread, read by anybody."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import sqlite3
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from fillside.storage.folder import PRIVATE_FILE
from fillside.storage.migrate import migrate
from fillside.storage.place import Folder, Memory, connected
from fillside.storage.writer import NO_ANSWER, Job, Lasting, Writer

log = logging.getLogger(__name__)

T = TypeVar("T")
FILE = "fillside.db"
_BROKEN = ("SQLITE_NOTADB", "SQLITE_CORRUPT")


def _open_file(path: Path) -> sqlite3.Connection:
    """The database at `path`, made private before the first byte is written, and up to date."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, PRIVATE_FILE))
    path.chmod(PRIVATE_FILE)
    connection = connected(path.absolute().as_uri())
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


def _usable(path: Path) -> sqlite3.Connection:
    """The database at `path`; one that is damaged is put aside, and a new one begun."""
    try:
        return _open_file(path)
    except sqlite3.DatabaseError as error:
        if getattr(error, "sqlite_errorname", "") not in _BROKEN:
            raise
        log.error("%s is damaged (%s); put aside as %s, starting anew", path, error, _put_aside(path))
        return _open_file(path)


class Store:
    """Everything kept for one rig. `close` drains what waits and may be called again."""

    def __init__(self, place: Folder | Memory, trouble: str | None = None) -> None:
        self._place = place
        self._writer = Writer(place, trouble)

    @classmethod
    def open(cls, folder: Path) -> Self:
        """The store in `folder`.

        Raises FolderInUseError when another daemon has it, FolderUnusableError when it takes no data,
        DataTooNewError when this Fillside is older than the data.
        """
        place = Folder(folder / FILE, _usable)
        try:
            place.open()
        except BaseException:
            place.close()
            raise
        return cls(place)

    @classmethod
    def read_only(cls, folder: Path, reason: str) -> Self:
        """The store in a folder that takes no data: what it has can be read, and what is handed in waits.

        It is tried again every second whether it can be written. `reason` says why it cannot. Raises
        FolderInUseError and DataTooNewError.
        """
        place = Folder(folder / FILE, _usable)
        try:
            place.open_copy()
        except BaseException:
            place.close()
            raise
        return cls(place, reason)

    @classmethod
    def unkept(cls) -> Self:
        """A store in memory alone, which keeps nothing: for trials."""
        return cls(Memory())

    @property
    def trouble(self) -> str | None:
        """What keeps data from being stored at the moment, in words; None when all is well."""
        if self.stalls:
            return NO_ANSWER
        if self._writer.trouble is None and not self._place.kept:
            return "nothing is kept beyond this run"
        return self._writer.trouble

    @property
    def note(self) -> str:
        """What that means, for people; nothing when all is well."""
        trouble = self.trouble
        if trouble is None:
            return ""
        return (
            f"nothing is stored: {trouble}. Orders are obeyed but will not outlive a restart, and readings "
            "are refused, until that is mended; it is tried again every second"
        )

    @property
    def stalls(self) -> bool:
        """Whether the disk has not answered for longer than anybody waits for it."""
        return self._writer.stalls

    def write(self, job: Job) -> Future[Any]:
        """Run `job(connection)` on the writing thread, within a transaction, once; see `Writer.put`."""
        return self._writer.put(job)

    def keep(self, *jobs: Lasting, synced: bool = True) -> Future[Any]:
        """Store all of these together, now or as soon as that can be; see `Writer.keep`."""
        return self._writer.keep(*jobs, synced=synced)

    def read(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Answer `question(connection)` on a read-only connection of its own, on the caller's thread."""
        with contextlib.closing(
            sqlite3.connect(self._place.uri, uri=True, isolation_level=None, timeout=5.0)
        ) as connection:
            connection.execute("PRAGMA query_only = ON")
            if not self._place.kept:
                connection.execute("PRAGMA read_uncommitted = ON")
            return question(connection)

    def close(self) -> None:
        self._writer.close()
        self._place.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def remember(store: Store, body: Any) -> Future[Any]:
    """Keep `body` (JSON-able) as what a restart resumes from."""
    return store.keep(remembering(json.dumps(body, allow_nan=False, separators=(",", ":"))))


def remembering(text: str) -> Lasting:
    """What keeps `text`, JSON, as what a restart resumes from."""
    row = (time.time(), text)
    return Lasting(
        lambda connection: connection.execute(
            "INSERT INTO remembered (id, saved_at, body) VALUES (1, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET saved_at = excluded.saved_at, body = excluded.body",
            row,
        ),
        key="remembered",
    )


def remembering_orders(texts: Mapping[int, str]) -> Lasting:
    """What keeps these orders, JSON by number, as those that can be taken back, and no others."""

    def job(connection: sqlite3.Connection) -> None:
        found = dict(connection.execute("SELECT id, body FROM undoable").fetchall())
        gone = [(number,) for number in found if number not in texts]
        fresh = [(number, text) for number, text in texts.items() if found.get(number) != text]
        connection.executemany("DELETE FROM undoable WHERE id = ?", gone)
        connection.executemany("INSERT OR REPLACE INTO undoable (id, body) VALUES (?, ?)", fresh)

    return Lasting(job, key="undoable")


def remembered(store: Store) -> Any | None:
    """What the last run kept, or None; `undoable` has the JSON of each order that can be taken back, oldest
    first."""
    row = store.read(lambda connection: connection.execute("SELECT body FROM remembered").fetchone())
    if row is None:
        return None
    found = json.loads(row[0])
    orders = store.read(
        lambda connection: connection.execute("SELECT body FROM undoable ORDER BY id").fetchall()
    )
    return {**found, "undoable": [text for (text,) in orders]} if orders else found


def kept_identity(store: Store, name: str, make: Callable[[], str]) -> str:
    """The value this installation has for `name`, made at the first call and the same ever after."""
    row = store.read(
        lambda connection: connection.execute("SELECT value FROM identity WHERE name = ?", (name,)).fetchone()
    )
    if row is not None:
        return str(row[0])
    made = make()
    store.keep(
        Lasting(
            lambda connection: connection.execute(
                "INSERT OR IGNORE INTO identity (name, value) VALUES (?, ?)", (name, made)
            ),
            key=f"identity {name}",
        )
    )
    return made
