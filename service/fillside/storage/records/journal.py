"""The journal: every order with its sender, address, time and outcome."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from fillside.bounds import LONGEST_NOTE, LONGEST_ORDER, ORDER_EXCERPT
from fillside.orders.registry import ORDERS
from fillside.orders.strict_json import stored_text
from fillside.storage.rows import TABLES
from fillside.storage.store import Store
from fillside.storage.writer import PersistentJob

MOST_AT_ONCE = 1_000
ONE_ROW_S = 60.0
"""Time within which refusals of one kind from one source share a row."""
COUNTED_EVERY_S = 10.0
"""Interval at which the number of refusals is written to their row."""
MOST_SOURCES = 200
"""Number of sources told apart at a time, since addresses can be forged and names invented."""
OTHERS = "others"
"""Name on a row shared by the sources beyond that."""
_LONGEST_NAME = 200


@dataclass(frozen=True)
class Visitor:
    """The sender of an order: a name (never a secret), the door, and the address."""

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


@dataclass
class _Line:
    """An entry with a row of its own, once it is written."""

    entry: JournalEntry
    row: int | None = None

    def write(self, connection: sqlite3.Connection) -> None:
        """Insert the row, unless it is there: a failing disk may have kept what it said it had not."""
        same = (self.row, self.entry.at, self.entry.visitor.who, self.entry.said)
        sql = "SELECT 1 FROM journal WHERE id = ? AND at = ? AND who = ? AND said = ?"
        if self.row is None or connection.execute(sql, same).fetchone() is None:
            self.row = _insert(connection, self.entry)


Kind = tuple[Visitor, str, str]
"""Sender, word of the order, and outcome."""


@dataclass
class _Refusals:
    """Refusals that share a row: the first in full, and their number and latest time."""

    entry: JournalEntry
    count: tuple[int, float]
    handed_in: int = 0
    row: int | None = None

    @property
    def is_news(self) -> bool:
        """True when more refusals were counted since the row was last handed in."""
        return self.count[0] > self.handed_in

    def job(self) -> PersistentJob:
        """Return the job that writes the row with the count at that time."""
        self.handed_in = self.count[0]
        return PersistentJob(self._write)

    def _write(self, connection: sqlite3.Connection) -> None:
        times, last_at = self.count
        if self.row is not None:
            # A failing disk may have lost the row and reused its number.
            same = (self.row, self.entry.at, self.entry.outcome)
            sql = "UPDATE journal SET times = ?, last_at = ? WHERE id = ? AND at = ? AND outcome = ?"
            if connection.execute(sql, (times, last_at, *same)).rowcount:
                return
        self.row = _insert(connection, self.entry, times, last_at)


class Journal:
    """Writes entries, and keeps reports and refusals from filling the journal.

    A tracker reports fifty times a second, a sensor all day. Of their accepted reports the journal stores the
    first of each second or minute, with the number since the previous row. Refusals of one kind from one
    source share a row for a minute: the first in full, with their number and latest time. Everything else is
    stored in full, except that an order of more than LONGEST_SAID characters is cut to its beginning.
    """

    def __init__(self, store: Store, unix_clock: Callable[[], float] | None = None) -> None:
        self._store, self._unix_clock = store, unix_clock or store.unix_clock
        self._report_at: dict[Kind, float] = {}
        self._unwritten: dict[Kind, int] = {}
        self._refusals: dict[Kind, _Refusals] = {}
        self._counted_at = 0.0

    def write(self, visitor: Visitor, said: Any, outcome: str, note: str = "") -> None:
        """Write an entry without waiting for the disk."""
        if (line := self.line(visitor, said, outcome, note)) is not None:
            self._store.keep(line, synced=False)

    def line(self, visitor: Visitor, said: Any, outcome: str, note: str = "") -> PersistentJob | None:
        """Return the job that stores an entry; None for an entry counted on another row."""
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
        return PersistentJob(_Line(_shortened(entry)).write)

    @property
    def is_counting(self) -> bool:
        """True while refusals are being counted."""
        return bool(self._refusals)

    def write_counts(self, at_once: bool = False) -> None:
        """Write the numbers of refusals, at once or each COUNTED_EVERY_S; may be called often."""
        now = self._unix_clock()
        if not at_once and 0 <= now - self._counted_at < COUNTED_EVERY_S:
            return
        self._counted_at = now
        for kind, one in tuple(self._refusals.items()):
            if one.is_news:
                self._store.keep(one.job(), synced=False)
            if not 0 <= now - one.entry.at < ONE_ROW_S:
                del self._refusals[kind]

    def _refused(self, entry: JournalEntry, kind: Kind) -> PersistentJob | None:
        if kind not in self._refusals and len(self._refusals) >= MOST_SOURCES:
            visitor = Visitor(OTHERS, entry.visitor.door)
            entry, kind = replace(entry, visitor=visitor), (visitor, "", "")
        one = self._refusals.get(kind)
        if one is not None and 0 <= entry.at - one.entry.at < ONE_ROW_S:
            one.count = (one.count[0] + 1, entry.at)
            return None
        if one is not None and one.is_news:
            self._store.keep(one.job(), synced=False)
        one = self._refusals[kind] = _Refusals(_shortened(entry), (1, entry.at))
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
    """Return the interval at which one report is kept [s]; 0 for an order that is no report."""
    kind = ORDERS.get(word)
    return 0.0 if kind is None else kind.journal_every_s or 0.0


def _shortened(entry: JournalEntry) -> JournalEntry:
    """Return the entry cut to its stored length, before it waits for the disk."""
    visitor, note = entry.visitor, entry.note
    return JournalEntry(
        entry.at,
        Visitor(visitor.who[:_LONGEST_NAME], visitor.door, visitor.address[:_LONGEST_NAME]),
        order_text(entry.said),
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


def order_text(said: Any) -> str:
    """Return an order as the journal stores it, JSON; of a long one its word, beginning and length.

    >>> order_text({"do": "follow"})
    '{"do":"follow"}'
    >>> order_text({"do": "import", "readings": 3000 * "x"})[:60]
    '{"do":"import","begins":"{\\\\"do\\\\":\\\\"import\\\\",\\\\"readings\\\\":\\\\"x'
    """
    text = stored_text(said)
    if len(text) <= LONGEST_ORDER:
        return text
    word = said.get("do") if isinstance(said, dict) else None
    named = {"do": word[:_LONGEST_NAME]} if isinstance(word, str) else {}
    return json.dumps(
        {**named, "begins": text[:ORDER_EXCERPT], "characters": len(text)}, separators=(",", ":")
    )


def latest_entries(store: Store, most: int = 100, before: int | None = None) -> list[dict[str, Any]]:
    """Return the newest entries first, at most `most` or MOST_AT_ONCE, all with an id below `before`."""
    limit = before if before is not None else 2**62
    rows = store.rows("journal", "WHERE id < ? ORDER BY id DESC", (limit,), min(most, MOST_AT_ONCE))
    return [dict(zip(TABLES["journal"].columns, row, strict=True)) for row in rows]
