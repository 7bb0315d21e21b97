"""The folder a daemon keeps its data in, and the lock that makes it the only one."""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
import stat
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from fillside.storage.errors import FolderInUseError, FolderUnusableError, disk_trouble

log = logging.getLogger(__name__)

PRIVATE_FOLDER, PRIVATE_FILE = 0o700, 0o600


def default_folder(rig_name: str, environ: Mapping[str, str]) -> Path:
    """Where a rig's data is kept when nobody says: a folder of its name in the state folder.

    >>> default_folder("corner", {"XDG_STATE_HOME": "/home/me/.state"}).as_posix()
    '/home/me/.state/fillside/corner'
    """
    return state_folder(environ) / rig_name


def state_folder(environ: Mapping[str, str]) -> Path:
    """The folder above all rigs' folders; the service's own when a service manager names one."""
    if service := environ.get("STATE_DIRECTORY", "").split(":", maxsplit=1)[0]:
        return Path(service)
    if state := environ.get("XDG_STATE_HOME", ""):
        return Path(state) / "fillside"
    return Path(environ.get("HOME") or "/") / ".local" / "state" / "fillside"


class LockedFolder:
    """A folder only this process writes to, from construction to `close`.

    The lock belongs to the open files, so the kernel frees it however the process ends. Where nothing can be
    written (read-only, full) the folder is locked all the same: it may be writable again before we end.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._open: list[int] = []
        try:
            path.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
            self._open.append(os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))
        except OSError as error:
            raise FolderUnusableError(path, disk_trouble(error) or str(error)) from error
        own = self._lock_file()
        for each in self._open:
            try:
                fcntl.flock(each, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                holder = self._holder(own)
                self.close()
                raise FolderInUseError(path, holder) from error
            except OSError as error:
                # A file system without such locks; a port is taken by one daemon alone all the same.
                log.debug("%s cannot be locked: %s", path, error)
        if own is not None:
            self._say_who(own)

    def _lock_file(self) -> int | None:
        """The file that names the holder, opened to write or only to read; None where there is none.

        Anything else of that name, such as a folder, is left alone: the lock on the folder holds without it.
        """
        for mode in (os.O_RDWR | os.O_CREAT, os.O_RDONLY):
            try:
                found = os.open(self.path / "lock", mode | os.O_CLOEXEC | os.O_NONBLOCK, PRIVATE_FILE)
            except OSError:
                continue
            self._open.append(found)
            return found if stat.S_ISREG(os.fstat(found).st_mode) else None
        return None

    @staticmethod
    def _holder(lock: int | None) -> str:
        return "" if lock is None else os.read(lock, 32).decode("ascii", "replace").strip()

    @staticmethod
    def _say_who(lock: int) -> None:
        # On a full or read-only disk the name is missing; the lock holds without it.
        with contextlib.suppress(OSError):
            os.ftruncate(lock, 0)
            os.pwrite(lock, f"{os.getpid()}\n".encode("ascii"), 0)

    def sync(self) -> None:
        """Have the disk keep that the folder is there, and what files it has."""
        for folder in (self.path, self.path.parent):
            with contextlib.suppress(OSError):
                opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
                try:
                    os.fsync(opened)
                finally:
                    os.close(opened)

    def close(self) -> None:
        """Let go of the folder; may be called again."""
        while self._open:
            os.close(self._open.pop())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
