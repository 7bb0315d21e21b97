"""Where the database of a store is: a file in a locked folder, or memory.

A folder that cannot be written to may still be read. Its database is then copied aside, brought up to date
there and held in memory, until a later attempt finds that the file itself can be opened.
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
from fillside.storage.opening import Say, compact, connect_writer, copy_into, open_or_renew
from fillside.system_errors import why

SCRATCH_FOLDERS = ("/dev/shm", None)
"""Where a copy is made: in memory, else where temporary files go."""


class MemoryDatabase:
    """A database in memory, up to date and empty. It ends with `close`."""

    def __init__(self) -> None:
        self.where = "memory"
        self.uri = f"file:fillside-{uuid.uuid4()}?mode=memory&cache=shared"
        self.connection = connect_writer(self.uri)
        migrate(self.connection, Path(":memory:"))

    @property
    def is_file(self) -> bool:
        return False

    def connect(self) -> sqlite3.Connection:
        """A connection to write by."""
        return connect_writer(self.uri)

    def check(self) -> None:
        """It cannot be lost."""

    def compact(self, connection: sqlite3.Connection) -> None:
        """It ends with the process."""

    def close(self) -> None:
        self.connection.close()


class DatabaseFile:
    """A database file in a folder of its own, locked until `close`; `uri` is what to read by.

    The file is made if it is not there and renewed where it is damaged; `say` is told what is lost.
    """

    def __init__(self, path: Path, say: Say) -> None:
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
        """Whether the file itself is open."""
        return self._memory is None

    def open(self) -> None:
        """Lock the folder and open the file.

        Raises FolderInUseError, FolderUnusableError or DataTooNewError.
        """
        self._lock = LockedFolder(self._folder)
        is_new = not self._path.exists()
        try:
            self._opened, self._is_known = open_or_renew(self._path, self._say), True
        except (OSError, sqlite3.Error) as error:
            raise FolderUnusableError(self._folder, disk_trouble(error) or why(error)) from error
        if is_new:
            self._lock.sync()

    def open_copy(self) -> None:
        """Lock the folder if it is there, and read what it has into memory.

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
        """A connection to write by; to be called by one thread alone.

        Raises OSError, sqlite3.Error or a StorageError while there is none to be had.
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
        connection = open_or_renew(self._path, self._say)
        if not self._is_known and _has_data(connection):
            connection.close()
            raise FolderUnusableError(
                self._folder, "it has data that could not be read at the start; start again to take them up"
            )
        self._is_known = True
        return connection

    def check(self) -> None:
        """Raise FolderUnusableError when the file has gone: SQLite would go on writing to what is no more."""
        if _file(self._path) != self._file:
            raise FolderUnusableError(
                self._folder, "the database was moved or removed meanwhile; put it back, or start again"
            )

    def compact(self, connection: sqlite3.Connection) -> None:
        """Give unused room back to the disk, where it is much."""
        compact(connection)

    def close(self) -> None:
        """Let go of the folder; may be called again."""
        if self._opened is not None:
            self._opened.close()
        if self._memory is not None:
            self._memory.close()
        if self._lock is not None:
            self._lock.close()


def _file(path: Path) -> tuple[int, int] | None:
    """Which file a path leads to; None if to none."""
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
    """A copy of a database with what its last writer had not yet put in its place, where one can be made."""
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
