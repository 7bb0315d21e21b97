"""Evidence as a table: the text of a spreadsheet's CSV file, one piece a row."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence

from fillside.belief.evidence import (
    METRES_PER,
    Evidence,
    HeadEvent,
    Piece,
    Reading,
    ReadingError,
    Remarks,
    TapeMeasure,
    check_against,
    check_head,
    piece_of,
    reading_from_words,
    seconds_of,
)
from fillside.rig.tables.model import Rig

COLUMNS = ("head", "level", "x", "y", "z", "value", "unit", "receptor", "facing")
OPTIONAL_COLUMNS = ("time", "note")
DAYLIGHT_COLUMNS = ("daylight_lux", "daylight_sensor")
"""Columns of readings alone, which a table has where a sensor spoke."""
NUMBERS = ("level", "x", "y", "z", "value", "unit", "daylight_lux")
"""Columns in which a comma is a decimal comma."""
LONGEST_CELL = 400
"""Characters of one value; a note is the only one that may need more than a few."""
_DONE = ("moved", "changed")
_LIGHT = ("lux", "fc")
"""Units of light that are a word; the others have a number in them."""


def readings_from_csv(text: str, rig: Rig) -> tuple[Reading, ...]:
    """The readings of a CSV file's text that has nothing else; ReadingError as of `evidence_from_csv`."""
    found = evidence_from_csv(text, rig)
    if found.tapes or found.events:
        other = f"a tape measure of {found.tapes[0].head}" if found.tapes else f"{found.events[0].head} "
        other += "" if found.tapes else found.events[0].kind
        raise ReadingError(f"{other} is no reading, and only those are taken here")
    return found.readings


def evidence_from_csv(text: str, rig: Rig) -> Evidence:
    """The evidence in a CSV file's text; ReadingError names the first wrong line and what would be right.

    The first line names the columns. A row with the unit m or ft is a tape measure from its place to its
    head; one with the unit moved or changed says what was done to its head, and when, by its `time`.
    A byte order mark, semicolons or tabs between the columns, decimal
    commas, quotes and blank lines are as spreadsheets leave them. `x` may hold a mark's name instead of three
    numbers.
    """
    rows = _rows(text.lstrip("\ufeff"))
    _, header = next(rows, (1, []))
    columns = _columns(header)
    found: list[Piece] = []
    for line, cells in rows:
        try:
            found.append(_piece(cells, columns, rig))
        except ReadingError as error:
            raise ReadingError(error.message, line) from None
    if not found:
        raise ReadingError("there is no reading below the line that names the columns", 1)
    return Evidence.of(found)


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and stripped cells of every line that is not blank."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    line = 0
    while True:
        line = reader.line_num + 1
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return
        except csv.Error as error:
            raise ReadingError(f"this is not a line of a CSV file ({error})", line) from None
        if (longest := max(map(len, cells), default=0)) > LONGEST_CELL:
            raise ReadingError(f"a value has {longest} characters; at most {LONGEST_CELL} can be", line)
        if any(cells):
            yield line, cells


def _columns(header: Sequence[str]) -> dict[str, int]:
    names = [name.lower() for name in header]
    allowed = (*COLUMNS, *OPTIONAL_COLUMNS, *DAYLIGHT_COLUMNS)
    for name in names:
        if name and name not in allowed:
            raise ReadingError(f'"{name[:32]}" is not a column; there are {",".join(allowed)}', 1)
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise ReadingError(f"columns missing: {', '.join(missing)}; the first line is {','.join(COLUMNS)}", 1)
    if len(set(filter(None, names))) != len(list(filter(None, names))):
        raise ReadingError("a column is named twice", 1)
    return {name: place for place, name in enumerate(names) if name}


def _piece(cells: Sequence[str], columns: Mapping[str, int], rig: Rig) -> Piece:
    cell = _named(cells, columns)
    unit = cell["unit"].lower()
    if unit in METRES_PER or unit in _DONE:
        return _told_of_head(cell, unit, rig)
    if unit.isalpha() and unit not in _LIGHT:
        raise ReadingError(
            f'"{unit[:32]}" is not a unit of light: lux, fc, ev100, f/4@400@1/50; m and ft are of a tape '
            "measure, moved and changed of what was done to a head"
        )
    return check_against(_reading(cell, rig), rig)


def _told_of_head(cell: Mapping[str, str], unit: str, rig: Rig) -> TapeMeasure | HeadEvent:
    """A tape measure, or what was done to a head."""
    name = cell["head"].lower()
    check_head(name, rig)
    remarks = {key: cell.get(key) or None for key in OPTIONAL_COLUMNS}
    if unit in _DONE:
        if remarks["time"] is not None and seconds_of(remarks["time"]) is None:
            raise ReadingError(f'time: "{remarks["time"]}" is no date and time such as 2026-02-11T09:30')
        return _event(cell, name, unit, remarks, rig)
    fields = {
        "head": name,
        "at": _place(cell, rig),
        "distance_m": _number(cell["value"], "value") * METRES_PER[unit],
        **remarks,
    }
    return piece_of(TapeMeasure, fields)


