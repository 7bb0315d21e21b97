"""The disk of a world: folders that outlive a killed daemon, and databases whose writes fail, hang and tear.

Kill -9 leaves every write that the system took. A power cut leaves what was synced, and any part of the rest.
When SQLite syncs is told by sqlite.org, "Write-Ahead Logging" and "PRAGMA synchronous": with FULL it syncs
the log after each commit, with NORMAL only before a checkpoint; it syncs the database after one, and the
log's header when the log begins anew. That much is certain. Of frames that were written to the log since, and
of pages that a checkpoint is just writing, each sector of 512 octets is old, new or torn (sqlite.org, "Atomic
Commit In SQLite", 2). A lost sector reads as zeros here, for what it held before had other salts in any case.
A sync that fails leaves its transaction in the log, and says that it failed.

Not modelled: a drive that lies about a sync; sectors that turn bad, or that a failed sync has let go; a
header of the log that was not synced yet, which leaves a log that is in the database already; the making of
the files, which the daemon syncs before it answers anybody; the order of names in the folder; reads that fail
or hang.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

from simulation.machine import threads

FILE = "fillside.db"
SECTOR = 512
LOG_HEADER, FRAME_HEADER = 32, 24
FRAMES_AT = 16
"""Offset of the number of frames in the log's index (sqlite.org, "WAL-mode File Format", 2.1)."""
CHECKPOINT_FRAMES = (1_000, 1_000, 60, 12)
"""Frames in the log after which it is put into the database: SQLite's own number, and such that a short
story sees it done."""
REFUSALS = {
    "full": ("SQLITE_FULL", "database or disk is full"),
    "fails": ("SQLITE_IOERR_WRITE", "disk I/O error"),
    "read-only": ("SQLITE_READONLY", "attempt to write a readonly database"),
}
OPENING = {
    "full": ("SQLITE_IOERR_SHMSIZE", "disk I/O error"),
    "fails": ("SQLITE_IOERR_FSYNC", "disk I/O error"),
    "read-only": ("SQLITE_CANTOPEN", "unable to open database file"),
}
CATCHES_UP_S = 1.5
"""Time in which all that waits is written, once the disk takes it again."""
WRITES = ("INSERT", "UPDATE", "DELETE")


