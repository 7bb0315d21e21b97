"""The journal: who ordered what, from where, when, and what came of it."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from fillside.bounds import BEGINS, LONGEST_NOTE, LONGEST_SAID
from fillside.orders.registry import ORDERS
from fillside.orders.strict_json import stored_text
from fillside.storage.records.rows import TABLES
from fillside.storage.store import Store
from fillside.storage.writer import Lasting

MOST_AT_ONCE = 1_000
ONE_ROW_S = 60.0
"""Refusals of one kind from one source within this share a row."""
COUNTED_EVERY_S = 10.0
"""How often the number of refusals is written on their row."""
MOST_SOURCES = 200
"""So many are told apart at a time, for an address can be forged and a name is soon made up."""
OTHERS = "others"
"""Whom a row names that is shared by those beyond that."""
_LONGEST_NAME = 200


@dataclass(frozen=True)
class Visitor:
    """Who stands at a door: a name (never a secret), which door, and from what address."""

    who: str
    door: str
    address: str = ""


@dataclass(frozen=True)
class JournalEntry:
    at: float
    visitor: Visitor
    said: Any
    outcome: str
    note: str = ""


Kind = tuple[Visitor, str, str]
"""Who, the word of the order, and what came of it."""


@dataclass
class _Refusals:
    """Refusals that share a row: the first as it came, and how many there were until when."""

    entry: JournalEntry
    count: tuple[int, float]
    handed_in: int = 0
    row: int | None = None

    @property
    def is_news(self) -> bool:
        """Whether more were counted since the row was handed in to be written."""
        return self.count[0] > self.handed_in

    def job(self) -> Lasting:
        """What writes the row as it is when the disk comes to it."""
        self.handed_in = self.count[0]
        return Lasting(self._write)

    def _write(self, connection: sqlite3.Connection) -> None:
        times, last_at = self.count
        if self.row is not None:
            # A row that a failing disk took back is not there, and its number may be another's.
            same = (self.row, self.entry.at, self.entry.outcome)
            sql = "UPDATE journal SET times = ?, last_at = ? WHERE id = ? AND at = ? AND outcome = ?"
            if connection.execute(sql, (times, last_at, *same)).rowcount:
                return
        self.row = _insert(connection, self.entry, times, last_at)


class Journal:
    """Writes entries, and keeps reports and refusals from filling it.

    A tracker speaks fifty times a second, a sensor all day. Of their accepted reports the journal keeps the
    first of each second or minute, with how many there were since the one before. Refusals of one kind from
    one source share a row for a minute: the first as it came, with how many there were until when. Everything
    else is kept as it came, but for an order of more than LONGEST_SAID characters, of which it has the
    beginning.
    """

    def __init__(self, store: Store, unix_clock: Callable[[], float] = time.time) -> None:
        self._store, self._unix_clock = store, unix_clock
        self._report_at: dict[Kind, float] = {}
        self._unwritten: dict[Kind, int] = {}
        self._refusals: dict[Kind, _Refusals] = {}
        self._counted_at = 0.0

    def write(self, visitor: Visitor, said: Any, outcome: str, note: str = "") -> None:
        """Write an entry that nobody waits for."""
        if (line := self.line(visitor, said, outcome, note)) is not None:
            self._store.keep(line, synced=False)

    def line(self, visitor: Visitor, said: Any, outcome: str, note: str = "") -> Lasting | None:
        """An entry to be kept; None for one that is counted on another row."""
        entry = JournalEntry(self._unix_clock(), visitor, said, outcome, note)
        word = str(said.get("do"))[:_LONGEST_NAME] if isinstance(said, dict) else ""
        kind = (visitor, word, outcome)
        if outcome != "ok":
            return self._refused(entry, kind)
        if every_s := _report_every_s(word):
            thinned = self._thin(entry, kind, every_s)
            if thinned is None:
                return None
            entry = thinned
        kept = _as_kept(entry)
        return Lasting(lambda connection: _insert(connection, kept))

    @property
    def counts(self) -> bool:
        """Whether refusals are being counted."""
        return bool(self._refusals)

    def count(self, at_once: bool = False) -> None:
        """Write down how many refusals there were, at once or each COUNTED_EVERY_S; to be called often."""
        now = self._unix_clock()
        if not at_once and 0 <= now - self._counted_at < COUNTED_EVERY_S:
            return
        self._counted_at = now
        for kind, one in tuple(self._refusals.items()):
            if one.is_news:
                self._store.keep(one.job(), synced=False)
            if not 0 <= now - one.entry.at < ONE_ROW_S:
                del self._refusals[kind]

    def _refused(self, entry: JournalEntry, kind: Kind) -> Lasting | None:
        if kind not in self._refusals and len(self._refusals) >= MOST_SOURCES:
            visitor = Visitor(OTHERS, entry.visitor.door)
            entry, kind = replace(entry, visitor=visitor), (visitor, "", "")
        one = self._refusals.get(kind)
        if one is not None and 0 <= entry.at - one.entry.at < ONE_ROW_S:
            one.count = (one.count[0] + 1, entry.at)
            return None
        if one is not None and one.is_news:
            self._store.keep(one.job(), synced=False)
        one = self._refusals[kind] = _Refusals(_as_kept(entry), (1, entry.at))
        return one.job()

    def _thin(self, entry: JournalEntry, kind: Kind, every_s: float) -> JournalEntry | None:
        if 0 <= entry.at - self._report_at.get(kind, -every_s) < every_s:
            self._unwritten[kind] = self._unwritten.get(kind, 0) + 1
            return None
        if kind not in self._report_at and len(self._report_at) >= MOST_SOURCES:
            self._report_at.clear()
            self._unwritten.clear()
        self._report_at[kind] = entry.at
        skipped = self._unwritten.pop(kind, 0)
        note = ""
        if skipped:
            note = "and 1 report before it" if skipped == 1 else f"and {skipped} reports before it"
        return replace(entry, note=note)


def _report_every_s(word: str) -> float:
    """How often a report is kept [s]; 0 for an order that is no report."""
    kind = ORDERS.get(word)
    return 0.0 if kind is None else kind.journal_every_s or 0.0


def _as_kept(entry: JournalEntry) -> JournalEntry:
    """No longer than it is kept, from the moment in which it begins to wait for the disk."""
    visitor, note = entry.visitor, entry.note
    return JournalEntry(
        entry.at,
        Visitor(visitor.who[:_LONGEST_NAME], visitor.door, visitor.address[:_LONGEST_NAME]),
        text_of(entry.said),
        entry.outcome,
        note if len(note) <= LONGEST_NOTE else f"{note[: LONGEST_NOTE - 1]}…",
    )


def _insert(
    connection: sqlite3.Connection, entry: JournalEntry, times: int = 1, last_at: float | None = None
) -> int:
    visitor = entry.visitor
    found = connection.execute(
        "INSERT INTO journal (at, who, door, address, said, outcome, note, times, last_at) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.at,
            visitor.who,
            visitor.door,
            visitor.address,
            entry.said,
            entry.outcome,
            entry.note,
            times,
            last_at if times > 1 else None,
        ),
    )
    return int(found.lastrowid or 0)


def text_of(said: Any) -> str:
    """An order as the journal keeps it, JSON; of a long one its word, how it begins, and how long it was.

    >>> text_of({"do": "follow"})
    '{"do":"follow"}'
    >>> text_of({"do": "import", "readings": 3000 * "x"})[:60]
    '{"do":"import","begins":"{\\\\"do\\\\":\\\\"import\\\\",\\\\"readings\\\\":\\\\"x'
    """
    text = stored_text(said)
    if len(text) <= LONGEST_SAID:
        return text
    word = said.get("do") if isinstance(said, dict) else None
    named = {"do": word[:_LONGEST_NAME]} if isinstance(word, str) else {}
    return json.dumps({**named, "begins": text[:BEGINS], "characters": len(text)}, separators=(",", ":"))


def latest_entries(store: Store, most: int = 100, before: int | None = None) -> list[dict[str, Any]]:
    """The newest entries first, at most `most` or MOST_AT_ONCE, all with an id below `before`."""
    limit = before if before is not None else 2**62
    rows = store.rows("journal", "WHERE id < ? ORDER BY id DESC", (limit,), min(most, MOST_AT_ONCE))
    return [dict(zip(TABLES["journal"].columns, row, strict=True)) for row in rows]
