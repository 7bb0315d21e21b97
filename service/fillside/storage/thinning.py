"""Removal of rows beyond the bounds, a few at a time, while everything else goes on.

Rows are read from the newest to the oldest, page by page, on a read-only connection. Each counts toward its
bound. Rows beyond the bound are deleted without a sync, in transactions so small that a waiting order hardly
notices. Readings and calibrations are few: all are read before any is deleted, since their use decides which
go. SQLite reuses the freed space.

Theory of age. A clock may have been set far on, for a moment or for days, and nothing that is deleted comes
back. So a row is as old as the clock says, but no older than the times between it and all rows after it, each
of which counts as a week at most: a leap of the clock is one such time, and shows in no other.
"""

from __future__ import annotations

import asyncio
import json
import math
import sqlite3
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from fillside.bounds import (
    CALIBRATIONS,
    MB,
    NEWEST_CALIBRATIONS,
    NEWEST_CHECKS,
    NEWEST_READINGS,
    ORDERS,
    READINGS,
    REFUSALS,
    REPORTS,
    TAKES,
    Bound,
)
from fillside.orders import registry
from fillside.storage.errors import NotStoredError
from fillside.storage.rows import STUDIO_COLUMNS
from fillside.storage.store import Store
from fillside.storage.writer import wait_until_stored

DAY_S = 86_400.0
PAGE_ROWS = 200
"""Rows in one page."""
ROWS_AT_ONCE, OCTETS_AT_ONCE = 50, MB // 4
"""Rows in one transaction, and their total size unless one alone is larger."""
PAUSE_S, REST_S, POLL_S = 0.05, 600.0, 10.0
REST_FACTOR = 5.0
"""Pause after a step, as a multiple of its duration, so that a slow disk can serve others."""
MOST_NEW_ROWS = 5_000
"""Number of new rows that ends a pause."""
ROW_OCTETS = 48
"""Size of a row besides its texts: numbers, lengths, its share of the page."""

LONGEST_GAP_S = 7 * DAY_S
"""A longer time without any row may be a leap of the clock, and counts as this."""

UNDER_WAY = "under way"


@dataclass(frozen=True)
class RowFacts:
    """The facts that decide a row's removal; `kind` names its bound, `detail` depends on the table."""

    id: int
    at: float
    octets: int
    kind: str
    detail: Any = None


@dataclass(frozen=True)
class RowDeletion:
    """Rows of one table to delete together; without rows it marks a page that was only read."""

    table: str
    ids: tuple[int, ...] = ()

    def delete(self, connection: sqlite3.Connection) -> None:
        """Delete the rows, except those that came into use meanwhile, and record their number."""
        marks = ", ".join("?" * len(self.ids))
        if self.table == "calibration":
            connection.execute(_RECORD_WEIGHED.format(marks), self.ids)
        found = connection.execute(_DELETE[self.table].format(marks), self.ids)
        connection.execute(
            "INSERT INTO removal (name, rows) VALUES (?, ?) "
            "ON CONFLICT (name) DO UPDATE SET rows = rows + excluded.rows",
            (self.table, found.rowcount),
        )


class RowAges:
    """The ages of rows of one table, which come newest first."""

    def __init__(self, now: float) -> None:
        self._now = self._at = now
        self._age_s = 0.0

    def dated(self, fact: RowFacts) -> RowFacts:
        """Return the row with the latest time that it may be from."""
        if math.isfinite(fact.at):
            self._age_s += min(max(self._at - fact.at, 0.0), LONGEST_GAP_S)
            self._at = fact.at
        latest = self._now - self._age_s
        return fact if fact.at >= latest else replace(fact, at=latest)


@dataclass
class BoundCounter:
    """Counts rows toward a bound, the most important first."""

    bound: Bound
    now: float
    rows: int = 0
    octets: int = 0

    def has_room_for(self, fact: RowFacts) -> bool:
        """Count a row; return true if the bound has room for it."""
        self.rows += 1
        self.octets += fact.octets
        bound = self.bound
        return (
            (bound.rows is None or self.rows <= bound.rows)
            and (bound.octets is None or self.octets <= bound.octets)
            and (bound.days is None or self.now - fact.at <= bound.days * DAY_S)
        )


_OCTETS = "length(CAST({0} AS BLOB))"


def _lengths(*columns: str) -> str:
    return " + ".join(f"coalesce({_OCTETS.format(column)}, 0)" for column in columns)


def _is_json(column: str) -> str:
    return f"typeof({column}) = 'text' AND json_valid({column})"


