"""Files that spreadsheets wrote, as text."""

from __future__ import annotations

import codecs
from pathlib import Path

from fillside.interfaces.cli.group import WrongUse
from fillside_drivers.plain_files import MIB, plain_bytes

LARGEST_SHEET_BYTES = 5 * MIB


def sheet_text(path: Path) -> str:
    """The text of a CSV file in any of the encodings that spreadsheets write; a bad one is wrong use."""
    try:
        body = plain_bytes(path, LARGEST_SHEET_BYTES)
    except OSError as error:
        from fillside.plain_errors import why

        raise WrongUse(f"{path}: {why(error)}") from error
    if body.startswith(b"PK\x03\x04"):
        raise WrongUse(f"{path}: this is a spreadsheet's own file; save it as CSV")
    if body.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _decoded(path, body, "utf-16")
    try:
        return body.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _decoded(path, body, "cp1252")


def _decoded(path: Path, body: bytes, encoding: str) -> str:
    try:
        return body.decode(encoding)
    except UnicodeDecodeError:
        raise WrongUse(f"{path}: this is not a text; save it as CSV in UTF-8") from None
