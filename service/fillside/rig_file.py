"""Opens rig files, and supplies the kinds of driver and the parser of key phrases.

The rig room parses text and opens no file; callers that start from a file use this module.
"""

from __future__ import annotations

import pathlib
from typing import Any

from fillside.rig.file.load import decode_text, parse_keys, parse_rig
from fillside.rig.file.referenced_files import FileReaders, ReadFile, ReferencedFileError
from fillside.rig.problems import RigError
from fillside.rig.tables.drivers import DriverKinds
from fillside.rig.tables.keys import Keys, Phrase
from fillside.rig.tables.model import Rig
from fillside_drivers.plain_files import MIB, NotPlainError, plain_bytes

LARGEST_BYTES = 2 * MIB
"""Largest rig file; the heads of a whole opera house need half of it."""
LARGEST_REFERENCED_BYTES = 64 * MIB
"""Largest file that a rig file names; descriptions of lamps contain pictures and models."""
LARGEST_REFERENCED_TOTAL_BYTES = 192 * MIB
"""Largest size of all those files together."""


def load_rig(path: str | pathlib.Path, *, kinds: DriverKinds | None = None) -> Rig:
    """Load a rig file; its drivers are parsed by `kinds`, by default all registered ones.

    Raises:
        RigError: the file cannot be read or is not a sound rig.
    """
    if kinds is None:
        from fillside_drivers.registry import kinds as all_kinds

        kinds = all_kinds()
    source = str(path)
    read = _ReferencedFiles(pathlib.Path(path).parent).read
    return load_rig_text(decode_text(_bytes(source), source), source=source, kinds=kinds, read=read)


def rig_or_error(path: str) -> Rig | str:
    """Load a rig file; return the rig, or the error as one line."""
    try:
        return load_rig(path)
    except RigError as error:
        return str(error)


def load_rig_text(
    text: str, *, source: str = "rig.toml", kinds: DriverKinds | None, read: ReadFile | None = None
) -> Rig:
    """Build the rig that a TOML text describes, as `parse_rig` does, with the key phrases of the orders.

    `read` reads the files that the text names; without it, a text that names files is refused.
    """
    readers = None if read is None else FileReaders(read, _read_mode)
    return parse_rig(text, source=source, kinds=kinds, read_phrase=_read_phrase, readers=readers)


def load_keys(path: str | pathlib.Path) -> Keys:
    """Load a file that consists of a `[keys]` table.

    Raises:
        RigError: the file cannot be read, or contains anything else.
    """
    source = str(path)
    return parse_keys(decode_text(_bytes(source), source), source=source, read_phrase=_read_phrase)


def _read_phrase(text: str) -> Phrase:
    # Only a rig that says what keys do waits for the models of all orders.
    from fillside.orders.key_phrases import read_phrase

    return read_phrase(text)


def _read_mode(content: bytes, mode: str | None, name: str) -> dict[str, Any]:
    from fillside_drivers.gdtf.reader import read_mode

    return read_mode(content, mode, file=name).model_dump()


def _bytes(source: str) -> bytes:
    try:
        return _plain(source, LARGEST_BYTES)
    except ReferencedFileError as error:
        raise RigError(str(error), source=source) from None


class _ReferencedFiles:
    """Reads the files that a rig file names, each once and up to a total size."""

    def __init__(self, folder: pathlib.Path) -> None:
        self._folder, self._left = folder, LARGEST_REFERENCED_TOTAL_BYTES
        self._known: dict[str, bytes] = {}

    def read(self, name: str) -> bytes:
        if name not in self._known:
            content = _plain(str(self._folder / name), LARGEST_REFERENCED_BYTES)
            self._left -= len(content)
            if self._left < 0:
                most = LARGEST_REFERENCED_TOTAL_BYTES // MIB
                raise ReferencedFileError(
                    f"with it, the files named here are larger than {most} MiB together"
                )
            self._known[name] = content
        return self._known[name]


def _plain(source: str, most: int) -> bytes:
    try:
        return plain_bytes(source, most)
    except FileNotFoundError:
        raise ReferencedFileError("there is no such file") from None
    except PermissionError:
        raise ReferencedFileError("may not be read by this user; see the file's permissions") from None
    except NotPlainError as error:
        raise ReferencedFileError(str(error)) from None
    except OSError as error:
        from fillside.system_errors import why

        raise ReferencedFileError(f"cannot be read: {why(error)}") from None
