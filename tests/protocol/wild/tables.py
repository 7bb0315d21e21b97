"""Wild readings: CSV files of meter, tape and events, damaged in octets, cells, columns and delimiters."""

from __future__ import annotations

import csv
import io
import random
from contextlib import AbstractAsyncContextManager
from pathlib import Path

from fillside.belief.evidence import ReadingError
from fillside.belief.evidence_table import COLUMNS, OPTIONAL_COLUMNS, evidence_from_csv
from fillside.cli.files import sheet_text
from fillside.cli.group import WrongUse
from fillside.rig_file import load_rig
from protocol.wild.commands import refused_by
from protocol.wild.matter import CONTROLS, number, text, torn
from protocol.wild.trial import Kind, one_line, plain

CONFIG = Path(__file__).resolve().parents[3] / "config"
RIG, READINGS = CONFIG / "desk.toml", CONFIG / "desk-readings.csv"
CELLS = (
    *(
        "",
        "key+fill",
        "key+key",
        "chair",
        "desk",
        "camera",
        "dome",
        "DOME",
        "f/4@400@1/50",
        "f/5.6+0.7@400@1/50",
    ),
    *(
        "ev100",
        "fc",
        "f/0@0@0",
        "f/4@1e999@1/50",
        "f/4@400@1/0",
        "50%",
        "150%",
        "1e999",
        "nan",
        "-inf",
        "1,5",
    ),
    *("\u0661\u0662", "1_0", "0x1p3", "1e-320", "9" * 400, '"', "'", "=1+1", "2026-11-28T10:00:00Z"),
    *("m", "ft", "moved", "CHANGED", "0001-01-01", "9999-12-31T23:59:59-23:59", "2026-02-30"),
)
TOLD = (
    {"head": "key", "x": "chair", "value": "1.57", "unit": "m"},
    {"head": "fill", "x": "0.0", "y": "0.0", "z": "1.2", "value": "5.2", "unit": "ft"},
    {"head": "key", "unit": "moved"},
    {"head": "fill", "unit": "changed", "note": "a new panel"},
)
"""Rows of a tape and of events beside the readings, by their columns."""
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252", "utf-16-le", "utf-32")
BY_COMMAND = 25
"""One in so many goes the whole way of the command."""


class Sheets:
    """Files of readings, tapes and events."""

    def __init__(self, folder: Path) -> None:
        self._file, self._rig = folder / "readings.csv", load_rig(RIG)
        self._sound = list(csv.reader(io.StringIO(READINGS.read_text())))
        columns = dict.fromkeys(self._sound[0], "")
        self._sound += [list((columns | row).values()) for row in TOLD]
        self._count = 0

    def make(self, rng: random.Random) -> bytes:
        some = rng.choices(self._sound[1:], k=rng.randint(1, 5)) if rng.random() < 0.8 else self._sound[1:]
        rows = [list(row) for row in (self._sound[0], *some)]
        for _ in range(rng.choice((0, 1, 1, 2, 4))):
            self._spoil(rng, rows)
        sheet = io.StringIO()
        quoting = rng.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
        writer = csv.writer(sheet, delimiter=rng.choice(",,,;\t"), quoting=quoting, escapechar="\\")
        writer.writerows(rows)
        encoding = rng.choice(ENCODINGS) if rng.random() < 0.2 else "utf-8"
        body = sheet.getvalue().encode(encoding, "replace")
        return torn(rng, body) if rng.random() < 0.3 else body

    def _spoil(self, rng: random.Random, rows: list[list[str]]) -> None:
        row = rng.choice(rows[1:] if len(rows) > 1 and rng.random() < 0.85 else rows)
        place = rng.randrange(len(row)) if row else 0
        match rng.randrange(9):
            case 0 if row:
                del row[place]
            case 1:
                row.insert(place, rng.choice(CELLS))
            case 2:
                rows.append(list(row) * rng.choice((1, 1, 50)))
            case 3:
                rng.shuffle(row)
            case 4 if row:
                row[place] = rng.choice((*COLUMNS, *OPTIONAL_COLUMNS))
            case 5 if row:
                row[place] = rng.choice(CONTROLS) + row[place]
            case 6 if row:
                row[place] = str(number(rng))
            case 7 if row:
                row[place] = text(rng)
            case _ if row:
                row[place] = rng.choice(CELLS)

    async def feed(self, made: bytes) -> str:
        self._file.write_bytes(made)
        self._count += 1
        refused = self._refused()
        if self._count % BY_COMMAND == 0:
            by_command = refused_by("fit", RIG, self._file)
            assert bool(by_command) == bool(refused), (by_command, refused)
        return "refused" if refused else "accepted"

    def _refused(self) -> str:
        try:
            found = evidence_from_csv(sheet_text(self._file), self._rig)
        except (ReadingError, WrongUse) as error:
            return one_line(str(error) if isinstance(error, ReadingError) else error.format_message())
        assert found.readings or found.tapes or found.events
        return ""

    async def check(self) -> None:
        """The sound file is still read."""
        self._file.write_bytes(READINGS.read_bytes())
        assert self._refused() == ""


def sheets(folder: Path) -> AbstractAsyncContextManager[Kind]:
    return plain(Sheets(folder))
