"""Contract: whatever single damage the kept data has, a start goes on with what is whole, keeps what is not
for whoever wants to look into it, and says what is lost."""

from __future__ import annotations

import itertools
import json
import math
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from contract.damages import (
    JOURNALLED,
    PAGE,
    READ,
    Damage,
    bytes_of_the_file,
    bytes_of_the_log,
    kept_folder,
    light_kept,
    other_files,
    pages_of,
    rows,
    tables,
)
from fillside.access.tokens import TokenFile
from fillside.daemon.composition import Settings, check_tokens, daemon, hold_of, identity_of, listening
from fillside.doors.http.listening import Listen
from fillside.hold.machine.hold import Hold
from fillside.orders.strict_json import strict_loads
from fillside.rig.tables.model import Rig
from fillside.storage import thinning
from fillside.storage.errors import DataTooNewError
from fillside.storage.migrate import migrations
from fillside.storage.records import metering
from fillside.storage.records.journal import Journal, Visitor, latest_entries
from fillside.storage.records.saved_state import load_state, save_state
from fillside.storage.records.takes import TakeRecorder, latest_takes
from fillside.storage.repair.check import schema_columns
from fillside.storage.rows import TABLES
from fillside.storage.store import FILE, Store
from fillside.storage.thinning import surplus_rows
from protocol.studio import rig as simulated_rig

ROW_DAMAGES_EVERY, BYTE_DAMAGES_EVERY = 11, 13
"""One in so many is tried here; `bench_damages.py` tries them all on whole daemons."""
MUCH_LATER_S = 4e9
NOT_TO_BE_SEEN = (
    "empty",
    "cut off",
    "gone",
    "metering.calibration is nothing",
    "metering.routine is nothing",
)
"""Damages that leave a database as it might have been: rows or changes that are simply not there."""


@pytest.fixture(scope="module")
def rig() -> Rig:
    return simulated_rig()


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, rig: Rig) -> Path:
    folder = tmp_path_factory.mktemp("whole")
    kept_folder(folder, rig)
    return folder


def damaged(whole: Path, folder: Path, damage: Damage) -> Path:
    shutil.copytree(whole, folder)
    damage.do(folder)
    return folder


def all_that_is_read(store: Store) -> dict[str, Any]:
    """Everything that a start and the doors read, as JSON without NaN."""
    found = {
        "remembered": load_state(store),
        "journal": latest_entries(store, 1000),
        "readings": [vars(each) for each in metering.readings(store, 1000)],
        "calibrations": [vars(each) for each in metering.calibrations(store)],
        "takes": [vars(each) for each in latest_takes(store)],
        "routine": metering.load_routine(store),
        "used": metering.current_calibration(store) is not None,
        "weighed": metering.newest_weighed(store),
        "sensors": metering.sensors_with(store, (1, 2)),
        "checks": len(metering.valid_readings(store, metering.checks_since(store, 0.0))),
    }
    TakeRecorder(store)
    json.dumps(found, allow_nan=False)
    return found


def some(damages: Iterator[Damage], every: int) -> Iterator[Damage]:
    return itertools.islice(damages, 0, None, every)


def every_kind(whole: Path) -> Iterator[Damage]:
    yield from some(bytes_of_the_file(pages_of(whole)), BYTE_DAMAGES_EVERY)
    yield from some(bytes_of_the_log((whole / f"{FILE}-wal").stat().st_size), BYTE_DAMAGES_EVERY)
    yield from other_files()
    yield from some(tables(), 6)
    yield from some(rows(), ROW_DAMAGES_EVERY)


