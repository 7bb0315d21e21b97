"""Contract: everything that grows is bounded, and the bound never takes what is in use.

The clock is counted, and the database a real one; nothing here waits.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from contract.disk import Disk, full, until
from fillside import bounds
from fillside.access.tokens import TokenFile, TooManyTokensError
from fillside.bounds import BOUNDS, LONGEST_ORDER, MOST_DAMAGED, MOST_ONE_TIME_TOKENS, Bound
from fillside.cli.commands.access import token as token_commands
from fillside.cli.render.history import journal_lines
from fillside.daemon.logs import RepeatFilter
from fillside.storage import thinning, writer
from fillside.storage.migrate import migrations
from fillside.storage.records import metering
from fillside.storage.records.journal import (
    MOST_SOURCES,
    OTHERS,
    Journal,
    Visitor,
    latest_entries,
    order_text,
)
from fillside.storage.records.takes import latest_takes
from fillside.storage.repair.salvage import remove_old_damaged, renew
from fillside.storage.store import FILE, Store
from fillside.storage.thinning import (
    DAY_S,
    OCTETS_AT_ONCE,
    ROWS_AT_ONCE,
    RowDeletion,
    RowFacts,
    keep_within_bounds,
    surplus_calibrations,
    surplus_readings,
    surplus_rows,
)
from manual_text import PAGES, table

TRACKER = Visitor("a tracker", "mqtt", "192.0.2.7")
ANNA = Visitor("anna", "http", "192.0.2.9")
NOW = 1_800_000_000.0
HERE = {"do": "subject", "to": [0.1, 0.2, 1.2]}
FAR = {"do": "subject", "to": [99.0, 0.2, 1.2]}


class Clock:
    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bounds of the same shape as the real ones, a thousand times smaller."""
    for kind, rows in {"order": 200, "report": 100, "refusal": 50, "take": 20}.items():
        monkeypatch.setitem(thinning._BY_KIND, kind, replace(thinning._BY_KIND[kind], rows=rows))


def written(store: Store) -> None:
    store.write(lambda connection: None).result(20)


def thinned(store: Store, now: float = NOW) -> list[RowDeletion]:
    """Have everything go that is to; the steps of it."""
    steps = []
    for step in surplus_rows(store, now):
        if step.ids:
            store.write(step.delete, synced=False).result(20)
            steps.append(step)
    return steps


def counted(store: Store, sql: str) -> int:
    return int(store.read(lambda connection: connection.execute(sql).fetchone())[0])


def test_refusals_of_a_kind_share_a_row_for_a_minute(store: Store, clock: Clock) -> None:
    """A tracker that stands outside and reports fifty times a second: a row a minute, not a second."""
    journal = Journal(store, clock)
    for number in range(50 * 150):
        clock.now = NOW + number / 50
        journal.write(TRACKER, FAR, "out_of_range", "that is 99 m away")
        journal.write_counts()
    journal.write_counts(at_once=True)
    written(store)
    rows = latest_entries(store)[::-1]
    assert [row["times"] for row in rows] == [3000, 3000, 1500]
    assert [row["at"] for row in rows] == pytest.approx([NOW, NOW + 60, NOW + 120], abs=0.03)
    assert rows[0]["last_at"] == pytest.approx(NOW + 60, abs=0.05)
    assert (rows[0]["said"], rows[0]["note"], rows[0]["who"]) == (FAR, "that is 99 m away", "a tracker")
    assert " 3000 times until " in journal_lines(rows)[1]


def test_a_count_that_goes_on_is_written_every_ten_seconds(store: Store, clock: Clock) -> None:
    """So that a flood costs the disk next to nothing, and one that stops the daemon loses next to nothing."""
    journal = Journal(store, clock)

    def times() -> int:
        written(store)
        return int(latest_entries(store)[0]["times"])

    journal.write(TRACKER, FAR, "out_of_range", "far")
    journal.write_counts()
    assert times() == 1
    for later_s, told in ((0.5, 1), (5.0, 1), (9.9, 1), (10.0, 5), (10.5, 5), (19.9, 5), (20.0, 8)):
        clock.now = NOW + later_s
        journal.write(TRACKER, FAR, "out_of_range", "far")
        journal.write_counts()
        assert times() == told
    journal.write(TRACKER, FAR, "out_of_range", "far")
    journal.write_counts(at_once=True)
    assert times() == 9


