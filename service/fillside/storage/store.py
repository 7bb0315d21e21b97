"""The stored data of one rig: opened once by the daemon, written by one thread, readable by any."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from fillside.storage.database import DatabaseFile, MemoryDatabase
from fillside.storage.rows import TABLES, BadRowError, Values, readable_text
from fillside.storage.unreadable_rows import UnreadableRows
from fillside.storage.writer import NO_ANSWER, DatabaseWriter, Job, PersistentJob
from fillside_drivers.system import SYSTEM, System

T = TypeVar("T")
FILE = "fillside.db"


class Store:
    """Everything stored for one rig. `close` drains the queue and is idempotent."""

    def __init__(
        self,
        place: DatabaseFile | MemoryDatabase,
        unreadable: UnreadableRows,
        trouble: str | None = None,
        system: System = SYSTEM,
    ) -> None:
        self._place, self._unreadable = place, unreadable
        self._writer = DatabaseWriter(place, trouble, system)
        self._database, self.unix_clock = system.database, system.unix_clock

    @classmethod
    def open(cls, folder: Path, system: System = SYSTEM) -> Self:
        """Open the store in `folder`.

        Raises FolderInUseError when another daemon has it, FolderUnusableError when it takes no data,
        DataTooNewError when this Fillside is older than the data.
        """
        unreadable = UnreadableRows()
        place = DatabaseFile(folder / FILE, unreadable.add_note, system)
        try:
            place.open()
        except BaseException:
            place.close()
            raise
        return cls(place, unreadable, system=system)

    @classmethod
    def read_only(cls, folder: Path, reason: str, system: System = SYSTEM) -> Self:
        """Open the store in a folder that takes no data: its data is readable, and new data waits.

        Writing is tried again every second. `reason` tells why it fails. Raises FolderInUseError and
        DataTooNewError.
        """
        unreadable = UnreadableRows()
        place = DatabaseFile(folder / FILE, unreadable.add_note, system)
        try:
            place.open_copy()
        except BaseException:
            place.close()
            raise
        return cls(place, unreadable, reason, system)

    @classmethod
    def in_memory(cls) -> Self:
        """Open a store in memory alone, for trials; nothing outlives it."""
        return cls(MemoryDatabase(), UnreadableRows())

    @property
    def trouble(self) -> str | None:
        """Reason why data is not being stored at the moment; None when all is well."""
        if self.stalls:
            return NO_ANSWER
        if self._writer.trouble is None and not self._place.is_file:
            return "nothing is kept beyond this run"
        return self._writer.trouble

    @property
    def trouble_note(self) -> str:
        """Consequences of the trouble, for people; empty when all is well."""
        trouble = self.trouble
        if trouble is None:
            return ""
        return (
            f"nothing is stored: {trouble}. Orders are obeyed but will not outlive a restart, and readings "
            "are refused, until that is mended; it is tried again every second"
        )

    @property
    def stalls(self) -> bool:
        """True when the disk has not answered for longer than any caller waits."""
        return self._writer.stalls

    @property
    def notes(self) -> tuple[str, ...]:
        """Lost or unreadable parts of the stored data, one line each, for people."""
        return self._unreadable.notes

    def add_note(self, text: str) -> None:
        """Add a line to the notes until the end of this run."""
        self._unreadable.add_note(text)

    def write(self, job: Job, synced: bool = True) -> Future[Any]:
        """Run `job(connection)` once on the writing thread, in a transaction; see `DatabaseWriter.put`."""
        return self._writer.put(job, synced)

    def keep(self, *jobs: PersistentJob, synced: bool = True) -> Future[Any]:
        """Store all of these jobs together, now or as soon as possible; see `DatabaseWriter.keep`."""
        return self._writer.keep(*jobs, synced=synced)

    def read(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Return the result of `question(connection)` on a read-only connection, on the caller's thread."""
        uri, is_file = self._place.uri, self._place.is_file
        try:
            with contextlib.closing(self._database(uri)) as connection:
                connection.text_factory = readable_text
                connection.execute("PRAGMA query_only = ON")
                if not is_file:
                    connection.execute("PRAGMA read_uncommitted = ON")
                return question(connection)
        except sqlite3.Error:
            if uri == self._place.uri:
                raise
            return self.read(question)  # The file has replaced its copy in memory.

    def rows(
        self,
        table: str,
        where: str = "",
        values: Values = (),
        most: int | None = None,
        *,
        unbroken: bool = False,
    ) -> list[Values]:
        """Return the checked rows of a table, at most `most`; `where` is the SQL after the table's name.

        A row that fails its check is left out, counted and noted; so are those after one that cannot be read,
        and with `unbroken` those after one that fails.
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
        """Count a row that passes its own check but is invalid in its context."""
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
