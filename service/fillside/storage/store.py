"""The kept data of one rig: opened once by the daemon, written through one thread, read by anybody."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from fillside.storage import writer
from fillside.storage.database import Folder, Memory
from fillside.storage.records.rows import TABLES, BadRowError, Values, readable_text
from fillside.storage.unread import Unread
from fillside.storage.writer import NO_ANSWER, DatabaseWriter, Job, Lasting

T = TypeVar("T")
FILE = "fillside.db"
MOST_UNDOABLE = 1_000
"""Far more than the hold keeps; a table that somebody wrote may have any number of rows."""


class Store:
    """Everything kept for one rig. `close` drains what waits and may be called again."""

    def __init__(self, place: Folder | Memory, unread: Unread, trouble: str | None = None) -> None:
        self._place, self._unread = place, unread
        self._writer = DatabaseWriter(place, trouble)

    @classmethod
    def open(cls, folder: Path) -> Self:
        """The store in `folder`.

        Raises FolderInUseError when another daemon has it, FolderUnusableError when it takes no data,
        DataTooNewError when this Fillside is older than the data.
        """
        unread = Unread()
        place = Folder(folder / FILE, unread.note)
        try:
            place.open()
        except BaseException:
            place.close()
            raise
        return cls(place, unread)

    @classmethod
    def read_only(cls, folder: Path, reason: str) -> Self:
        """The store in a folder that takes no data: what it has can be read, and what is handed in waits.

        It is tried again every second whether it can be written. `reason` says why it cannot. Raises
        FolderInUseError and DataTooNewError.
        """
        unread = Unread()
        place = Folder(folder / FILE, unread.note)
        try:
            place.open_copy()
        except BaseException:
            place.close()
            raise
        return cls(place, unread, reason)

    @classmethod
    def unkept(cls) -> Self:
        """A store in memory alone, which keeps nothing: for trials."""
        return cls(Memory(), Unread())

    @property
    def trouble(self) -> str | None:
        """What keeps data from being stored at the moment, in words; None when all is well."""
        if self.stalls:
            return NO_ANSWER
        if self._writer.trouble is None and not self._place.kept:
            return "nothing is kept beyond this run"
        return self._writer.trouble

    @property
    def trouble_note(self) -> str:
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

    @property
    def notes(self) -> tuple[str, ...]:
        """What of the kept data is lost or cannot be read, a line each, for people."""
        return self._unread.notes

    def say(self, text: str) -> None:
        """Have the notes carry a line more until the end of this run."""
        self._unread.note(text)

    def write(self, job: Job, synced: bool = True) -> Future[Any]:
        """Run `job(connection)` on the writing thread, within a transaction, once; `DatabaseWriter.put`."""
        return self._writer.put(job, synced)

    def keep(self, *jobs: Lasting, synced: bool = True) -> Future[Any]:
        """Store all of these together, now or as soon as that can be; see `DatabaseWriter.keep`."""
        return self._writer.keep(*jobs, synced=synced)

    def read(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Answer `question(connection)` on a read-only connection of its own, on the caller's thread."""
        uri, kept = self._place.uri, self._place.kept
        try:
            with contextlib.closing(
                sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0)
            ) as connection:
                connection.text_factory = readable_text
                connection.execute("PRAGMA query_only = ON")
                if not kept:
                    connection.execute("PRAGMA read_uncommitted = ON")
                return question(connection)
        except sqlite3.Error:
            if uri == self._place.uri:
                raise
            return self.read(question)  # the file took the place of its copy in memory meanwhile

    def rows(
        self,
        table: str,
        where: str = "",
        values: Values = (),
        most: int | None = None,
        *,
        unbroken: bool = False,
    ) -> list[Values]:
        """The rows of a table as its check gives them, at most so many; `where` is what follows FROM.

        A row that is not right is left out, counted and noted; so are those after one that cannot be read,
        and with `unbroken` those after one that is not right.
        """
        found: list[Values] = []
        known = TABLES[table]

        def look(connection: sqlite3.Connection) -> None:
            found.clear()
            for row in connection.execute(f"SELECT {known.listed} FROM {table} {where}", values):
                try:
                    found.append(known.check(row))
                except BadRowError as error:
                    self._unread.bad(table, row[0], str(error))
                    if unbroken:
                        break
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
    found = store.rows("remembered")
    if not found:
        return None
    # An order can be taken back as long as all that came after it can be.
    orders = store.rows("undoable", "ORDER BY id DESC", most=MOST_UNDOABLE, unbroken=True)[::-1]
    return {**found[0][2], "undoable": [text for _, text in orders]} if orders else found[0][2]


def kept_identity(store: Store, name: str, make: Callable[[], str], anew: bool = False) -> str:
    """The value this installation has for `name`, made at the first call and the same ever after.

    With `anew`, or where what is kept cannot be read, another one takes its place, now or as soon as that can
    be stored; a disk that hangs is not waited for longer than `writer.WITHIN_S`.
    """
    if not anew and (found := store.rows("identity", "WHERE name = ?", (name,))):
        return str(found[0][1])
    made = make()

    def job(connection: sqlite3.Connection) -> None:
        row = connection.execute("SELECT name, value FROM identity WHERE name = ?", (name,)).fetchone()
        if anew or row is None or not _is_right("identity", row):
            connection.execute("INSERT OR REPLACE INTO identity (name, value) VALUES (?, ?)", (name, made))

    with contextlib.suppress(Exception):  # it is tried again until it is stored, and the writer says why not
        store.keep(Lasting(job, key=f"identity {name}")).result(writer.WITHIN_S)
    return made


def _is_right(table: str, row: Values) -> bool:
    try:
        TABLES[table].check(row)
    except BadRowError:
        return False
    return True