def test_no_damage_ends_the_start_and_nothing_is_lost_without_a_word(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thinning, "LONGEST_GAP_S", MUCH_LATER_S)
    with Store.open(damaged(whole, tmp_path / "whole", Damage("none", lambda folder: None))) as store:
        before = all_that_is_read(store)
        assert store.notes == ()
    assert len(before["journal"]) == JOURNALLED
    assert len(before["readings"]) == READ
    for number, damage in enumerate(every_kind(whole)):
        folder = damaged(whole, tmp_path / str(number), damage)
        with Store.open(folder) as store:
            after = all_that_is_read(store)
            lost = [part for part, found in before.items() if found and not after[part]]
            fewer = [
                part for part in ("journal", "readings", "takes") if len(after[part]) < len(before[part])
            ]
            if not any(word in damage.name for word in NOT_TO_BE_SEEN):
                assert store.notes or not (lost or fewer), damage.name
            assert all(note.isprintable() for note in store.notes), damage.name
            Journal(store).write(Visitor("", "http"), {"do": "follow"}, "ok")
            store.write(lambda connection: None).result()
            for surplus in surplus_rows(store, MUCH_LATER_S):
                if surplus.ids:
                    store.write(surplus.delete).result()
            assert latest_entries(store, 1)[0]["said"] == {"do": "follow"}, damage.name
        shutil.rmtree(folder)


def test_a_damaged_page_costs_what_is_on_it_and_the_file_is_kept(whole: Path, tmp_path: Path) -> None:
    name = f"page {page_of_newest_journal(whole, tmp_path)} zeroed"
    (wanted,) = (damage for damage in bytes_of_the_file(pages_of(whole)) if damage.name == name)
    folder = damaged(whole, tmp_path / "one", wanted)
    octets = (folder / FILE).read_bytes()
    with Store.open(folder) as store:
        after, (note,) = all_that_is_read(store), store.notes
    assert after["remembered"] == light_kept(folder)
    assert len(after["readings"]) == READ
    assert 0 < len(after["journal"]) < JOURNALLED
    (aside,) = asides(folder)
    assert aside.read_bytes() == octets
    assert aside.name in note
    assert f"{len(after['journal'])} journal entries could be read" in note
    with Store.open(folder) as store:
        assert store.notes == ()
        assert all_that_is_read(store)["journal"] == after["journal"]


def test_a_torn_page_never_loses_rows_without_a_word(whole: Path, tmp_path: Path) -> None:
    """Octets of zero in a page read as rows that are numbered 0: no end of a table, and no row of ours."""
    said = []
    for damage in bytes_of_the_file(pages_of(whole)):
        if damage.name.endswith(" torn"):
            folder = damaged(whole, tmp_path / damage.name, damage)
            with Store.open(folder) as store:
                after, notes = all_that_is_read(store), store.notes
            said.append((notes, after))
            for key, kept, words in (("readings", READ, "reading"), ("journal", JOURNALLED, "journal entr")):
                assert len(after[key]) == kept or any(words in note for note in notes), damage.name
    assert any(len(after["readings"]) < READ for _, after in said)
    assert any(0 < len(after["journal"]) < JOURNALLED for _, after in said)


def test_of_a_file_that_was_cut_off_everything_before_the_cut_is_read(whole: Path, tmp_path: Path) -> None:
    """Also where a table begins behind the cut, which keeps SQLite itself from reading any other."""
    folder = damaged(whole, tmp_path / "cut", Damage("none", lambda folder: None))
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        first, last = connection.execute("SELECT min(rootpage), max(rootpage) FROM sqlite_master").fetchone()
    kept = light_kept(folder)
    assert 1 < first < last
    for suffix in ("-wal", "-shm"):
        (folder / f"{FILE}{suffix}").unlink(missing_ok=True)
    os.truncate(folder / FILE, (last - 1) * PAGE)
    with Store.open(folder) as store:
        after, (note,) = load_state(store), store.notes
    assert after is not None
    assert {key: after[key] for key in kept if key != "undoable"} == {
        key: kept[key] for key in kept if key != "undoable"
    }
    assert "nothing in it could be read" not in note


def test_a_schema_that_cannot_be_read_is_said_in_one_line(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path / "schema", Damage("none", lambda folder: None))
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    octets = (folder / FILE).read_bytes()
    at = octets.index(b"CREATE TABLE remembered") + len(b"CREATE TABLE remembered")
    (folder / FILE).write_bytes(octets[:at] + b'"' + octets[at + 1 :])
    with Store.open(folder) as store:
        (note,) = store.notes
    assert "(malformed database schema (remembered)): " in note
    assert "\n" not in note


