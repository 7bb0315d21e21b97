"""The one thread that writes to the database.

Jobs are functions of a connection. All queued jobs are written in one `BEGIN IMMEDIATE` transaction, each
within a savepoint, so a failing job takes no other with it, and all of them share one sync of the disk. A
job's future is done once that transaction is committed: with ``synchronous = FULL`` SQLite returns from a
commit when the disk has the data (sqlite.org, "PRAGMA synchronous"). A batch without a synced job does not
wait for the disk.

Plain jobs are tried once: their future gives the error, and they are forgotten. Persistent jobs are kept
until they are stored, in order of arrival; their future gives the result of the first attempt. Trouble with
the disk (full, read-only, gone or hanging) is logged once, and once more when writing works again; it never
blocks the callers that hand in jobs.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import reduce
from typing import Any, Protocol, TypeVar

from fillside.storage.errors import NotStoredError, StorageError, disk_trouble
from fillside.system_errors import why
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)

Job = Callable[[sqlite3.Connection], Any]
MOST_QUEUED = 5_000
BATCH = 500
RETRY_S = 1.0
ANSWER_TIMEOUT_S = 2.0
"""Longest wait for the disk."""
NO_ANSWER = "the disk does not answer"
CLOSE_TIMEOUT_S, COMPACT_TIMEOUT_S = 5.0, 2.0
_OPENED_ANEW = ("SQLITE_IOERR", "SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_CORRUPT", "SQLITE_NOTADB")
"""Errors after which the file is reopened: a remounted disk has another file, a damaged file is renewed."""


class DatabasePlace(Protocol):
    """Location of the database; see `storage.database`."""

    where: str

    def connect(self) -> sqlite3.Connection: ...

    def check(self) -> None: ...

    def compact(self, connection: sqlite3.Connection) -> None: ...


@dataclass(frozen=True)
class PersistentJob:
    """A job that is retried until it is stored.

    A job with a key replaces a queued one with the same key, and is never dropped; of the others the oldest
    are dropped when too many wait.
    """

    job: Job
    key: str = ""


@dataclass
class _QueuedJob:
    job: Job
    lasting: bool
    key: str
    synced: bool
    done: Future[Any] = field(default_factory=Future)

    def give(self, result: Any, failure: BaseException | None) -> None:
        if self.done.done():
            return
        if failure is None:
            self.done.set_result(result)
        else:
            self.done.set_exception(failure)


@dataclass(frozen=True)
class _JobResult:
    """Result of one attempt at a job; `trouble` is the disk trouble that kept it from being stored."""

    entry: _QueuedJob
    result: Any
    failure: Exception | None
    trouble: str | None


def commit(connection: sqlite3.Connection, synced: bool) -> None:
    """Commit the transaction; with `synced`, its data is on the disk afterwards."""
    connection.execute("COMMIT")


class DatabaseWriter:
    """Runs jobs on its own thread, in order of arrival."""

    def __init__(self, place: DatabasePlace, trouble: str | None = None, system: System = SYSTEM) -> None:
        """Start the thread; `trouble` is the reason for having no connection at first.

        `place.connect` returns a connection opened with ``check_same_thread=False, isolation_level=None`` and
        is called until it succeeds; `place.check` raises a StorageError when that connection has lost its
        file.
        """
        self._place, self._where, self._clock = place, place.where, system.clock
        self._connection: sqlite3.Connection | None = None
        self._queue: deque[_QueuedJob] = deque()
        self._by_key: dict[str, _QueuedJob] = {}
        self._changed = system.condition()
        self._has_news = False
        self._closing = False
        self._compacts = False
        self._retry_at = 0.0
        self._busy_since: float | None = None
        self._dropped = 0
        self.trouble = trouble
        self._thread = system.thread(self._work, "fillside-storage")
        self._thread.start()

    def put(self, job: Job, synced: bool = True) -> Future[Any]:
        """Queue `job`; the future gives its result, or the error that kept it from being stored.

        The future's `cancel` withdraws a queued job. While the disk does not answer, jobs are refused.
        """
        entry = _QueuedJob(job, False, "", synced)
        if self.stalls:
            entry.give(None, sqlite3.OperationalError(NO_ANSWER))
            return entry.done
        with self._changed:
            self._enqueue(entry)
        return entry.done

    def keep(self, *jobs: PersistentJob, synced: bool = True) -> Future[Any]:
        """Store all of these jobs together, now or as soon as possible.

        The future is done once all were tried. Without an error, these jobs and the persistent ones before
        them are stored.
        """
        with self._changed:
            return reduce(_both_done, [self._keep(each, synced) for each in jobs])

    def _keep(self, lasting: PersistentJob, synced: bool) -> Future[Any]:
        earlier = self._by_key.get(lasting.key)
        if earlier is not None and not self._closing:
            earlier.job, earlier.synced = lasting.job, earlier.synced or synced
            self._wake()
            return earlier.done
        entry = _QueuedJob(lasting.job, True, lasting.key, synced)
        entry.done.set_running_or_notify_cancel()
        self._enqueue(entry)
        return entry.done

    def _enqueue(self, entry: _QueuedJob) -> None:
        if self._closing:
            entry.give(None, sqlite3.ProgrammingError("the storage is closed"))
            return
        if len(self._queue) >= MOST_QUEUED:
            self._drop_oldest()
        self._queue.append(entry)
        if entry.key:
            self._by_key[entry.key] = entry
        self._wake()

    def _wake(self) -> None:
        self._has_news = True
        self._changed.notify()

    def _drop_oldest(self) -> None:
        """Drop the oldest job without a key; the newest data matters most, and each key has but one job."""
        oldest = next((entry for entry in self._queue if not entry.key), None)
        if oldest is not None:
            self._queue.remove(oldest)
            self._dropped += 1
            oldest.give(None, sqlite3.OperationalError("dropped: the disk does not keep up"))

    @property
    def stalls(self) -> bool:
        """True when a transaction has lasted as long as anybody waits for it.

        The limit is slightly lower, so a caller that has just given up sees it as true.
        """
        since = self._busy_since
        return since is not None and self._clock() - since > 0.9 * ANSWER_TIMEOUT_S

    def close(self) -> None:
        """Write the queued jobs, then compact and close the database; idempotent.

        Waits at most `CLOSE_TIMEOUT_S` for the disk, and `COMPACT_TIMEOUT_S` more for compaction, after which
        the file keeps its size.
        """
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(CLOSE_TIMEOUT_S)
        connection = self._connection
        if self._compacts and connection is not None:
            self._thread.join(COMPACT_TIMEOUT_S)
            with suppress(sqlite3.ProgrammingError):  # Compaction has just ended.
                connection.interrupt()
            self._thread.join(CLOSE_TIMEOUT_S)
        if self._thread.is_alive():
            log.error("%s does not answer; the queued records are not stored", self._where)

    def _work(self) -> None:
        while batch := self._next_batch():
            closing = self._closing
            self._write(batch)
            if closing and self.trouble is not None:
                self._discard_queue()
        if self._connection is not None and self.trouble is None:
            self._compacts = True
            with suppress(sqlite3.Error):  # the file keeps its size
                self._place.compact(self._connection)
            self._compacts = False
        self._disconnect()

    def _next_batch(self) -> list[_QueuedJob]:
        """Return up to BATCH jobs; none only when closing with an empty queue."""
        with self._changed:
            while not self._is_time():
                self._changed.wait(self._retry_at - self._clock() if self._queue else None)
            self._has_news = False
            batch = [self._queue.popleft() for _ in range(min(BATCH, len(self._queue)))]
            for entry in batch:
                if entry.key:
                    del self._by_key[entry.key]
            return batch

    def _is_time(self) -> bool:
        rested = self._clock() >= self._retry_at
        return self._closing or bool(self._queue and (self._has_news or rested))

    def _discard_queue(self) -> None:
        """Discard and log the queued jobs: the store closes, and the disk takes nothing."""
        with self._changed:
            if self._queue:
                lost = len(self._queue)
                log.error("%d records could not be written to %s: %s", lost, self._where, self.trouble)
            while self._queue:
                self._queue.popleft().give(None, sqlite3.OperationalError(self.trouble or ""))
            self._by_key.clear()

    def _write(self, batch: list[_QueuedJob]) -> None:
        self._busy_since = self._clock()
        batch = [entry for entry in batch if entry.lasting or entry.done.set_running_or_notify_cancel()]
        outcomes = self._attempt(batch)
        once = [entry for entry in batch if not entry.lasting]
        if once and len(once) < len(batch) and all(outcome.trouble is not None for outcome in outcomes):
            # A plain job may be small enough for a full disk, and has no second chance.
            lasting = [outcome for outcome in outcomes if outcome.entry.lasting]
            outcomes = [*lasting, *self._attempt(once)]
        self._busy_since = None
        self._conclude(outcomes)

    def _attempt(self, batch: list[_QueuedJob]) -> list[_JobResult]:
        """Return the result of each job in one transaction."""
        try:
            return self._run_batch(batch)
        except Exception as error:  # the transaction failed as a whole, whatever the cause
            trouble = disk_trouble(error)
            if trouble is None:
                trouble = why(error)
                if trouble != self.trouble:
                    log.exception("a transaction on %s failed", self._where)
            self._roll_back(error)
            return [_JobResult(entry, None, error, trouble) for entry in batch]

    def _run_batch(self, batch: list[_QueuedJob]) -> list[_JobResult]:
        if self._connection is None:
            self._connection = self._place.connect()
        self._place.check()
        connection, synced = self._connection, any(entry.synced for entry in batch)
        connection.execute(f"PRAGMA synchronous = {'FULL' if synced else 'NORMAL'}")
        connection.execute("BEGIN IMMEDIATE")
        outcomes: list[_JobResult] = []
        full: _JobResult | None = None
        for entry in batch:
            if entry.lasting and full is not None:
                # This job would fail in the same way, and the order of jobs must be kept.
                outcomes.append(replace(full, entry=entry))
                continue
            outcome = _run_job(connection, entry)
            outcomes.append(outcome)
            if entry.lasting and outcome.trouble is not None:
                full = outcome
        commit(connection, synced)
        return outcomes

    def _conclude(self, outcomes: list[_JobResult]) -> None:
        again: list[_QueuedJob] = []
        for outcome in outcomes:
            entry = outcome.entry
            if not entry.lasting or outcome.failure is None:
                continue
            if outcome.trouble is not None:
                again.append(_QueuedJob(entry.job, True, entry.key, entry.synced))
            else:
                log.error("a record cannot be stored in %s: %s", self._where, outcome.failure)
        self._requeue(again)
        if any(_connection_is_lost(outcome.failure) for outcome in outcomes):
            self._disconnect()
        trouble = next((outcome.trouble for outcome in outcomes if outcome.trouble is not None), None)
        if trouble is not None:
            self._log_trouble(trouble)
        elif outcomes:
            self._log_recovery()
        for outcome in outcomes:
            outcome.entry.give(outcome.result, outcome.failure)

    def _requeue(self, again: list[_QueuedJob]) -> None:
        """Requeue these jobs in front, in order, except those replaced by a newer one."""
        with self._changed:
            for entry in reversed(again):
                if entry.key in self._by_key:
                    continue
                entry.done.set_running_or_notify_cancel()
                self._queue.appendleft(entry)
                if entry.key:
                    self._by_key[entry.key] = entry
            while len(self._queue) > MOST_QUEUED:
                self._drop_oldest()

    def _roll_back(self, error: Exception) -> None:
        if _connection_is_lost(error):
            self._disconnect()
        elif self._connection is not None and self._connection.in_transaction:
            try:
                self._connection.execute("ROLLBACK")
            except sqlite3.Error as second:
                log.debug("rolling back: %s", second)
                self._disconnect()

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            try:
                connection.close()
            except sqlite3.Error as error:
                log.debug("closing: %s", error)

    def _log_trouble(self, trouble: str) -> None:
        self._retry_at = self._clock() + RETRY_S
        if self.trouble is None:
            log.error("cannot write to %s: %s; the light goes on", self._where, trouble)
        self.trouble = trouble

    def _log_recovery(self) -> None:
        if self.trouble is not None:
            lost = f"; {self._dropped} records of meanwhile are lost" if self._dropped else ""
            log.warning("writing to %s works again%s", self._where, lost)
        self.trouble, self._dropped = None, 0


def _both_done(first: Future[Any], second: Future[Any]) -> Future[Any]:
    """Return a future for both, with the result of the second or the error of either."""
    both: Future[Any] = Future()
    both.set_running_or_notify_cancel()

    def end(_: object) -> None:
        failure = first.exception() or second.exception()
        if failure is None:
            both.set_result(second.result())
        else:
            both.set_exception(failure)

    first.add_done_callback(lambda _: second.add_done_callback(end))
    return both


def _connection_is_lost(failure: BaseException | None) -> bool:
    """Return true for a failure after which a connection is useless."""
    return getattr(failure, "sqlite_errorname", "").startswith(_OPENED_ANEW)


def _run_job(connection: sqlite3.Connection, entry: _QueuedJob) -> _JobResult:
    """Return the result of a job; a failed one leaves no changes."""
    connection.execute("SAVEPOINT job")
    try:
        result = entry.job(connection)
    except Exception as error:  # The caller of a job gets its error.
        if not connection.in_transaction:
            # A full disk makes SQLite roll back the whole transaction: the batch is lost, not this job alone.
            raise
        connection.execute("ROLLBACK TO job")
        connection.execute("RELEASE job")
        return _JobResult(entry, None, error, disk_trouble(error))
    connection.execute("RELEASE job")
    return _JobResult(entry, result, None, None)


T = TypeVar("T")


async def wait_until_stored(
    future: Future[T],
    late: Callable[[T], Any] | None = None,
    in_doubt: Callable[[], Any] | None = None,
) -> T:
    """Return the result of a job once it is on the disk.

    Raises NotStoredError if that fails or takes longer than `ANSWER_TIMEOUT_S`. A queued job is then
    withdrawn. A running one cannot be: if it is stored after all, `late` is called with its result, on the
    writing thread. A job that failed may be stored all the same, if only the sync failed: then `in_doubt` is
    called, on either thread.
    """
    waiting = asyncio.wrap_future(future)
    waiting.add_done_callback(_retrieve_error)
    done, _ = await asyncio.wait((waiting,), timeout=ANSWER_TIMEOUT_S)
    if not done:
        if not future.cancel():
            future.add_done_callback(lambda one: _tell_end(one, late, in_doubt))
        raise NotStoredError(NO_ANSWER)
    try:
        return waiting.result()
    except (sqlite3.Error, OSError, StorageError) as error:
        if in_doubt is not None:
            in_doubt()
        raise NotStoredError(disk_trouble(error) or str(error)) from error


def _tell_end(future: Future[T], late: Callable[[T], Any] | None, in_doubt: Callable[[], Any] | None) -> None:
    """Tell of a job that has ended after nobody waited for it any more."""
    if future.exception() is None:
        if late is not None:
            late(future.result())
    elif in_doubt is not None:
        in_doubt()


def _retrieve_error(waiting: asyncio.Future[Any]) -> None:
    """Fetch the error of a future whose waiter may have gone, so that asyncio does not log it."""
    if not waiting.cancelled():
        waiting.exception()
