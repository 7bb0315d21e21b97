"""The location of a store's database: a file in a locked folder, or memory.

A folder that cannot be written may still be readable. Its database is then copied aside, migrated there and
held in memory, until a later attempt can open the file itself.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path

from fillside.storage.errors import DataTooNewError, FolderUnusableError, disk_trouble
from fillside.storage.folder import LockedFolder
from fillside.storage.migrate import migrate
from fillside.storage.opening import ReportLoss, compact, connect_writer, copy_into, open_or_renew
from fillside.system_errors import why
from fillside_drivers.system import SYSTEM, System

SCRATCH_FOLDERS = ("/dev/shm", None)
"""Folders for a copy: in memory, else the one for temporary files."""


class MemoryDatabase:
    """An empty, up-to-date database in memory, discarded by `close`."""

    def __init__(self) -> None:
        self.where = "memory"
        self.uri = f"file:fillside-{uuid.uuid4()}?mode=memory&cache=shared"
        self.connection = connect_writer(self.uri)
        migrate(self.connection, Path(":memory:"))

    @property
    def is_file(self) -> bool:
        return False

    def connect(self) -> sqlite3.Connection:
        """Return a connection for writing."""
        return connect_writer(self.uri)

    def check(self) -> None:
        """Do nothing; memory cannot be lost."""

    def compact(self, connection: sqlite3.Connection) -> None:
        """Do nothing; memory ends with the process."""

    def close(self) -> None:
        self.connection.close()


class DatabaseFile:
    """A database file in a folder of its own, locked until `close`; `uri` is the address for reading.

    The file is created if absent and renewed where damaged; `say` receives the losses.
    """

    def __init__(self, path: Path, say: ReportLoss, system: System = SYSTEM) -> None:
        self._system = system
        self._folder, self._path, self._say = path.parent, path, say
        self._lock: LockedFolder | None = None
        self._opened: sqlite3.Connection | None = None
        self._memory: MemoryDatabase | None = None
        self._is_known = False
        self._file: tuple[int, int] | None = None
        self.where = str(self._path)
        self.uri = f"{self._path.absolute().as_uri()}?mode=ro"

    @property
    def is_file(self) -> bool:
        """True when the file itself is open, false for its copy in memory."""
        return self._memory is None

    def open(self) -> None:
        """Lock the folder and open the file.

        Raises FolderInUseError, FolderUnusableError or DataTooNewError.
        """
        self._lock = LockedFolder(self._folder)
        is_new = not self._path.exists()
        try:
            self._opened, self._is_known = open_or_renew(self._path, self._say, self._system), True
        except (OSError, sqlite3.Error) as error:
            raise FolderUnusableError(self._folder, disk_trouble(error) or why(error)) from error
        if is_new:
            self._lock.sync()

    def open_copy(self) -> None:
        """Lock the folder if it exists, and read its database into memory.

        Raises FolderInUseError or DataTooNewError.
        """
        with contextlib.suppress(FolderUnusableError):
            self._lock = LockedFolder(self._folder)
        memory = self._memory = MemoryDatabase()
        self.uri = memory.uri
        if not self._path.exists():
            return
        try:
            with _copied(self._path) as copy:
                copy_into(copy, memory.connection, self._say)
        except DataTooNewError as error:
            raise DataTooNewError(self._path, error.found, error.known) from None
        except (OSError, sqlite3.Error) as error:
            self._say(f"nothing kept in {self._path} can be read: {disk_trouble(error) or why(error)}")
        else:
            self._is_known = True

    def connect(self) -> sqlite3.Connection:
        """Return a connection for writing; only one thread may call this.

        Raises OSError, sqlite3.Error or a StorageError while none is available.
        """
        opened, self._opened = self._opened, None
        connection = opened or self._opened_anew()
        self._file = _file(self._path)
        self.uri = f"{self._path.absolute().as_uri()}?mode=ro"
        memory, self._memory = self._memory, None
        if memory is not None:
            memory.close()
        return connection

    def _opened_anew(self) -> sqlite3.Connection:
        if self._lock is None:
            self._lock = LockedFolder(self._folder)
        connection = open_or_renew(self._path, self._say, self._system)
        if not self._is_known and _has_data(connection):
            connection.close()
            raise FolderUnusableError(
                self._folder, "it has data that could not be read at the start; start again to take them up"
            )
        self._is_known = True
        return connection

    def check(self) -> None:
        """Raise FolderUnusableError if the file is gone: SQLite would go on writing to a removed file."""
        if _file(self._path) != self._file:
            raise FolderUnusableError(
                self._folder, "the database was moved or removed meanwhile; put it back, or start again"
            )

    def compact(self, connection: sqlite3.Connection) -> None:
        """Return unused space to the disk, where it is large."""
        compact(connection)

    def close(self) -> None:
        """Release the folder; idempotent."""
        if self._opened is not None:
            self._opened.close()
        if self._memory is not None:
            self._memory.close()
        if self._lock is not None:
            self._lock.close()


def _file(path: Path) -> tuple[int, int] | None:
    """Return the identity of the file at a path; None for no file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _has_data(connection: sqlite3.Connection) -> bool:
    found = connection.execute(
        "SELECT EXISTS (SELECT 1 FROM remembered) OR EXISTS (SELECT 1 FROM reading) "
        "OR EXISTS (SELECT 1 FROM take)"
    ).fetchone()
    return bool(found[0])


@contextlib.contextmanager
def _copied(path: Path) -> Iterator[Path]:
    """Yield a copy of a database with its write-ahead log, in the first scratch folder that takes it."""
    failure: OSError | None = None
    for parent in SCRATCH_FOLDERS:
        try:
            scratch = tempfile.TemporaryDirectory(prefix="fillside-", dir=parent)
        except OSError as error:
            failure = error
            continue
        with scratch as folder:
            try:
                for suffix in ("", "-wal"):
                    name = path.name + suffix
                    if (path.parent / name).exists():
                        shutil.copyfile(path.parent / name, Path(folder) / name)
            except OSError as error:
                failure = error
                continue
            yield Path(folder) / path.name
            return
    assert failure is not None, "a folder was tried"
    raise failure
