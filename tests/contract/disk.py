"""A disk for the tests of what is kept: a real one whose commits are held up, counted or made to fail."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable

WAIT_S = 60.0


class Disk:
    """Stands between the writer and its disk, in place of `storage.writer.commit`.

    `fails` is raised in place of a commit, `sync_fails` after one: what was written is found there when the
    file is opened anew, as it is where SQLite has written the log and cannot sync it.
    `commits` has SQLite's `synchronous` at each: 2 is FULL, 1 is NORMAL.
    """

    def __init__(self) -> None:
        self.commits: list[int] = []
        self.fails: Exception | None = None
        self.sync_fails: Exception | None = None
        self.at_it, self.open = threading.Event(), threading.Event()
        self.open.set()

    def commit(self, connection: sqlite3.Connection, synced: bool) -> None:
        (now,) = connection.execute("PRAGMA synchronous").fetchone()
        self.at_it.set()
        assert self.open.wait(WAIT_S)
        if self.fails is not None:
            raise self.fails
        connection.execute("COMMIT")
        if self.sync_fails is not None:
            raise self.sync_fails
        self.commits.append(now)

    def hang(self) -> None:
        """Be at the next commit until `open` is set; `at_it` is set once it is."""
        self.at_it.clear()
        self.open.clear()


def full() -> sqlite3.OperationalError:
    """What SQLite says on a full disk."""
    error = sqlite3.OperationalError("database or disk is full")
    error.sqlite_errorname = "SQLITE_FULL"  # type: ignore[misc]
    return error


def unsynced() -> sqlite3.OperationalError:
    """The error of SQLite where a sync fails."""
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorname = "SQLITE_IOERR_FSYNC"  # type: ignore[misc]
    return error


def until(true: Callable[[], bool]) -> None:
    """Wait for another thread."""
    deadline = time.monotonic() + WAIT_S
    while not true():
        assert time.monotonic() < deadline, "did not come true"
        time.sleep(0.01)
