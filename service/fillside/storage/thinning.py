"""Rows let go as the bounds say, a few at a time, while everything else goes on.

Rows are looked at from the newest to the oldest, page by page, by a connection that only reads. Each counts
toward its bound, and those beyond it go in transactions so small that an order which waits beside them hardly
notices; nothing is synced for them. Of readings and calibrations, of which there are few, all are looked at
before any goes, since what they are for decides. The room that rows leave in the file is used again.
"""

from __future__ import annotations

import asyncio
import json
import math
import sqlite3
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
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
from fillside.storage.durability import stored
from fillside.storage.errors import NotStoredError
from fillside.storage.store import Store

DAY_S = 86_400.0
LOOKED_AT = 200
"""Rows that are read at once."""
AT_ONCE, OCTETS_AT_ONCE = 50, MB // 4
"""Rows that go in one transaction, and how large they are together unless one alone is larger."""
PAUSE_S, REST_S, LOOK_S = 0.05, 600.0, 10.0
RESTS_FOR = 5.0
"""How many times as long as a step took it is rested after it: a slow disk has others to serve."""
MOST_BETWEEN = 5_000
"""New rows after which it is not rested any longer."""
ROW_OCTETS = 48
"""What a row takes beside its texts: numbers, lengths, its part of the page."""

UNDER_WAY = "under way"


@dataclass(frozen=True)
class Fact:
    """What is looked at of a row; `kind` says by which bound it is kept, `told` what else decides."""

    id: int
    at: float
    octets: int
    kind: str
    told: Any = None


@dataclass(frozen=True)
class Surplus:
    """Rows of one table that go together; none where others were only looked at."""

    table: str
    ids: tuple[int, ...] = ()

    def go(self, connection: sqlite3.Connection) -> None:
        """Let them go, all but what is in use by now, and note how many went."""
        marks = ", ".join("?" * len(self.ids))
        if self.table == "calibration":
            connection.execute(_WEIGHED.format(marks), self.ids)
        found = connection.execute(_GO[self.table].format(marks), self.ids)
        connection.execute(
            "INSERT INTO removal (name, rows) VALUES (?, ?) "
            "ON CONFLICT (name) DO UPDATE SET rows = rows + excluded.rows",
            (self.table, found.rowcount),
        )


@dataclass
class Tally:
    """Counts rows toward a bound, those that matter most first."""

    bound: Bound
    now: float
    rows: int = 0
    octets: int = 0

    def keeps(self, fact: Fact) -> bool:
        """Count a row; whether the bound has room for it."""
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
_LOOK = {
    "journal": f"""SELECT id, at, {_lengths("who", "address", "said", "note")},
        CASE WHEN outcome <> 'ok' THEN 'refusal'
             WHEN {_is_json("said")} AND said LIKE '{{%'
                  AND json_extract(said, '$.do') IN ({_REPORT_WORDS}) THEN 'report'
             ELSE 'order' END,
        NULL FROM journal""",
    "take": f"SELECT id, began, {_lengths('first', 'last')}, 'take', "
    f"CASE WHEN ended IS NULL THEN '{UNDER_WAY}' END FROM take",
    "calibration": f"""SELECT id, at, {_lengths("meter", "readings", "body")}, 'calibration',
        json_array(CASE WHEN chosen = 1 THEN 1 ELSE 0 END,
                   CASE WHEN {_is_json("readings")} THEN json(readings) END) FROM calibration""",
    "reading": f"""SELECT id, at, {_lengths("who", "body", "struck")}, purpose,
        CASE WHEN struck IS NOT NULL THEN -1
             WHEN purpose = 'sensor' AND {_is_json("body")} THEN json_extract(body, '$.reading') END
        FROM reading""",
}
_GO = {
    "journal": "DELETE FROM journal WHERE id IN ({})",
    "take": "DELETE FROM take WHERE id IN ({})",
    "calibration": "DELETE FROM calibration WHERE id IN ({}) AND id NOT IN "
    "(SELECT calibration FROM metering WHERE calibration IS NOT NULL)",
    "reading": "DELETE FROM reading WHERE id IN ({})",
}
_WEIGHED = (
    "UPDATE metering SET weighed = max(weighed, coalesce((SELECT max(value) FROM calibration, "
    f"json_each(CASE WHEN {_is_json('readings')} THEN readings ELSE '[]' END) "
    "WHERE calibration.id IN ({}) AND type = 'integer'), 0))"
)
_BY_KIND = {"order": ORDERS, "report": REPORTS, "refusal": REFUSALS, "take": TAKES}


def sweep(store: Store, now: float) -> Iterator[Surplus]:
    """What is to go by a Unix time [s], in the order in which it is to; the next is asked for once that is
    gone. Raises sqlite3.Error where the database cannot be read."""
    for table in ("journal", "take"):
        tallies = {kind: Tally(bound, now) for kind, bound in _BY_KIND.items()}
        newest = None
        for page in _pages(store, table):
            newest = page[0].id if newest is None else newest
            beyond = [one for one in page if not tallies[one.kind].keeps(one)]
            going = [one for one in beyond if one.id != newest and one.told != UNDER_WAY]
            yield from _portions(table, going)
            yield Surplus(table)
    yield from _portions("calibration", surplus_calibrations(_all(store, "calibration"), _used(store), now))
    standing, under_way = _standing(store)
    yield from _portions("reading", surplus_readings(_all(store, "reading"), standing | under_way, now))