def test_the_first_refusal_is_there_at_once_and_kinds_are_told_apart(store: Store, clock: Clock) -> None:
    journal = Journal(store, clock)
    journal.write(TRACKER, FAR, "out_of_range", "far")
    journal.write(TRACKER, {"do": "trim"}, "bad_order", "no role")
    journal.write(ANNA, FAR, "out_of_range", "far")
    journal.write(ANNA, FAR, "not_now", "not now")
    written(store)
    assert [row["times"] for row in latest_entries(store)] == [1, 1, 1, 1]
    assert latest_entries(store)[0]["last_at"] is None


def test_forged_sources_share_a_row_once_there_are_too_many(store: Store, clock: Clock) -> None:
    journal = Journal(store, clock)
    for number in range(MOST_SOURCES + 500):
        journal.write(Visitor("an OSC sender", "osc", f"2001:db8::{number:x}"), FAR, "out_of_range", "far")
    journal.write_counts(at_once=True)
    written(store)
    newest = latest_entries(store, 1000)[0]
    assert counted(store, "SELECT count(*) FROM journal") == MOST_SOURCES + 1
    assert (newest["who"], newest["address"], newest["times"]) == (OTHERS, "", 500)


def test_a_count_whose_row_a_full_disk_took_back_is_put_on_no_other_row(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "MOST_QUEUED", 1)
    disk = Disk()
    monkeypatch.setattr(writer, "commit", disk.commit)
    journal = Journal(store, clock)
    disk.fails = full()
    journal.write(TRACKER, FAR, "out_of_range", "far")
    until(lambda: store.trouble is not None)
    journal.write(ANNA, {"do": "follow"}, "ok")  # there is no room for both to wait
    until(lambda: store._writer._dropped == 1)
    monkeypatch.setattr(writer, "MOST_QUEUED", 10)
    disk.fails = None
    written(store)
    for _ in range(4):
        journal.write(TRACKER, FAR, "out_of_range", "far")
    journal.write_counts(at_once=True)
    written(store)
    assert sorted((row["said"]["do"], row["times"]) for row in latest_entries(store)) == [
        ("follow", 1),
        ("subject", 5),
    ]


def test_a_long_order_is_kept_by_its_beginning_and_says_so(store: Store) -> None:
    journal = Journal(store)
    long = {"do": "import", "readings": "head,level\n" + 'key,"1.0"\\\n' * 6000}
    journal.write(ANNA, long, "bad_order", "line 2: " + "x" * 60_000)
    journal.write(ANNA, ["x" * 60_000], "bad_order", "no order")
    written(store)
    nameless, named = latest_entries(store)
    assert named["said"]["do"] == "import"
    assert json.dumps(long, separators=(",", ":")).startswith(named["said"]["begins"])
    assert named["said"]["characters"] == len(json.dumps(long, separators=(",", ":")))
    assert set(nameless["said"]) == {"begins", "characters"}
    assert counted(store, "SELECT max(length(said)) FROM journal") <= LONGEST_ORDER
    assert named["note"].startswith("line 2: xxx")
    assert named["note"].endswith("…")
    assert counted(store, "SELECT sum(length(said) + length(note)) FROM journal") < 6_000


def test_a_flood_pushes_out_no_order_of_a_person(store: Store, clock: Clock, small: None) -> None:
    journal = Journal(store, clock)
    for number in range(150):
        journal.write(ANNA, {"do": "expose", "by": number / 100}, "ok")
    for number in range(600):
        clock.now += 61
        journal.write(TRACKER, HERE, "ok")
        journal.write(TRACKER, FAR, "out_of_range", f"far {number}")
    written(store)
    steps = thinned(store, clock.now)
    assert counted(store, "SELECT count(*) FROM journal WHERE who = 'anna'") == 150
    assert counted(store, "SELECT count(*) FROM journal WHERE outcome <> 'ok'") == 50
    assert counted(store, "SELECT count(*) FROM journal WHERE who = 'a tracker' AND outcome = 'ok'") == 100
    assert all(len(step.ids) <= ROWS_AT_ONCE for step in steps)
    assert latest_entries(store, 1)[0]["note"] == "far 599"
    assert thinned(store, clock.now) == []


