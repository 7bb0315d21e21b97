"""The kept data of one rig: opened once by the daemon, written through one thread, read by anybody."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from fillside.storage.database import DatabaseFile, MemoryDatabase
from fillside.storage.records.rows import TABLES, BadRowError, Values, readable_text
from fillside.storage.unreadable_rows import UnreadableRows
from fillside.storage.writer import NO_ANSWER, DatabaseWriter, Job, PersistentJob

T = TypeVar("T")
FILE = "fillside.db"


class Store:
    """Everything kept for one rig. `close` drains what waits and may be called again."""

    def __init__(
        self, place: DatabaseFile | MemoryDatabase, unreadable: UnreadableRows, trouble: str | None = None
    ) -> None:
        self._place, self._unreadable = place, unreadable
        self._writer = DatabaseWriter(place, trouble)

    @classmethod
    def open(cls, folder: Path) -> Self:
        """The store in `folder`.

        Raises FolderInUseError when another daemon has it, FolderUnusableError when it takes no data,
        DataTooNewError when this Fillside is older than the data.
        """
        unreadable = UnreadableRows()
        place = DatabaseFile(folder / FILE, unreadable.add_note)
        try:
            place.open()
        except BaseException:
            place.close()
            raise
        return cls(place, unreadable)

    @classmethod
    def read_only(cls, folder: Path, reason: str) -> Self:
        """The store in a folder that takes no data: what it has can be read, and what is handed in waits.

        It is tried again every second whether it can be written. `reason` says why it cannot. Raises
        FolderInUseError and DataTooNewError.
        """
        unreadable = UnreadableRows()
        place = DatabaseFile(folder / FILE, unreadable.add_note)
        try:
            place.open_copy()
        except BaseException:
            place.close()
            raise
        return cls(place, unreadable, reason)

    @classmethod
    def in_memory(cls) -> Self:
        """A store in memory alone, which keeps nothing: for trials."""
        return cls(MemoryDatabase(), UnreadableRows())

    @property
    def trouble(self) -> str | None:
        """What keeps data from being stored at the moment, in words; None when all is well."""
        if self.stalls:
            return NO_ANSWER
        if self._writer.trouble is None and not self._place.is_file:
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
        return self._unreadable.notes

    def add_note(self, text: str) -> None:
        """Have the notes carry a line more until the end of this run."""
        self._unreadable.add_note(text)

    def write(self, job: Job, synced: bool = True) -> Future[Any]:
        """Run `job(connection)` on the writing thread, within a transaction, once; `DatabaseWriter.put`."""
        return self._writer.put(job, synced)

    def keep(self, *jobs: PersistentJob, synced: bool = True) -> Future[Any]:
        """Store all of these together, now or as soon as that can be; see `DatabaseWriter.keep`."""
        return self._writer.keep(*jobs, synced=synced)

    def read(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Answer `question(connection)` on a read-only connection of its own, on the caller's thread."""
        uri, is_file = self._place.uri, self._place.is_file
        try:
            with contextlib.closing(
                sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0)
            ) as connection:
                connection.text_factory = readable_text
                connection.execute("PRAGMA query_only = ON")
                if not is_file:
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
                    self._unreadable.reject_row(table, row[0], str(error))
                    if unbroken:
                        break
                if len(found) == most:
                    break

        try:
            self.read(look)
        except (sqlite3.Error, UnicodeError) as error:
            self._unreadable.mark_incomplete(table, " ".join(str(error).split()))
        else:
            self._unreadable.mark_complete(table)
        return found

    def leave_out(self, table: str, row: object, why: str) -> None:
        """Count a row that is right by itself and not in what it means."""
        self._unreadable.reject_row(table, row, why)

    def close(self) -> None:
        self._writer.close()
        self._place.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
