"""The journal: who ordered what, from where, when, and what came of it."""

from __future__ import annotations

import sqlite3
import time
from dataclasses import dataclass
from typing import Any

from fillside.storage.rows import TABLES
from fillside.storage.store import Store
from fillside.storage.writer import Lasting
from fillside.strict_json import kept_text

MOST_ROWS = 200_000
TRIM_EVERY = 2_000
MOST_AT_ONCE = 1_000
THINNED_S = {"subject": 1.0, "sensor": 60.0}
"""Orders that come all the time, and how often one of them is kept."""


@dataclass(frozen=True)
class Visitor:
    """Who stands at a door: a name (never a secret), which door, and from what address."""

    who: str
    door: str
    address: str = ""


@dataclass(frozen=True)
class Entry:
    at: float
    visitor: Visitor
    said: Any
    outcome: str
    note: str = ""


class Journal:
    """Writes entries, and keeps position reports from filling it.

    A tracker speaks fifty times a second, a sensor all day. Of their accepted reports the journal keeps the
    first of each second or minute, with how many there were since the one before; everything else is kept as
    it came.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._written = 0
        self._report_at: dict[Visitor, float] = {}
        self._unwritten: dict[Visitor, int] = {}

    def write(self, visitor: Visitor, said: Any, outcome: str, note: str = "") -> None:
        """Write an entry that nobody waits for."""
        if (line := self.line(visitor, said, outcome, note)) is not None:
            self._store.keep(line, synced=False)

    def line(self, visitor: Visitor, said: Any, outcome: str, note: str = "") -> Lasting | None:
        """An entry to be kept; None for a report that is left out."""
        entry = Entry(time.time(), visitor, said, outcome, note)
        word = said.get("do") if outcome == "ok" and isinstance(said, dict) else ""
        every_s = THINNED_S.get(str(word), 0.0)
        if every_s:
            thinned = self._thin(entry, every_s)
            if thinned is None:
                return None
            entry = thinned
        self._written += 1
        trim = self._written % TRIM_EVERY == 0
        return Lasting(lambda connection: _insert(connection, entry, trim))

    def _thin(self, entry: Entry, every_s: float) -> Entry | None:
        visitor = entry.visitor
        if 0 <= entry.at - self._report_at.get(visitor, -every_s) < every_s:
            self._unwritten[visitor] = self._unwritten.get(visitor, 0) + 1
            return None
        self._report_at[visitor] = entry.at
        skipped = self._unwritten.pop(visitor, 0)
        note = ""
        if skipped:
            note = "and 1 report before it" if skipped == 1 else f"and {skipped} reports before it"
        return Entry(entry.at, visitor, entry.said, entry.outcome, note)


def _insert(connection: sqlite3.Connection, entry: Entry, trim: bool) -> None:
    connection.execute(
        "INSERT INTO journal (at, who, door, address, said, outcome, note) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            entry.at,
            entry.visitor.who,
            entry.visitor.door,
            entry.visitor.address,
            kept_text(entry.said),
            entry.outcome,
            entry.note,
        ),
    )
    if trim:
        connection.execute(
            "DELETE FROM journal WHERE id <= (SELECT max(id) FROM journal) - ?",
            (MOST_ROWS,),
        )


def latest_entries(store: Store, most: int = 100, before: int | None = None) -> list[dict[str, Any]]:
    """The newest entries first, at most `most` or MOST_AT_ONCE, all with an id below `before`."""
    limit = before if before is not None else 2**62
    rows = store.rows("journal", "WHERE id < ? ORDER BY id DESC", (limit,), min(most, MOST_AT_ONCE))
    return [dict(zip(TABLES["journal"].columns, row, strict=True)) for row in rows]