_REPORT_WORDS = ", ".join(f"'{kind.word}'" for kind in registry.ORDERS.values() if kind.is_report)
_SELECT = {
    "journal": f"""SELECT id, at, {_lengths("who", "address", "said", "note")},
        CASE WHEN outcome <> 'ok' THEN 'refusal'
             WHEN {_is_json("said")} AND said LIKE '{{%'
                  AND json_extract(said, '$.do') IN ({_REPORT_WORDS}) THEN 'report'
             ELSE 'order' END,
        NULL FROM journal""",
    "take": f"SELECT id, began, {_lengths('first', 'last', *STUDIO_COLUMNS)}, 'take', "
    f"CASE WHEN ended IS NULL THEN '{UNDER_WAY}' END FROM take",
    "calibration": f"""SELECT id, at, {_lengths("meter", "readings", "body")}, 'calibration',
        json_array(CASE WHEN chosen = 1 THEN 1 ELSE 0 END,
                   CASE WHEN {_is_json("readings")} THEN json(readings) END) FROM calibration""",
    "reading": f"""SELECT id, at, {_lengths("who", "body", "struck")}, purpose,
        CASE WHEN struck IS NOT NULL THEN -1
             WHEN purpose = 'sensor' AND {_is_json("body")} THEN json_extract(body, '$.reading') END
        FROM reading""",
}
_DELETE = {
    "journal": "DELETE FROM journal WHERE id IN ({})",
    "take": "DELETE FROM take WHERE id IN ({})",
    "calibration": "DELETE FROM calibration WHERE id IN ({}) AND id NOT IN "
    "(SELECT calibration FROM metering WHERE calibration IS NOT NULL)",
    "reading": "DELETE FROM reading WHERE id IN ({})",
}
_RECORD_WEIGHED = (
    "UPDATE metering SET weighed = max(weighed, coalesce((SELECT max(value) FROM calibration, "
    f"json_each(CASE WHEN {_is_json('readings')} THEN readings ELSE '[]' END) "
    "WHERE calibration.id IN ({}) AND type = 'integer'), 0))"
)
_BY_KIND = {"order": ORDERS, "report": REPORTS, "refusal": REFUSALS, "take": TAKES}


def surplus_rows(store: Store, now: float) -> Iterator[RowDeletion]:
    """Yield the rows to delete at a Unix time [s], in order; the next only after the last is gone.

    Raises sqlite3.Error where the database cannot be read.
    """
    for table in ("journal", "take"):
        tallies = {kind: BoundCounter(bound, now) for kind, bound in _BY_KIND.items()}
        ages, newest = RowAges(now), None
        for page in _pages(store, table):
            newest = page[0].id if newest is None else newest
            beyond = [one for one in map(ages.dated, page) if not tallies[one.kind].has_room_for(one)]
            going = [one for one in beyond if one.id != newest and one.detail != UNDER_WAY]
            yield from _portions(table, going)
            yield RowDeletion(table)
    yield from _portions("calibration", surplus_calibrations(_all(store, "calibration"), _used(store), now))
    in_use_ids, under_way = _readings_in_use(store)
    yield from _portions("reading", surplus_readings(_all(store, "reading"), in_use_ids | under_way, now))


def surplus_calibrations(facts: Sequence[RowFacts], used: int | None, now: float) -> list[RowFacts]:
    """Return the calibrations to delete, oldest first; `facts` has all of them, newest first.

    The one in use and the newest stay. Imported or restored ones come next, then the last of each day, as far
    as the bound has room; the others go.
    """
    in_use = [one for i, one in enumerate(facts) if i < NEWEST_CALIBRATIONS or one.id == used]
    rest = [one for one in facts[NEWEST_CALIBRATIONS:] if one.id != used]
    chosen = [one for one in rest if one.detail.startswith("[1,") or one.detail.endswith(",[]]")]
    daily, dated = _last_of_each_day(facts), _dated(facts, now)
    worth = [*chosen, *(one for one in rest if one.id in daily and one not in chosen)]
    others = [one for one in rest if one not in worth]
    return _beyond(CALIBRATIONS, now, in_use, [dated[one.id] for one in worth], others)


def surplus_readings(facts: Sequence[RowFacts], in_use_ids: Collection[int], now: float) -> list[RowFacts]:
    """Return the readings to delete, oldest first; `facts` has all of them, newest first.

    Readings behind a stored calibration or a running routine stay, with the sensor values beside them, the
    newest, and the newest that show drift; then the bound has room for others, struck ones last.
    """
    checks = [one.id for one in facts if one.kind in ("check", "lineup") and one.detail is None]
    needed = {*in_use_ids, *checks[:NEWEST_CHECKS], *(one.id for one in facts[:NEWEST_READINGS])}
    in_use = [one for one in facts if one.id in needed or (one.kind == "sensor" and one.detail in needed)]
    known = {one.id for one in in_use}
    rest = [one for one in _dated(facts, now).values() if one.id not in known]
    return _beyond(READINGS, now, in_use, sorted(rest, key=lambda one: one.detail == -1), ())