def surplus_calibrations(facts: Sequence[Fact], used: int | None, now: float) -> list[Fact]:
    """The calibrations that go, the oldest first, of all there are, the newest first.

    The one in use and the newest stay. Then come those that a person imported or went back to, then the last
    of each day, as far as the bound has room; the others go.
    """
    in_use = [one for i, one in enumerate(facts) if i < NEWEST_CALIBRATIONS or one.id == used]
    rest = [one for one in facts[NEWEST_CALIBRATIONS:] if one.id != used]
    chosen = [one for one in rest if one.told.startswith("[1,") or one.told.endswith(",[]]")]
    daily = _last_of_each_day(facts)
    worth = [*chosen, *(one for one in rest if one.id in daily and one not in chosen)]
    return _beyond(CALIBRATIONS, now, in_use, worth, [one for one in rest if one not in worth])


def surplus_readings(facts: Sequence[Fact], standing: Collection[int], now: float) -> list[Fact]:
    """The readings that go, the oldest first, of all there are, the newest first.

    Those that a kept calibration or a routine under way stands on stay, what a sensor showed beside them, the
    newest, and the newest that tell of drift; then the bound has room for others, for struck ones last.
    """
    checks = [one.id for one in facts if one.kind in ("check", "lineup") and one.told is None]
    needed = {*standing, *checks[:NEWEST_CHECKS], *(one.id for one in facts[:NEWEST_READINGS])}
    in_use = [one for one in facts if one.id in needed or (one.kind == "sensor" and one.told in needed)]
    known = {one.id for one in in_use}
    rest = [one for one in facts if one.id not in known]
    return _beyond(READINGS, now, in_use, sorted(rest, key=lambda one: one.told == -1), ())


def _beyond(
    bound: Bound, now: float, in_use: Iterable[Fact], worth: Iterable[Fact], others: Iterable[Fact]
) -> list[Fact]:
    """What goes, the oldest first: of what is worth keeping that which the bound has no room for."""
    tally = Tally(bound, now)
    for one in in_use:
        tally.keeps(one)
    return sorted([*(one for one in worth if not tally.keeps(one)), *others], key=lambda one: one.id)


def _last_of_each_day(facts: Sequence[Fact]) -> set[int]:
    found: dict[float, int] = {}
    for one in facts:
        found.setdefault(one.at // DAY_S, one.id)
    return set(found.values())


def _portions(table: str, going: Sequence[Fact]) -> Iterator[Surplus]:
    """Rows to let go, in portions of which each is one small transaction."""
    portion: list[int] = []
    octets = 0
    for one in going:
        if portion and (len(portion) >= AT_ONCE or octets + one.octets > OCTETS_AT_ONCE):
            yield Surplus(table, tuple(portion))
            portion, octets = [], 0
        portion.append(one.id)
        octets += one.octets
    if portion:
        yield Surplus(table, tuple(portion))


def _pages(store: Store, table: str) -> Iterator[list[Fact]]:
    """All rows of a table, the newest first."""
    before = 2**62
    while page := store.read(partial(_page, table=table, before=before)):
        before = page[-1].id
        yield page


def _page(connection: sqlite3.Connection, table: str, before: int) -> list[Fact]:
    sql = f"{_LOOK[table]} WHERE id < ? ORDER BY id DESC LIMIT ?"
    rows = connection.execute(sql, (before, LOOKED_AT)).fetchall()
    return [
        Fact(number, at if type(at) is float else math.inf, octets + ROW_OCTETS, kind, told)
        for number, at, octets, kind, told in rows
    ]


def _all(store: Store, table: str) -> list[Fact]:
    return [one for page in _pages(store, table) for one in page]


def _used(store: Store) -> int | None:
    found = store.read(lambda c: c.execute("SELECT calibration FROM metering").fetchone())
    return None if found is None else found[0]


def _standing(store: Store) -> tuple[set[int], set[int]]:
    """The readings that kept calibrations stand on, and those of a routine under way."""
    standing: set[int] = set()
    for one in _all(store, "calibration"):
        standing.update(_whole_numbers(json.loads(one.told)[1]))
    (routine,) = store.read(lambda c: c.execute("SELECT routine FROM metering").fetchone()) or (None,)
    return standing, _numbers_in(routine)


def _numbers_in(routine: object) -> set[int]:
    with suppress(ValueError, TypeError, AttributeError):
        return _whole_numbers(json.loads(str(routine)).get("readings"))
    return set()


def _whole_numbers(found: object) -> set[int]:
    return {number for number in found if type(number) is int} if isinstance(found, list) else set()


async def thin(store: Store, unix_clock: Callable[[], float]) -> None:
    """Keep a store within its bounds, until cancelled.

    What the disk does not take is left for later: whoever stores something says so.
    """
    while True:
        await asyncio.sleep(LOOK_S)
        newest = await asyncio.to_thread(_newest, store)
        with suppress(NotStoredError, sqlite3.Error):
            jobs = sweep(store, unix_clock())
            while (surplus := await asyncio.to_thread(next, jobs, None)) is not None:
                began_s = time.monotonic()
                if surplus.ids:
                    await stored(store.write(surplus.go, synced=False))
                await asyncio.sleep(max(PAUSE_S, RESTS_FOR * (time.monotonic() - began_s)))
        for _ in range(int(REST_S / LOOK_S)):
            await asyncio.sleep(LOOK_S)
            if await asyncio.to_thread(_newest, store) - newest > MOST_BETWEEN:
                break


def _newest(store: Store) -> int:
    """The number of the journal's newest row, 0 where there is none to be seen."""
    with suppress(sqlite3.Error):
        return int(store.read(lambda c: c.execute("SELECT coalesce(max(id), 0) FROM journal").fetchone())[0])
    return 0
