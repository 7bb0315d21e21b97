"""Errors of the data folder.

StorageError            any of these; its text is one line for people
      FolderInUseError      another daemon holds the folder
      FolderUnusableError   the folder cannot be made, read or written
      DataTooNewError       a newer Fillside wrote it
      NotStoredError        the data is not on the disk, and will not be
"""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

from fillside.system_errors import why

_WHY = (
    ("SQLITE_FULL", "the disk is full"),
    ("SQLITE_IOERR_SHMSIZE", "the disk is full"),
    ("SQLITE_READONLY", "the data folder is read-only"),
    ("SQLITE_IOERR", "the disk fails"),
    ("SQLITE_CANTOPEN", "the data folder cannot be written"),
    ("SQLITE_BUSY", "another program holds the database"),
    ("SQLITE_LOCKED", "another program holds the database"),
    ("SQLITE_CORRUPT", "the database is damaged"),
    ("SQLITE_NOTADB", "the database is damaged"),
    ("SQLITE_NOMEM", "the memory is full"),
    ("SQLITE_PERM", "the data folder may not be written"),
    ("SQLITE_PROTOCOL", "another program holds the database"),
)
"""Plain words for SQLite's result codes (sqlite.org, "Result and Error Codes"); longer names first."""
_OF_ERRNO = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk is full",
    errno.EROFS: "the data folder is read-only",
    errno.EACCES: "the data folder may not be written",
    errno.EPERM: "the data folder may not be written",
    errno.EIO: "the disk fails",
}
"""Plain words for the system's own codes (POSIX.1-2017, `errno.h`)."""


def disk_trouble(error: BaseException) -> str | None:
    """Return the trouble of the disk or folder that may pass later; None for a fault of another kind.

    >>> disk_trouble(ValueError("no number")) is None
    True
    >>> disk_trouble(OSError(errno.ENOSPC, "No space left on device"))
    'the disk is full'
    """
    if isinstance(error, OSError):
        return _OF_ERRNO.get(error.errno or 0) or why(error)
    if isinstance(error, FolderUnusableError):
        return error.reason
    if isinstance(error, StorageError):
        return str(error)
    if not isinstance(error, sqlite3.Error):
        return None
    name = getattr(error, "sqlite_errorname", "")
    return next((words for start, words in _WHY if name.startswith(start)), None)


class StorageError(Exception):
    """An error of the stored data; the text is one clear line."""


class FolderInUseError(StorageError):
    def __init__(self, folder: Path, holder: str) -> None:
        self.folder, self.holder = folder, holder
        by = f" (process {holder})" if holder else ""
        super().__init__(
            f"{folder} is held by another Fillside daemon{by}; stop that one or give another --data folder"
        )


class FolderUnusableError(StorageError):
    def __init__(self, folder: Path, reason: str) -> None:
        self.folder, self.reason = folder, reason
        super().__init__(f"cannot keep anything in {folder}: {reason}")


class NotStoredError(StorageError):
    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class DataTooNewError(StorageError):
    def __init__(self, path: Path, found: int, known: int) -> None:
        self.path, self.found, self.known = path, found, known
        super().__init__(
            f"{path} was written by a newer Fillside (schema {found}, this one knows {known}); "
            "upgrade, or give another --data folder"
        )
