"""The one thread that writes to the database.

Jobs are functions of a connection. All that wait are written in one `BEGIN IMMEDIATE` transaction, each
within a savepoint, so that one that fails takes no other with it. A disk that is full or gone costs the
jobs of that moment: it is said once, and once more when writing works again; nobody who handed in a job
is held up by it.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from fillside.plain_errors import why

log = logging.getLogger(__name__)

Job = Callable[[sqlite3.Connection], Any]
MOST_WAITING = 20_000
BATCH = 500


@dataclass(frozen=True)
class _Waiting:
    job: Job
    done: Future[Any] = field(default_factory=Future)


class Writer:
    """Runs jobs on its own thread, in the order they came."""

    def __init__(self, connection: sqlite3.Connection, where: str) -> None:
        """Takes over `connection`, opened with ``check_same_thread=False, isolation_level=None``."""
        self._connection, self._where = connection, where
        self._waiting: deque[_Waiting] = deque()
        self._changed = threading.Condition()
        self._closing = False
        self.trouble: str | None = None
        self._thread = threading.Thread(target=self._work, name="fillside-storage", daemon=True)
        self._thread.start()

    def put(self, job: Job) -> Future[Any]:
        """Have `job` run soon; the future gives its result, or the error that kept it from being stored.

        When far too many wait (a disk that hangs), the oldest is dropped: what is newest matters most.
        """
        entry = _Waiting(job)
        dropped: _Waiting | None = None
        with self._changed:
            if self._closing:
                entry.done.set_exception(sqlite3.ProgrammingError("the storage is closed"))
                return entry.done
            if len(self._waiting) >= MOST_WAITING:
                dropped = self._waiting.popleft()
            self._waiting.append(entry)
            self._changed.notify()
        if dropped is not None:
            dropped.done.set_exception(sqlite3.OperationalError("dropped: the disk does not keep up"))
        return entry.done

    def close(self) -> None:
        """Write what waits, then close the database; may be called again."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join()

    def _work(self) -> None:
        while batch := self._next_batch():
            self._write(batch)
        self._connection.close()

    def _next_batch(self) -> list[_Waiting]:
        """Up to BATCH jobs; none only when closing and all is written."""
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._closing)
            return [self._waiting.popleft() for _ in range(min(BATCH, len(self._waiting)))]

    def _write(self, batch: list[_Waiting]) -> None:
        results: list[tuple[_Waiting, Any, Exception | None]] = []
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            results.extend((entry, *self._one(entry)) for entry in batch)
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back()
            self._say_trouble(error)
            for entry in batch:
                entry.done.set_exception(error)
            return
        full = next((error for _, _, error in results if isinstance(error, sqlite3.OperationalError)), None)
        if full is not None:
            self._say_trouble(full)
        else:
            self._say_well()
        for entry, result, failure in results:
            if failure is not None:
                entry.done.set_exception(failure)
            else:
                entry.done.set_result(result)

    def _one(self, entry: _Waiting) -> tuple[Any, Exception | None]:
        self._connection.execute("SAVEPOINT job")
        try:
            result = entry.job(self._connection)
        except Exception as error:  # whatever a job raises belongs to whoever handed it in
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK TO job")
                self._connection.execute("RELEASE job")
                return None, error
            # A full disk makes SQLite roll back the whole transaction: the batch is lost, not this job alone.
            raise sqlite3.OperationalError(str(error)) from error
        self._connection.execute("RELEASE job")
        return result, None

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            try:
                self._connection.execute("ROLLBACK")
            except sqlite3.Error as error:
                log.debug("rolling back: %s", error)

    def _say_trouble(self, error: sqlite3.Error) -> None:
        if self.trouble is None:
            log.error("cannot write to %s: %s; the light goes on", self._where, why(error))
        self.trouble = f"cannot write: {why(error)}"

    def _say_well(self) -> None:
        if self.trouble is not None:
            log.warning("writing to %s works again", self._where)
        self.trouble = None
