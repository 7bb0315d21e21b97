"""The data folder of a daemon, and the lock that keeps other daemons out."""

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
    """Return the default folder of a rig's data: one of its name in the state folder.

    >>> default_folder("corner", {"XDG_STATE_HOME": "/home/me/.state"}).as_posix()
    '/home/me/.state/fillside/corner'
    """
    return state_folder(environ) / rig_name


def state_folder(environ: Mapping[str, str]) -> Path:
    """Return the folder above all rigs' folders; the service's own when a service manager names one."""
    if service := environ.get("STATE_DIRECTORY", "").split(":", maxsplit=1)[0]:
        return Path(service)
    if state := environ.get("XDG_STATE_HOME", ""):
        return Path(state) / "fillside"
    return Path(environ.get("HOME") or "/") / ".local" / "state" / "fillside"


class LockedFolder:
    """A folder to which only this process writes, from construction to `close`.

    The lock belongs to the open files, so the kernel frees it however the process ends. A folder that cannot
    be written (read-only, full) is locked all the same: it may become writable again during the run.
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
                holder = self._read_holder(own)
                self.close()
                raise FolderInUseError(path, holder) from error
            except OSError as error:
                # The file system has no such locks; the port still admits one daemon alone.
                log.debug("%s cannot be locked: %s", path, error)
        if own is not None:
            self._write_holder(own)

    def _lock_file(self) -> int | None:
        """Open the file that names the holder, for writing or only for reading; None where there is none.

        Anything else of that name, such as a folder, is left as it is: the lock on the folder holds without
        it.
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
    def _read_holder(lock: int | None) -> str:
        return "" if lock is None else os.read(lock, 32).decode("ascii", "replace").strip()

    @staticmethod
    def _write_holder(lock: int) -> None:
        # The name is missing on a full or read-only disk; the lock holds without it.
        with contextlib.suppress(OSError):
            os.ftruncate(lock, 0)
            os.pwrite(lock, f"{os.getpid()}\n".encode("ascii"), 0)

    def sync(self) -> None:
        """Flush the folder and its list of files to the disk."""
        for folder in (self.path, self.path.parent):
            with contextlib.suppress(OSError):
                opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
                try:
                    os.fsync(opened)
                finally:
                    os.close(opened)

    def close(self) -> None:
        """Release the folder; idempotent."""
        while self._open:
            os.close(self._open.pop())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