def asides(folder: Path) -> list[Path]:
    """The databases that were put aside, without their logs."""
    return [path for path in folder.glob(f"{FILE}.damaged-*") if not path.name.endswith(("-wal", "-shm"))]


def page_of_newest_journal(whole: Path, tmp_path: Path) -> int:
    """The page that holds the journal's newest entry, found by what was written there."""
    folder = damaged(whole, tmp_path / "seen", Damage("none", lambda folder: None))
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    octets = (folder / FILE).read_bytes()
    newest = f'"by":{(JOURNALLED - 1) / 100}'.encode()
    return octets.index(newest) // PAGE + 1


def test_a_row_that_is_wrong_is_left_out_counted_and_said(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path / "rows", Damage("none", lambda folder: None))
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        connection.execute("UPDATE journal SET said = '{' WHERE id IN (3, 5)")
        connection.execute("UPDATE reading SET body = '{\"at\": NaN}' WHERE id = 2")
    with Store.open(folder) as store:
        for _ in range(2):
            assert {entry["id"] for entry in latest_entries(store, 1000)} == {*range(1, 121)} - {3, 5}
            assert {one.id for one in metering.readings(store)} == {*range(1, 13)} - {2}
        assert store.notes == (
            "2 journal entries cannot be read and are left out",
            "one reading cannot be read and is left out",
        )
        assert [entry["id"] for entry in latest_entries(store, 2, before=6)] == [4, 2]


def test_what_holds_no_reading_is_not_weighed_and_said(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path / "bodies", Damage("none", lambda folder: None))
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        connection.execute("UPDATE reading SET body = '{\"at\": [0, 0, 1e9]}' WHERE id = 2")
        connection.execute("UPDATE reading SET purpose = 'sensor', body = '{\"lux\": \"much\"}' WHERE id = 4")
    with Store.open(folder) as store:
        kept = metering.valid_readings(store, metering.readings_of(store, (1, 2, 3)))
        assert [one.id for one, _ in kept] == [1, 3]
        assert metering.sensors_with(store, (1, 2, 3)) == {}
        assert store.notes == ("2 readings cannot be read and are left out",)


def test_two_damages_in_one_second_are_kept_under_two_names(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path / "twice", Damage("none", lambda folder: None))
    for content in (b"first" * 100, b"second" * 100):
        for suffix in ("", "-wal", "-shm"):
            (folder / f"{FILE}{suffix}").unlink(missing_ok=True)
        (folder / FILE).write_bytes(content)
        Store.open(folder).close()
    assert {path.read_bytes() for path in asides(folder)} == {b"first" * 100, b"second" * 100}


def test_newest_changes_that_cannot_be_read_are_said_and_their_log_is_kept(
    whole: Path, tmp_path: Path
) -> None:
    folder = damaged(whole, tmp_path / "log", Damage("none", lambda folder: None))
    log = folder / f"{FILE}-wal"
    octets = bytearray(log.read_bytes())
    octets[32 + 24 + 100] ^= 0xFF
    log.write_bytes(octets)
    with Store.open(folder) as store:
        (note,) = store.notes
    assert "its newest changes cannot all be read" in note
    (aside,) = folder.glob("*.damaged-*-wal")
    assert aside.read_bytes() == octets


def test_a_newer_database_is_refused_and_left_alone(whole: Path, tmp_path: Path) -> None:
    folder = damaged(whole, tmp_path / "newer", Damage("none", lambda folder: None))
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute(f"PRAGMA user_version = {len(migrations()) + 1}")
    octets = (folder / FILE).read_bytes()
    with pytest.raises(DataTooNewError):
        Store.open(folder)
    assert {path.name for path in folder.iterdir()} == {FILE, "lock"}
    assert (folder / FILE).read_bytes() == octets
    assert not list(folder.glob("*.damaged-*"))


