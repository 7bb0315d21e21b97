"""Files that spreadsheets wrote, as text."""

from __future__ import annotations

import codecs
from pathlib import Path

from fillside.cli.group import WrongUse
from fillside_drivers.plain_files import MIB, NotPlainError, check_can_be_written, plain_bytes

LARGEST_SHEET_BYTES = 5 * MIB


def sheet_text(path: Path) -> str:
    """The text of a CSV file in any of the encodings that spreadsheets write; a bad one is wrong use."""
    try:
        body = plain_bytes(path, LARGEST_SHEET_BYTES)
    except OSError as error:
        from fillside.system_errors import why

        raise WrongUse(f"{path}: {why(error)}") from error
    if body.startswith(b"PK\x03\x04"):
        raise WrongUse(f"{path}: this is a spreadsheet's own file; save it as CSV")
    if body.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _decoded(path, body, "utf-16")
    try:
        return body.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _decoded(path, body, "cp1252")


def can_be_written(path: Path) -> None:
    """A pipe, a device, a folder or a socket is wrong use where a file is to be written."""
    try:
        check_can_be_written(path)
    except NotPlainError as error:
        raise WrongUse(f"{path} cannot be written: {error}") from error


def _decoded(path: Path, body: bytes, encoding: str) -> str:
    try:
        return body.decode(encoding)
    except UnicodeDecodeError:
        raise WrongUse(f"{path}: this is not a text; save it as CSV in UTF-8") from None