def _event(cell: Mapping[str, str], head: str, kind: str, remarks: Remarks, rig: Rig) -> HeadEvent:
    """An event of a head: of a stand with its former place, of a lamp with its former intensity, if given."""
    fields: dict[str, object] = {"head": head, "kind": kind, **remarks}
    if kind == "moved" and any(cell[axis] for axis in "xyz"):
        fields["was"] = _place(cell, rig)
    if kind == "changed" and cell["value"]:
        fields["was_cd"] = _number(cell["value"], "value")
    return piece_of(HeadEvent, fields)


def _named(cells: Sequence[str], columns: Mapping[str, int]) -> dict[str, str]:
    """The cells of a row by their columns, decimal commas as points."""
    if len(cells) > max(columns.values()) + 1 and any(cells[max(columns.values()) + 1 :]):
        raise ReadingError(
            f"{len(cells)} values for {len(columns)} columns; decimal commas want semicolons between columns"
        )
    cell = {name: cells[place] if place < len(cells) else "" for name, place in columns.items()}
    for name in NUMBERS:
        if name in cell:
            cell[name] = cell[name].replace(",", ".")
    return cell


def _reading(cell: Mapping[str, str], rig: Rig) -> Reading:
    heads = tuple(name.strip() for name in cell["head"].split("+") if name.strip())
    return reading_from_words(
        heads=heads,
        levels=_levels(cell["level"], len(heads)),
        at=_place(cell, rig),
        value=_number(cell["value"].lower().removeprefix("f/"), "value") if cell["value"] else None,
        unit=cell["unit"],
        receptor=cell["receptor"].lower(),
        facing=cell["facing"],
        rig=rig,
        remarks={name: cell.get(name) or None for name in (*OPTIONAL_COLUMNS, *DAYLIGHT_COLUMNS)},
    )


def _levels(text: str, heads: int) -> tuple[float, ...]:
    if not heads:
        if text.strip("0. "):
            raise ReadingError("a level without a head; leave both empty for the light with all heads out")
        return ()
    levels = tuple(_level(part.strip()) for part in text.split("+"))
    if len(levels) != heads:
        need = "1 head needs 1 level" if heads == 1 else f"{heads} heads need {heads} levels"
        raise ReadingError(f'{need} such as "{"+".join(["1.0"] * heads)}", not "{text}"')
    return levels


def _level(text: str) -> float:
    level = _number(text.removesuffix("%"), "level") / (100 if text.endswith("%") else 1)
    if not 0 <= level <= 1:
        raise ReadingError(f"the level is {text}; from 0 to 1 is right")
    return level


def _place(cell: Mapping[str, str], rig: Rig) -> tuple[float, ...]:
    mark = cell["x"].lower()
    if mark in rig.marks and not cell["y"] and not cell["z"]:
        return rig.marks[mark]
    return tuple(_number(cell[axis], axis) for axis in "xyz")


def _number(text: str, column: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        why = f'"{text}" is not a number' if text else "is empty; it must be a number"
        raise ReadingError(f"{column} {why}")
    return number


def csv_from_readings(pieces: Sequence[Piece]) -> str:
    """Readings, tapes and events as a CSV file that `evidence_from_csv` reads back."""
    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\n")
    told = any(isinstance(one, Reading) and one.daylight_lux is not None for one in pieces)
    remarks = (*OPTIONAL_COLUMNS, *(DAYLIGHT_COLUMNS if told else ()))
    writer.writerow((*COLUMNS, *remarks))
    for piece in pieces:
        own = (getattr(piece, name, None) for name in remarks)
        writer.writerow((*_cells(piece), *("" if cell is None else cell for cell in own)))
    return sheet.getvalue()


def _cells(piece: Piece) -> tuple[object, ...]:
    """The cells of a piece but for its time and note."""
    if isinstance(piece, TapeMeasure):
        return (piece.head, "", *piece.at, repr(piece.distance_m), "m", "", "")
    if isinstance(piece, HeadEvent):
        cd = "" if piece.was_cd is None else repr(piece.was_cd)
        return (piece.head, "", *(piece.was or ("", "", "")), cd, piece.kind, "", "")
    head, level = "+".join(piece.heads), "+".join(map(repr, piece.levels))
    value = "" if piece.value is None else repr(piece.value)
    return (head, level, *piece.at, value, piece.unit, piece.receptor, piece.facing)
