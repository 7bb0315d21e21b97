"""Files that spreadsheets wrote, as text."""

from __future__ import annotations

import codecs
from pathlib import Path

from fillside.interfaces.cli.group import WrongUse

MOST_OCTETS = 5_000_000


def sheet_text(path: Path) -> str:
    """The text of a CSV file in any of the encodings that spreadsheets write; a bad one is wrong use."""
    try:
        with path.open("rb") as file:
            body = file.read(MOST_OCTETS + 1)
    except OSError as error:
        from fillside.plain_errors import why

        raise WrongUse(f"{path}: {why(error)}") from error
    if len(body) > MOST_OCTETS:
        raise WrongUse(f"{path}: more than {MOST_OCTETS // 1_000_000} MB is too large for a file of readings")
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
