"""Inclusion of the files that a rig file names, as plain data in its content.

A photometric file becomes the table it contains, and a GDTF file the slots of one mode. The rig is then
self-contained and can be changed and checked again without files. Nothing here opens a file: the caller
passes a function that reads them.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

from fillside.rig.photometric.eulumdat import read_eulumdat
from fillside.rig.photometric.lm63 import read_lm63
from fillside.rig.photometric.photometric_file import PhotometricFile
from fillside.rig.problems import Path, Problem
from fillside.rig.tables.lamp import MOST_ANGLES

ReadFile = Callable[[str], bytes]
"""Returns the bytes of the named file; raises ReferencedFileError with the reason in one line."""

ReadMode = Callable[[bytes, str | None, str], dict[str, Any]]
"""Turns the bytes of a GDTF file, a mode's name and the file's name into plain data; raises ValueError."""


class FileReaders(NamedTuple):
    """The readers of files that a rig file names: of any file's bytes, and of one mode in a GDTF file."""

    file: ReadFile
    mode: ReadMode


READERS: Mapping[str, Callable[[str], PhotometricFile]] = {".ies": read_lm63, ".ldt": read_eulumdat}
LARGEST_OPENING_M = 5.0
"""Upper bound of `modifier.diameter`."""


class ReferencedFileError(ValueError):
    """A file named by the rig file cannot be read."""


def with_referenced_files(
    data: Mapping[str, Any], readers: FileReaders
) -> tuple[dict[str, Any], list[Problem]]:
    """Return the content of a rig file with all files it names included, and their problems.

    Content that is not a rig at all passes unchanged; building the rig reports it.
    """
    whole = copy.deepcopy(dict(data))
    problems = []
    for path, table, key, put in _named_files(whole, readers.mode):
        try:
            put(table, table[key], readers.file(table[key]))
        except ValueError as error:
            problems.append(Problem((*path, key), f"{table[key]}: {error}"))
    return whole, problems


Put = Callable[[dict[str, Any], str, bytes], None]


def _named_files(
    data: dict[str, Any], read_mode: ReadMode
) -> Iterator[tuple[Path, dict[str, Any], str, Put]]:
    heads = data.get("heads")
    for i, head in enumerate(heads if isinstance(heads, list) else []):
        if not isinstance(head, dict):
            continue
        for part in ("lamp", "modifier"):
            table = head.get(part)
            if isinstance(table, dict) and isinstance(table.get("photometry"), str):
                yield ("heads", i, part), table, "photometry", _photometry_into(head)
        drive = head.get("drive")
        if isinstance(drive, dict) and isinstance(drive.get("gdtf"), str):
            yield ("heads", i, "drive"), drive, "gdtf", _mode_into(read_mode)


def _photometry_into(head: dict[str, Any]) -> Put:
    def put(part: dict[str, Any], name: str, content: bytes) -> None:
        measured = _measured(name, content)
        part["photometry"] = _table(name, measured)
        opening = measured.opening_m
        modifier = head.setdefault("modifier", {})
        if opening is not None and opening <= LARGEST_OPENING_M and isinstance(modifier, dict):
            modifier.setdefault("diameter", round(opening, 4))

    return put


def _mode_into(read_mode: ReadMode) -> Put:
    def put(drive: dict[str, Any], name: str, content: bytes) -> None:
        mode = drive.get("mode")
        drive["gdtf"] = read_mode(content, mode if isinstance(mode, str) else None, name)

    return put


def _measured(name: str, content: bytes) -> PhotometricFile:
    reader = READERS.get("." + name.lower().rpartition(".")[2])
    if reader is None:
        raise ReferencedFileError("a photometric file is .ies (LM-63) or .ldt (EULUMDAT)")
    # Both formats are older than UTF-8; their numbers and keywords are ASCII in any case.
    return reader(content.decode("latin-1"))


def _table(name: str, measured: PhotometricFile) -> dict[str, Any]:
    mean = measured.mean_candela()
    assert len(mean) <= MOST_ANGLES, "both formats bound the count of angles"
    optional = {"lamp_lumens": measured.lamp_lumens, "said_lumens": measured.stated_lumens}
    return {
        "angles": list(measured.angles_deg),
        "candela": [float(value) for value in mean],
        "uneven_stops": measured.uneven_stops(),
        "file": name,
        **{key: value for key, value in optional.items() if value is not None},
    }
