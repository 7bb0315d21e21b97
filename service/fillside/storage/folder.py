"""The folder a daemon keeps its data in, and the lock that makes it the only one."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from fillside.plain_errors import why
from fillside.storage.errors import FolderInUseError, FolderUnusableError

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

    The lock belongs to the open file, so the kernel frees it however the process ends.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
            if (path / "lock").is_dir():
                # It locks nothing, and would keep everything from being kept.
                (path / "lock").rename(path / f"lock.damaged-{time.strftime('%Y-%m-%d-%H%M%S')}")
            self._lock = os.open(path / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, PRIVATE_FILE)
        except OSError as error:
            raise FolderUnusableError(path, why(error)) from error
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.read(self._lock, 32).decode("ascii", "replace").strip()
            os.close(self._lock)
            raise FolderInUseError(path, holder) from error
        self._open = True
        self._say_who()

    def _say_who(self) -> None:
        try:
            os.ftruncate(self._lock, 0)
            os.pwrite(self._lock, f"{os.getpid()}\n".encode("ascii"), 0)
        except OSError as error:
            # The lock itself holds; but a folder that takes no byte will not take the data either.
            self.close()
            raise FolderUnusableError(self.path, why(error)) from error

    def close(self) -> None:
        """Let go of the folder; may be called again."""
        if self._open:
            self._open = False
            os.close(self._lock)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