def _beyond(
    bound: Bound,
    now: float,
    in_use: Iterable[RowFacts],
    worth: Iterable[RowFacts],
    others: Iterable[RowFacts],
) -> list[RowFacts]:
    """Return the rows to delete, oldest first: `others`, and those of `worth` that exceed the bound."""
    tally = BoundCounter(bound, now)
    for one in in_use:
        tally.has_room_for(one)
    return sorted([*(one for one in worth if not tally.has_room_for(one)), *others], key=lambda one: one.id)


def _dated(facts: Sequence[RowFacts], now: float) -> dict[int, RowFacts]:
    """Return all rows of a table, newest first, by number and with the latest times they may be from."""
    return {one.id: one for one in map(RowAges(now).dated, facts)}


def _last_of_each_day(facts: Sequence[RowFacts]) -> set[int]:
    found: dict[float, int] = {}
    for one in facts:
        found.setdefault(one.at // DAY_S, one.id)
    return set(found.values())


def _portions(table: str, going: Sequence[RowFacts]) -> Iterator[RowDeletion]:
    """Split rows into deletions, each of which is one small transaction."""
    portion: list[int] = []
    octets = 0
    for one in going:
        if portion and (len(portion) >= ROWS_AT_ONCE or octets + one.octets > OCTETS_AT_ONCE):
            yield RowDeletion(table, tuple(portion))
            portion, octets = [], 0
        portion.append(one.id)
        octets += one.octets
    if portion:
        yield RowDeletion(table, tuple(portion))


def _pages(store: Store, table: str) -> Iterator[list[RowFacts]]:
    """Yield all rows of a table, newest first."""
    before = 2**62
    while page := store.read(partial(_page, table=table, before=before)):
        before = page[-1].id
        yield page


def _page(connection: sqlite3.Connection, table: str, before: int) -> list[RowFacts]:
    sql = f"{_SELECT[table]} WHERE id < ? ORDER BY id DESC LIMIT ?"
    rows = connection.execute(sql, (before, PAGE_ROWS)).fetchall()
    return [
        RowFacts(number, at if type(at) is float else math.inf, octets + ROW_OCTETS, kind, told)
        for number, at, octets, kind, told in rows
    ]


def _all(store: Store, table: str) -> list[RowFacts]:
    return [one for page in _pages(store, table) for one in page]


def _used(store: Store) -> int | None:
    found = store.read(lambda c: c.execute("SELECT calibration FROM metering").fetchone())
    return None if found is None else found[0]


def _readings_in_use(store: Store) -> tuple[set[int], set[int]]:
    """Return the readings behind stored calibrations, and those of a running routine."""
    in_use_ids: set[int] = set()
    for one in _all(store, "calibration"):
        in_use_ids.update(_whole_numbers(json.loads(one.detail)[1]))
    (routine,) = store.read(lambda c: c.execute("SELECT routine FROM metering").fetchone()) or (None,)
    return in_use_ids, _numbers_in(routine)


def _numbers_in(routine: object) -> set[int]:
    with suppress(ValueError, TypeError, AttributeError):
        return _whole_numbers(json.loads(str(routine)).get("readings"))
    return set()


def _whole_numbers(found: object) -> set[int]:
    return {number for number in found if type(number) is int} if isinstance(found, list) else set()


async def keep_within_bounds(
    store: Store, unix_clock: Callable[[], float], clock: Callable[[], float] = time.monotonic
) -> None:
    """Keep a store within its bounds until cancelled. `clock` gives elapsed seconds.

    After disk trouble, try again later; the callers that store data report it.
    """
    while True:
        await asyncio.sleep(POLL_S)
        newest = await asyncio.to_thread(_newest, store)
        with suppress(NotStoredError, sqlite3.Error):
            jobs = surplus_rows(store, unix_clock())
            while (deletion := await asyncio.to_thread(next, jobs, None)) is not None:
                began_s = clock()
                if deletion.ids:
                    await wait_until_stored(store.write(deletion.delete, synced=False))
                await asyncio.sleep(max(PAUSE_S, REST_FACTOR * (clock() - began_s)))
        for _ in range(int(REST_S / POLL_S)):
            await asyncio.sleep(POLL_S)
            if await asyncio.to_thread(_newest, store) - newest > MOST_NEW_ROWS:
                break


def _newest(store: Store) -> int:
    """Return the number of the journal's newest row; 0 for none."""
    with suppress(sqlite3.Error):
        return int(store.read(lambda c: c.execute("SELECT coalesce(max(id), 0) FROM journal").fetchone())[0])
    return 0
