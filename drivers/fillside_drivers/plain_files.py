"""Reading and writing plain files of a bounded size, such as the rig file and the files it names.

Reading a pipe could block forever, a device never ends, and opening a device may have side effects. Both are
refused at once, and so is a file that changes while it is read.
"""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from pathlib import Path

MIB = 1024 * 1024
LARGEST_TEXT_BYTES = MIB
"""Largest size of small texts: certificates, keys, passwords."""

_KINDS = {
    stat.S_IFDIR: "a folder",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}
_PIECE = MIB


class NotPlainError(OSError):
    """An existing file is refused; the text is a clause to follow the file's name."""


def plain_bytes(path: str | Path, most: int) -> bytes:
    """Read a plain file of at most `most` bytes.

    Raises:
        NotPlainError: the path is a pipe, a device, a folder or a socket, or the file is larger or changed
            meanwhile.
        OSError: the file cannot be opened.
    """
    try:
        _refuse_other_kinds(os.stat(path))
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    except ValueError:
        raise NotPlainError("no file can have such a name") from None
    try:
        before = os.fstat(handle)
        _refuse_other_kinds(before)
        if before.st_size > most:
            raise NotPlainError(f"it is larger than {_size(most)}")
        content = _read(handle, most)
        after = os.fstat(handle)
    finally:
        os.close(handle)
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise NotPlainError("it changed while it was read; try again once it is written")
    return content


def check_plain(path: str | Path, most: int = LARGEST_TEXT_BYTES) -> None:
    """Raise like `plain_bytes`, before another library opens the file by name."""
    plain_bytes(path, most)


def check_can_be_written(path: str | Path) -> None:
    """Raise NotPlainError if something other than a plain file is in the way, before any work is done."""
    with contextlib.suppress(FileNotFoundError):
        _refuse_other_kinds(os.stat(path))


def write_plain(path: str | Path, content: bytes) -> None:
    """Replace a plain file atomically; on failure the old one stays. Raises NotPlainError or OSError."""
    check_can_be_written(path)
    target = Path(path).resolve()
    mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else new_file_mode()
    handle, beside = tempfile.mkstemp(prefix=".fillside-", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(beside, mode)
        os.replace(beside, target)
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(beside)


def new_file_mode() -> int:
    """Return the permissions of a new file of this process; a temporary file has fewer."""
    mask = os.umask(0o022)
    os.umask(mask)
    return 0o666 & ~mask


def _refuse_other_kinds(found: os.stat_result) -> None:
    if not stat.S_ISREG(found.st_mode):
        kind = _KINDS.get(stat.S_IFMT(found.st_mode), "something else")
        raise NotPlainError(f"it is {kind}, not a plain file")


def _read(handle: int, most: int) -> bytes:
    pieces: list[bytes] = []
    length = 0
    while piece := os.read(handle, min(_PIECE, most + 1 - length)):
        pieces.append(piece)
        length += len(piece)
        if length > most:
            raise NotPlainError(f"it is larger than {_size(most)}")
    return b"".join(pieces)


def _size(octets: int) -> str:
    return f"{octets // MIB} MiB" if octets >= MIB else f"{octets // 1024} KiB"