def test_the_checks_know_every_table_and_column() -> None:
    made = {name: set(columns) for name, columns in schema_columns(len(migrations())).items()}
    assert made == {name: set(table.columns) for name, table in TABLES.items()}


def wrong_leaves(value: Any, wrong: Any) -> Iterator[Any]:
    """The value with one of its leaves or branches another, each in turn."""
    yield wrong
    if isinstance(value, dict):
        for key, part in value.items():
            for other in wrong_leaves(part, wrong):
                yield {**value, key: other}
        yield {**value, "more": wrong}
    elif isinstance(value, list):
        for i, part in enumerate(value):
            for other in wrong_leaves(part, wrong):
                yield [*value[:i], other, *value[i + 1 :]]


@pytest.mark.parametrize("wrong", [None, -1e300, "x", [], {"y": {}}])
def test_whatever_is_remembered_some_light_is_held(rig: Rig, wrong: Any) -> None:
    kept = Hold(rig).remember().model_dump(mode="json")
    with Store.in_memory() as store:
        for changed in itertools.islice(wrong_leaves(kept, wrong), 0, None, 9):
            save_state(store, changed).result()
            state = hold_of(rig, store, 0.0).snapshot()
            assert all(math.isfinite(head.output) for head in state.heads)


def test_a_calibration_that_cannot_be_held_is_said_and_the_rig_file_counts(rig: Rig) -> None:
    with Store.in_memory() as store:
        tiny = {
            "heads": {"key": {"intensity_cd": 5e-324, "diameter_m": 10.0}},
            "ambient": {"toward_key": 0.0},
        }
        metering.save_calibration(store, {}, [], tiny).result()
        hold = hold_of(rig, store, 0.0)
        assert hold.calibration is not None or store.notes


def test_what_is_no_identity_is_replaced_for_good(rig: Rig) -> None:
    with Store.in_memory() as store:
        store.write(lambda c: c.execute("INSERT INTO identity VALUES ('cid', 'nobody')")).result()
        first = identity_of(store, rig)
        assert any("network" in note for note in store.notes)
        store.write(lambda connection: None).result()
        assert identity_of(store, rig) == first


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"tokens": [3]}', '{"tokens": [{"id": "a"}]}', "[" * 100_000, "\xff"],
)
def test_tokens_that_cannot_be_read_let_nobody_in_and_do_not_end_the_start(tmp_path: Path, text: str) -> None:
    (tmp_path / "tokens.json").write_bytes(text.encode("latin-1"))
    tokens = TokenFile(tmp_path / "tokens.json")
    with listening(Listen("0.0.0.0", 0), tokens), Store.in_memory() as store:
        check_tokens(tokens, store)
        assert "cannot read the tokens" in store.notes[0]
        assert store.notes[0].isprintable()
    assert (tmp_path / "tokens.json").read_bytes() == text.encode("latin-1")


async def test_a_daemon_holds_the_light_and_says_at_every_door_what_is_lost(
    whole: Path, tmp_path: Path, rig: Rig
) -> None:
    (damage,) = (each for each in bytes_of_the_file(pages_of(whole)) if each.name == "page 4 zeroed")
    folder = damaged(whole, tmp_path / "up", damage)
    async with (
        daemon(rig, Settings(folder, folder / "tokens.json", Listen(port=0))) as up,
        aiohttp.ClientSession() as session,
    ):
        said = {}
        for path in ("state", "journal", "readings", "calibrations", "takes"):
            async with session.get(f"{up.url}/api/v1/{path}") as response:
                assert response.status == 200, path
                said[path] = strict_loads(await response.read())
        async with session.get(f"{up.url}/health") as response:
            assert response.status == 200
            health = await response.json()
    (note,) = (note for note in said["state"]["notes"] if note.startswith("the store was damaged"))
    assert note in health["says"]
    assert said["state"]["mode"] == "freeze"
    assert said["state"]["trims"]["fill"] == -0.5