def test_of_more_orders_than_the_bound_the_newest_are_kept(store: Store, clock: Clock, small: None) -> None:
    journal = Journal(store, clock)
    for number in range(330):
        journal.write(ANNA, {"do": "expose", "by": number / 100}, "ok")
    written(store)
    thinned(store)
    kept = latest_entries(store, 1000)
    assert [entry["said"]["by"] for entry in kept] == [number / 100 for number in range(329, 129, -1)]


def test_octets_and_age_bound_too_and_the_newest_row_stays_for_its_number(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(thinning._BY_KIND, "order", Bound("", None, 10_000, None, ""))
    journal = Journal(store, clock)
    for number in range(40):
        journal.write(ANNA, {"do": "expose", "note": "x" * 1000, "by": number}, "ok")
    written(store)
    thinned(store)
    assert 7 <= counted(store, "SELECT count(*) FROM journal") <= 9
    monkeypatch.setitem(thinning._BY_KIND, "order", Bound("", None, None, 5, ""))
    thinned(store, NOW + 6 * DAY_S)
    assert [entry["id"] for entry in latest_entries(store)] == [40]
    journal.write(ANNA, {"do": "follow"}, "ok")
    written(store)
    assert latest_entries(store)[0]["id"] == 41


def test_an_age_of_years_counts_where_the_journal_went_on(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(thinning._BY_KIND, "order", Bound("", None, None, 365, ""))
    journal = Journal(store, clock)
    for week in range(60):
        clock.now = NOW + week * 7 * DAY_S
        journal.write(ANNA, {"do": "expose", "by": week}, "ok")
    written(store)
    thinned(store, clock.now + DAY_S)
    assert [entry["id"] for entry in latest_entries(store)][-1] == 8


@pytest.mark.parametrize("leap_s", [463 * DAY_S, 30 * 365 * DAY_S])
def test_a_clock_that_is_set_far_on_deletes_nothing_that_was_kept(
    store: Store, clock: Clock, leap_s: float
) -> None:
    """Neither at once, nor once there are rows of that time, nor after it is set back."""
    journal = Journal(store, clock)
    for by in range(3):
        for at in (NOW, NOW + leap_s):
            clock.now = at + by * 60
            journal.write(ANNA, {"do": "expose", "by": by}, "ok")
            written(store)
            assert thinned(store, clock.now + 10) == []
    assert len(latest_entries(store)) == 6
    readings = [RowFacts(n, NOW + n, 200, "calibrate") for n in range(3_000, 0, -1)]
    assert surplus_readings(readings, (), NOW + leap_s) == []
    assert surplus_calibrations(calibrations(60, DAY_S), None, NOW + leap_s) == []


def test_a_take_under_way_is_kept_however_old(store: Store, small: None) -> None:
    light = json.dumps({"heads": []})

    def begin(connection: sqlite3.Connection) -> None:
        connection.executemany(
            "INSERT INTO take (began, ended, first) VALUES (?, ?, ?)",
            [(NOW, None if number == 3 else NOW + 1, light) for number in range(60)],
        )

    store.write(begin).result(20)
    thinned(store)
    assert [take.id for take in latest_takes(store)] == [*range(60, 40, -1), 4]


def calibrations(count: int, each_s: float = 600.0, **told: str) -> list[RowFacts]:
    """So many calibrations, the newest first; `told` by number in place of the plain."""
    return [
        RowFacts(n, NOW - (count - n) * each_s, 5_000, "calibration", told.get(f"n{n}", f"[0,[{n}]]"))
        for n in range(count, 0, -1)
    ]


def test_of_calibrations_each_days_last_stays_and_those_a_person_chose() -> None:
    facts = calibrations(1000, n5="[1,[5]]", n9="[0,[]]")
    gone = {one.id for one in surplus_calibrations(facts, used=7, now=NOW)}
    kept = [one for one in facts if one.id not in gone]
    assert {5, 7, 9} <= {one.id for one in kept}
    assert {one.id for one in facts[:30]} <= {one.id for one in kept}
    days = {one.at // DAY_S for one in facts}
    assert {one.at // DAY_S for one in kept} == days
    assert len(kept) <= 30 + len(days) + 3
    last = max((one for one in facts if one.at // DAY_S == min(days)), key=lambda one: one.at)
    assert last.id not in gone


def test_calibrations_are_bounded_by_octets_and_what_is_used_stays() -> None:
    facts = [replace(one, octets=1_000_000) for one in calibrations(200, DAY_S)]
    gone = {one.id for one in surplus_calibrations(facts, used=1, now=NOW)}
    assert {one.id for one in facts} - gone == {1, *range(200, 169, -1)}


def test_readings_that_a_kept_calibration_stands_on_stay_and_struck_ones_go_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(thinning, "READINGS", replace(bounds.READINGS, rows=1_500))
    facts = [
        RowFacts(n, NOW, 200, "calibrate" if n % 2 else "lineup", -1 if n % 3 == 0 else None)
        for n in range(3000, 0, -1)
    ]
    facts[-8] = RowFacts(8, NOW, 200, "sensor", 7)
    gone = {one.id for one in surplus_readings(facts, {3, 7, 9}, NOW)}
    assert not gone & {3, 7, 8, 9, *range(2001, 3001)}
    assert len(gone) == 1_500
    assert {one.id for one in facts[1_000:] if one.detail == -1} - {3, 9} <= gone
    oldest = [one.id for one in facts if one.id < 1_000 and one.detail is None and one.id not in (7, 8)]
    assert set(oldest) <= gone


READING = {"at": [0.0, 0.0, 1.2], "value": 640.0, "heads": ["key"], "levels": [1.0]}
BODY: dict[str, Any] = {"heads": {"key": {"intensity_cd": 1500.0, "sigma_stops": 0.04}}}


def test_a_calibration_a_reading_does_not_stay_and_what_was_weighed_is_not_taken_for_new(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "unix_clock", lambda: NOW)
    for _ in range(80):
        number = metering.save_reading(store, "anna", "calibrate", READING).result(20)
        metering.save_calibration(store, {}, [number], BODY).result(20)
    assert metering.use_calibration(store, 7).result(20)
    assert metering.use_calibration(store, 3).result(20)
    metering.save_calibration(store, {}, [3], BODY).result(20)
    assert metering.newest_weighed(store) == 80
    monkeypatch.setattr(thinning, "NEWEST_CALIBRATIONS", 1)
    thinned(store)
    assert [one.id for one in metering.calibrations(store)] == [81, 7, 3]
    assert metering.newest_weighed(store) == 80
    assert metering.current_calibration(store) is not None
    assert len(metering.readings(store, 1000)) == 80
    assert not metering.use_calibration(store, 8).result(20)
    assert metering.save_calibration(store, {}, [3], BODY).result(20) == 82


def test_what_a_calibration_or_a_routine_needs_of_the_readings_stays_in_the_store(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each stands on its own readings; of the others only the newest two are kept here."""
    monkeypatch.setattr(store, "unix_clock", lambda: NOW)
    monkeypatch.setattr(thinning, "READINGS", replace(bounds.READINGS, rows=1))
    monkeypatch.setattr(thinning, "NEWEST_READINGS", 2)
    for _ in range(20):
        metering.save_reading(store, "anna", "calibrate", READING).result(20)
    metering.save_calibration(store, {}, [2, 5], BODY).result(20)
    metering.save_routine(store, {"readings": [5, 9]}).result(20)
    thinned(store)
    assert [one.id for one in metering.readings(store)] == [20, 19, 9, 5, 2]
    metering.save_routine(store, None).result(20)
    thinned(store)
    assert [one.id for one in metering.readings(store)] == [20, 19, 5, 2]


def test_a_calibration_that_is_taken_into_use_meanwhile_does_not_go(store: Store) -> None:
    for _ in range(3):
        metering.save_calibration(store, {}, [], BODY).result(20)
    metering.use_calibration(store, 2).result(20)
    store.write(RowDeletion("calibration", (1, 2)).delete).result(20)
    assert [one.id for one in metering.calibrations(store)] == [3, 2]
    assert counted(store, "SELECT rows FROM removal WHERE name = 'calibration'") == 1


def old_folder(folder: Path, rows: int, octets: int) -> Path:
    """A folder as the release before this left it: every order as it came, one row each."""
    folder.mkdir()
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        for number, step in enumerate(migrations()[:4], start=1):
            connection.executescript(f"BEGIN;\n{step}\nPRAGMA user_version = {number};\nCOMMIT;")
        connection.execute("PRAGMA journal_mode = WAL")
        said = json.dumps({"do": "trim", "padding": "x" * octets})
        connection.execute("BEGIN")
        connection.executemany(
            "INSERT INTO journal (id, at, who, door, address, said, outcome, note) "
            "VALUES (?, ?, 'a tracker', 'http', '', ?, 'bad_order', '')",
            ((1_000 + number, NOW, said) for number in range(rows)),
        )
        connection.execute("COMMIT")
    return folder


def test_a_database_far_beyond_its_bounds_is_brought_within_them_in_small_steps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusals = replace(bounds.REFUSALS, octets=1_000_000)
    monkeypatch.setitem(thinning._BY_KIND, "refusal", refusals)
    monkeypatch.setattr("fillside.storage.opening.WORTH_COMPACTING", bounds.MB)
    folder = old_folder(tmp_path / "old", rows=200, octets=60_000)
    with Store.open(folder) as store:
        steps = thinned(store)
        assert len(steps) > 10
        assert all(len(step.ids) * 60_000 <= OCTETS_AT_ONCE for step in steps)
        kept = counted(store, "SELECT count(*) FROM journal")
        assert kept * 60_000 <= 1_000_000
        assert [entry["id"] for entry in latest_entries(store, 1000)] == list(range(1199, 1199 - kept, -1))
    # A clean stop gives the room back.
    assert (folder / FILE).stat().st_size < 2_000_000
    assert not list(folder.glob("*-wal"))


def test_what_was_let_go_is_not_called_lost_by_a_salvage(tmp_path: Path, clock: Clock, small: None) -> None:
    folder = old_folder(tmp_path / "old", rows=120, octets=10)
    with Store.open(folder) as store:
        thinned(store)
        journal = Journal(store, clock)
        for number in range(20):
            journal.write(ANNA, {"do": "expose", "by": number}, "ok")
        written(store)
        journal.write(ANNA, {"do": "import", "readings": 3000 * "x"}, "ok")
        # A row of before, which was not cut.
        sql = "UPDATE journal SET said = ? WHERE id = 1110"
        long = json.dumps({"do": "import", "readings": 9000 * "x"}, separators=(",", ":"))
        store.write(lambda connection: connection.execute(sql, (long,))).result(20)
        thinned(store)
        before = latest_entries(store, 1000)
    assert "journal" not in renew(folder / FILE, "to try")
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("DELETE FROM journal WHERE id = 1130")
        connection.commit()
    assert "1 of 71 journal entries could not be read" in renew(folder / FILE, "to try")
    assert "journal" not in renew(folder / FILE, "to try")
    with Store.open(folder) as store:
        after = {entry["id"]: entry for entry in latest_entries(store, 1000)}
        assert after[1110]["said"] == json.loads(order_text(json.loads(long)))
        assert [*after.values()] == [
            {**entry, "said": after[1110]["said"]} if entry["id"] == 1110 else entry
            for entry in before
            if entry["id"] != 1130
        ]


def test_where_nobody_knows_what_was_let_go_nothing_is_called_lost(tmp_path: Path, small: None) -> None:
    folder = old_folder(tmp_path / "old", rows=120, octets=10)
    with Store.open(folder) as store:
        Journal(store).write(ANNA, {"do": "follow"}, "ok")
        written(store)
        store.write(RowDeletion("journal", (1003, 1050, 1051)).delete).result(20)
        store.write(lambda connection: connection.execute("DELETE FROM removal")).result(20)
    assert "journal" not in renew(folder / FILE, "to try")


async def test_thinning_goes_on_by_itself_and_waits_for_a_disk_that_takes_nothing(
    store: Store, small: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, seconds in (("PAUSE_S", 0.0), ("REST_FACTOR", 0.0), ("POLL_S", 0.001), ("REST_S", 1.0)):
        monkeypatch.setattr(thinning, name, seconds)
    journal, disk = Journal(store), Disk()
    for number in range(330):
        journal.write(ANNA, {"do": "expose", "by": number / 100}, "ok")
    written(store)
    monkeypatch.setattr(writer, "commit", disk.commit)
    monkeypatch.setattr(thinning, "MOST_NEW_ROWS", -1)
    disk.fails = full()
    task = asyncio.create_task(keep_within_bounds(store, lambda: NOW))
    while store.trouble is None:  # noqa: ASYNC110
        await asyncio.sleep(0)
    assert counted(store, "SELECT count(*) FROM journal") == 330
    disk.fails = None
    while counted(store, "SELECT count(*) FROM journal") > 200:  # noqa: ASYNC110
        await asyncio.sleep(0.001)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert set(disk.commits) == {1}, "nobody waits, so nothing is synced"


def test_of_damaged_databases_the_newest_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fillside.storage.repair.salvage.DAMAGED_OCTETS", 10_000)
    names = [f"{FILE}.damaged-2026-05-0{day}-120000" for day in range(1, 7)]
    for name in names:
        (tmp_path / name).write_bytes(b"x" * 100)
        (tmp_path / f"{name}-wal").write_bytes(b"x" * 100)
    second = f"{names[-1]}-10"
    (tmp_path / second).mkdir()
    os.symlink("/nowhere", tmp_path / f"{names[0]}-2")
    (tmp_path / FILE).write_bytes(b"no database" * 10)
    newest = renew(tmp_path / FILE, "to try").rpartition(" ")[2]
    left = {path.name.removesuffix("-wal") for path in tmp_path.iterdir()}
    assert left == {FILE, newest, second, names[-1]}
    assert len(left) == 1 + MOST_DAMAGED
    (tmp_path / newest).write_bytes(b"x" * 50_000)
    remove_old_damaged(tmp_path / FILE)
    assert {path.name for path in tmp_path.iterdir()} == {FILE, newest}


def test_there_are_only_so_many_tokens_and_none_goes_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fillside.access.tokens._COST", {"n": 2, "r": 1, "p": 1})
    monkeypatch.setattr("fillside.access.tokens.MOST_TOKENS", 6)
    clock = Clock()
    tokens = TokenFile(tmp_path / "tokens.json", clock)
    first = [tokens.make_once("view", "phone")[0] for _ in range(MOST_ONE_TIME_TOKENS)]
    with pytest.raises(TooManyTokensError, match="20 tokens for once wait"):
        tokens.make_once("view", "phone")
    for number in range(6):
        tokens.make("view", f"tablet {number}")
    with pytest.raises(TooManyTokensError, match="revoke some first"):
        tokens.exchange(first[0])
    answered = CliRunner().invoke(
        token_commands, ["new", "--may", "view", "--data", str(tmp_path), "--name", "x"]
    )
    assert answered.exit_code == 1
    assert "there are 6 tokens; revoke some first" in answered.output
    assert len(tokens.lasting()) == 6
    tokens.revoke(tokens.lasting()[0].id)
    assert tokens.exchange(first[0]) is not None
    clock.now += 601
    tokens.revoke(tokens.lasting()[0].id)
    assert tokens.make_once("view", "phone")


def test_a_line_that_comes_all_the_time_is_said_some_times_and_then_once_a_minute() -> None:
    clock = Clock()
    limit, log, heard = RepeatFilter(clock), logging.getLogger("fillside.test"), []

    def say(kind: int) -> None:
        record = log.makeRecord(log.name, logging.ERROR, __file__, kind, "report %d failed", (kind,), None)
        if limit.filter(record):
            heard.append(record.getMessage())

    for _ in range(60 * 10):
        say(1)
        clock.now += 0.1
    assert heard == ["report 1 failed"] * 20
    say(2)
    assert heard[20:] == ["report 2 failed"]
    clock.now += 0.1
    say(1)
    assert heard[21:] == ["report 1 failed (and 580 more like it)"]
    for _ in range(60 * 60 * 10):
        say(1)
        clock.now += 0.1
    assert len(heard) <= 22 + 60


def in_table(bound: Bound) -> tuple[str, ...]:
    def octets(of: int | None) -> str:
        return "" if of is None else f"{of // bounds.MB} MB"

    def days(of: int | None) -> str:
        return "" if of is None else f"{of // 365} years" if of >= 365 else f"{of} days"

    rows = "" if bound.rows is None else f"{bound.rows:,}"
    return bound.what, rows, octets(bound.octets), days(bound.days), bound.why


def test_the_manual_has_the_bounds() -> None:
    assert [tuple(row) for row in table(PAGES["service"], "bounds")] == [in_table(bound) for bound in BOUNDS]