class Disk:
    """Where the daemon keeps its data. Each death leaves a copy of what the disk had then; the next start
    goes on from that, so nothing that a dead process still held open can reach it.

    Attributes:
        faults: what keeps it from taking anything, keys of `REFUSALS`; each fault takes away what it put in.
        hangs_until_s: writes wait until then.
        slow_s: the longest time that a sync takes while the disk is slow; 0 while it is not.
        power_fails: whether the next death is by a power cut.
        refused_s: when it first refused a write since it last took one; None while all is well.
        taken_s: when it took one, and was so well that nothing waited any more.
        behind: whether what is on it may be older than what the daemon wrote last.
        well_since_s: from when on it has had no fault.
        spans: when it took nothing: from, to.
    """

    def __init__(self, folder: Path, random: Random, now: Callable[[], float]) -> None:
        self._folder, self._random, self._now, self._lives = folder, random, now, 0
        self.data = folder / "kept-0"
        self.faults: list[str] = []
        self.spans: list[tuple[float, float]] = []
        self.hangs_until_s = self.slow_s = 0.0
        self.power_fails = self.behind = False
        self.refused_s: float | None = None
        self.taken_s: list[float] = []
        self.well_since_s = -CATCHES_UP_S
        self._checkpoint_frames = random.choice(CHECKPOINT_FRAMES)
        self._writers: list[_Writer] = []
        self._synced: tuple[bytes, int] = (b"", 0)
        self._database_before: bytes | None = None

    @property
    def well(self) -> bool:
        return not self.faults and self.hangs_until_s <= self._now() and not self.slow_s

    @property
    def well_for_s(self) -> float:
        """How long it has been well; 0 while it is not."""
        return max(0.0, self._now() - self.well_since_s) if self.well else 0.0

    @contextlib.contextmanager
    def failing(self, fault: str) -> Iterator[None]:
        """Take nothing while inside, for the reason `fault`."""
        began_s = self._now()
        self.faults.append(fault)
        yield
        self.faults.remove(fault)
        self.well_since_s = max(self.hangs_until_s, self._now())  # it may hang on
        self.spans.append((began_s, self._now()))

    def hang(self, seconds: float) -> None:
        """Let every write wait from now on for a time."""
        began_s = self._now()
        self.hangs_until_s = self.well_since_s = max(self.hangs_until_s, began_s + seconds)
        self.spans.append((began_s, began_s + seconds))

    def killed(self) -> None:
        """Go on from the files as the system has them, or a power cut left them; SQLite makes its shared
        memory anew."""
        before, log = self.data, self.data / f"{FILE}-wal"
        self.behind = self.power_fails or self.well_for_s < CATCHES_UP_S
        self._lives += 1
        self.data = self._folder / f"kept-{self._lives}"
        if not before.exists():
            return
        shutil.copytree(before, self.data, ignore=shutil.ignore_patterns("*-shm"))
        if self.power_fails and log.exists() and self._writers:
            if self._database_before is not None:
                now = (before / FILE).read_bytes()
                (self.data / FILE).write_bytes(self._torn(self._database_before, now))
            else:
                (self.data / log.name).write_bytes(self._cut_log(log.read_bytes(), *self._index(before)))
        self.power_fails, self._database_before, self._synced = False, None, (b"", 0)
        self._writers.clear()

    def ended(self) -> None:
        """A daemon has ended by itself. What it could not close ends with it."""
        self.behind = self.behind or self.well_for_s < CATCHES_UP_S
        if self._writers:
            self.killed()

    def database(self, uri: str) -> sqlite3.Connection:
        """Stand in for `System.database`."""
        if "mode=" in uri:
            return _opened(uri, sqlite3.Connection)
        if self.faults:
            self.refuse(OPENING[self._random.choice(self.faults)])
        connection = _opened(uri, _Writer)
        assert isinstance(connection, _Writer)
        connection.disk = self
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        self._writers.append(connection)
        return connection

    def journal(self) -> list[tuple[Any, ...]]:
        """Read every row of the journal as it is on the disk, in order; called when no daemon runs."""
        if not (self.data / FILE).exists():
            return []
        connection = _opened((self.data / FILE).as_uri(), sqlite3.Connection)
        try:
            return connection.execute("SELECT * FROM journal ORDER BY id").fetchall()
        finally:
            connection.close()

    # Called by the connection for writing

    def wait(self, seconds: float) -> None:
        """Let the time of a write pass; on the event loop's thread, at the start, none does."""
        if threads.current_thread() is None:
            return
        until = self._now() + seconds
        if self.hangs_until_s > self._now() and self.refused_s is None:
            self.refused_s = self._now()
        while (left := max(until, self.hangs_until_s) - self._now()) > 0:
            threads.sleep(left)

    def sync_s(self) -> float:
        """Draw how long a sync takes: a flash card's controller tidies up now and then."""
        draw = self._random.random
        if self.slow_s:
            return self.slow_s * draw()
        return 0.001 * draw() if draw() < 0.9 else 0.005 + 0.045 * draw()

    def chance(self, of: float) -> bool:
        return self._random.random() < of

    def refuse(self, refusal: tuple[str, str]) -> None:
        """Raise as SQLite does."""
        if self.refused_s is None:
            self.refused_s = self._now()
        name, text = refusal
        error = sqlite3.OperationalError(text)
        error.sqlite_errorname, error.sqlite_errorcode = name, getattr(sqlite3, name)
        raise error

    def synced(self) -> None:
        """Note that everything in the log is on the disk."""
        self._synced = self._index(self.data)
        self._database_before = None

    def took(self) -> None:
        self.refused_s = None
        if self.well_for_s > CATCHES_UP_S:
            self.taken_s.append(self._now())

    def closed(self, connection: _Writer) -> None:
        if connection in self._writers:
            self._writers.remove(connection)

    def checkpoint(self, connection: _Writer) -> None:
        """Put the log into the database where it is long enough, as SQLite does after a commit."""
        if self._index(self.data)[1] < self._checkpoint_frames:
            return
        self.wait(self.sync_s())
        self.synced()
        self._database_before = (self.data / FILE).read_bytes()
        connection.plain("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        self.wait(self.sync_s())
        self._database_before = None

    # Files

    def _index(self, folder: Path) -> tuple[bytes, int]:
        """Return the log's header, and the number of its frames that count."""
        try:
            with (folder / f"{FILE}-wal").open("rb") as log, (folder / f"{FILE}-shm").open("rb") as index:
                header = log.read(LOG_HEADER)
                index.seek(FRAMES_AT)
                return header, int.from_bytes(index.read(4), "little")
        except FileNotFoundError:
            return b"", 0

    def _cut_log(self, log: bytes, header: bytes, frames: int) -> bytes:
        frame = FRAME_HEADER + int.from_bytes(header[8:12], "big")
        certain = self._synced[1] if self._synced[0] == header else 0
        start, end = LOG_HEADER + certain * frame, LOG_HEADER + frames * frame
        if len(header) < LOG_HEADER or start >= end:
            return log
        before = log[:start] + bytes(end - start) + log[end:]
        torn = self._torn(before, log)
        if len(log) > end:
            return torn
        lost = range(start - start % SECTOR, end, SECTOR)
        kept = [each for each in lost if torn[each : each + SECTOR] != before[each : each + SECTOR]]
        return torn[: max(start, kept[-1] + SECTOR if kept else start)]

    def _torn(self, before: bytes, now: bytes) -> bytes:
        """Compose a file of two: in each sector that differs, the one, the other, or part of each."""
        random = self._random
        written = random.choice((0.0, 0.3, 0.7, 0.95, 1.0))
        before = before.ljust(len(now), b"\0")
        made = bytearray(before)
        for start in range(0, len(now), SECTOR):
            old, new = before[start : start + SECTOR], now[start : start + SECTOR]
            if old == new or random.random() >= written:
                continue
            part = random.randrange(len(new)) if random.random() < 0.05 else len(new)
            made[start : start + part] = new[:part]
        return bytes(made)


def _opened(uri: str, factory: type[sqlite3.Connection]) -> sqlite3.Connection:
    """Open a database; nobody waits for another's lock, since that would be real time."""
    return sqlite3.connect(
        uri, uri=True, isolation_level=None, check_same_thread=False, timeout=0.0, factory=factory
    )


class _Writer(sqlite3.Connection):
    """The connection of the thread that writes. Its statements fail and take their time as the disk says."""

    disk: Disk
    _is_full = True

    def plain(self, sql: str, values: Any = ()) -> sqlite3.Cursor:
        return super().execute(sql, values)

    def execute(self, sql: str, values: Any = ()) -> sqlite3.Cursor:
        word = sql.split(None, 1)[0].upper()
        if word == "COMMIT":
            return self._commit()
        self._fail_at(word)
        if sql.startswith("PRAGMA synchronous"):
            self._is_full = "FULL" in sql
        found = super().execute(sql, values)
        if not self.in_transaction and word not in ("PRAGMA", "SELECT"):
            self.disk.synced()
        return found

    def executemany(self, sql: str, rows: Any) -> sqlite3.Cursor:
        rows = list(rows)
        if rows:
            self._fail_at(sql.split(None, 1)[0].upper())
        return super().executemany(sql, rows)

    def executescript(self, script: str) -> sqlite3.Cursor:
        found = super().executescript(script)
        self.disk.synced()
        return found

    def close(self) -> None:
        super().close()
        self.disk.closed(self)

    def _fail_at(self, word: str) -> None:
        disk = self.disk
        if word in WRITES and disk.chance(0.1):
            disk.wait(0.0)
        if not disk.faults:
            return
        fault = disk.faults[-1]
        if (word in WRITES and (fault == "read-only" or disk.chance(0.2))) or word == "VACUUM":
            if fault == "full" and self.in_transaction and disk.chance(0.5):
                super().execute("ROLLBACK")
            disk.refuse(REFUSALS[fault])

    def _commit(self) -> sqlite3.Cursor:
        disk = self.disk
        sync_s = disk.sync_s() if self._is_full else 0.0
        before = disk.chance(0.5)
        disk.wait(sync_s if before else 0.0)
        if disk.faults:
            self._fail_commit(disk.faults[-1])
        found = super().execute("COMMIT")
        disk.wait(0.0 if before else sync_s)
        if self._is_full:
            disk.synced()
        disk.took()
        disk.checkpoint(self)
        return found

    def _fail_commit(self, fault: str) -> None:
        """Fail before the log is written, or where only its sync fails: then the next who opens the file
        finds the transaction there. SQLite may have rolled it back by itself (sqlite.org, "Transactions")."""
        disk = self.disk
        if fault == "fails" and disk.chance(0.3):
            super().execute("COMMIT")
        elif disk.chance(0.5):
            super().execute("ROLLBACK")
        disk.refuse(REFUSALS[fault])
