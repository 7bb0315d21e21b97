"""Contract: what an answer says is missing of an order that was obeyed, and damages to the kept data where
the disk takes nothing or while the daemon runs."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import AsyncIterator, Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from contract.disk import WAIT_S, until
from contract.test_storage_faults import READING, seed, shut
from fillside.daemon.composition import Running
from fillside.doors.listener import give
from fillside.runtime import storing as record_module
from fillside.storage import writer
from fillside.storage.errors import FolderInUseError
from fillside.storage.folder import LockedFolder
from fillside.storage.records import metering
from fillside.storage.records.journal import Journal, Visitor, latest_entries
from fillside.storage.records.takes import Takes, latest_takes
from fillside.storage.store import FILE, Store, kept_identity, remember, remembered, remembering_orders
from fillside.storage.writer import Lasting
from protocol.studio import running

ANNA = Visitor("anna", "test")
PAGE = 4096


def boom(*_: Any, **__: Any) -> Any:
    raise ValueError("it is broken")


@pytest.fixture
async def up(tmp_path: Path) -> AsyncIterator[Running]:
    async with running(tmp_path) as found:
        yield found


@pytest.mark.parametrize(
    ("where", "name", "note"),
    [
        (record_module, "remembering", "this will not outlive a restart: a fault in Fillside itself"),
        (Takes, "change", "the takes do not have this: a fault in Fillside itself"),
        (Journal, "line", "the journal does not have this: a fault in Fillside itself"),
    ],
    ids=["light", "take", "journal"],
)
async def test_what_is_missing_of_an_order_that_was_obeyed_is_in_its_answer(
    up: Running, monkeypatch: pytest.MonkeyPatch, where: Any, name: str, note: str
) -> None:
    with monkeypatch.context() as broken:
        broken.setattr(where, name, boom)
        said = await give(up.runner, {"do": "freeze"}, ANNA)
        assert (remembered(up.store)["mode"] == "freeze") == (name != "remembering")
    assert said == f"{note}, it is broken (ValueError)"
    assert up.runner.state()["mode"] == "freeze"
    assert ("freeze" in [entry["said"]["do"] for entry in latest_entries(up.store)]) == (name != "line")
    assert bool(latest_takes(up.store)) == (name != "change")
    assert "outlive" not in await give(up.runner, {"do": "trim", "role": "fill", "by": -1}, ANNA)
    assert remembered(up.store)["mode"] == "freeze"


async def test_an_order_of_which_a_part_cannot_be_stored_says_so(up: Running) -> None:
    up.store.write(lambda connection: connection.execute("DROP TABLE undoable")).result(WAIT_S)
    note = await give(up.runner, {"do": "expose", "by": 0.5}, ANNA)
    assert "this will not outlive a restart: no such table: undoable" in note
    assert remembered(up.store)["exposure_stops"] == 0.5


def test_jobs_kept_together_are_done_without_an_error_only_if_all_are(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        bad = Lasting(lambda connection: connection.execute("INSERT INTO nowhere VALUES (1)"))
        good = Lasting(lambda connection: 7)
        for jobs in ((bad, good), (good, bad), (good, bad, good)):
            assert isinstance(store.keep(*jobs).exception(WAIT_S), sqlite3.OperationalError)
        assert store.keep(good, good).result(WAIT_S) == 7


def seeded(folder: Path) -> None:
    """A clean file with a light, orders, a reading and forty journal entries."""
    seed(folder)
    with Store.open(folder) as store:
        store.keep(remembering_orders({n: f'{{"do":"{n}"}}' for n in range(1, 6)}))
        journal = Journal(store)
        for number in range(40):
            journal.write(ANNA, {"do": "expose", "by": number}, "ok", "x" * 400)


def page_zeroed(folder: Path, holding: bytes) -> None:
    """Zero the page that holds these octets."""
    octets = bytearray((folder / FILE).read_bytes())
    at = octets.index(holding) // PAGE * PAGE
    octets[at : at + PAGE] = bytes(PAGE)
    (folder / FILE).write_bytes(octets)


def test_a_damaged_database_that_cannot_be_renewed_is_read_and_left_alone_until_it_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    seeded(tmp_path)
    page_zeroed(tmp_path, b'"by":39')
    mend = shut(tmp_path, monkeypatch)
    octets = (tmp_path / FILE).read_bytes()
    with Store.read_only(tmp_path, "read-only") as store:
        (note,) = store.notes
        assert "it is left as it is until it can be written" in note
        assert remembered(store)["mode"] == "freeze"
        assert 0 < len(latest_entries(store)) < 40
        assert kept_identity(store, "cid", lambda: "second") == "first"
        assert (tmp_path / FILE).read_bytes() == octets
        remember(store, {"mode": "dark"})
        mend()
        until(lambda: store.trouble is None)
        assert remembered(store)["mode"] == "dark"
        assert [one.body for one in metering.readings(store)] == [READING]
    (aside,) = tmp_path.glob(f"{FILE}.damaged-*")
    assert aside.read_bytes() == octets


def test_a_database_that_is_damaged_meanwhile_is_renewed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    seeded(tmp_path)
    with Store.open(tmp_path) as store:
        page_zeroed(tmp_path, b'"by":39')
        Journal(store).write(ANNA, {"do": "follow"}, "ok")
        until(lambda: store.trouble is None and any("was damaged" in note for note in store.notes))
        assert latest_entries(store, 1)[0]["said"] == {"do": "follow"}
        assert [one.body for one in metering.readings(store)] == [READING]
        assert remembered(store)["mode"] == "freeze"


def changed(folder: Path, sql: str) -> None:
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        connection.execute(sql)


def test_of_the_orders_that_can_be_taken_back_those_before_a_wrong_one_are_left_out(tmp_path: Path) -> None:
    seeded(tmp_path)
    changed(tmp_path, "UPDATE undoable SET body = '{' WHERE id = 3")
    with Store.open(tmp_path) as store:
        assert remembered(store)["undoable"] == ['{"do":"4"}', '{"do":"5"}']
        assert store.notes == (
            "earlier orders cannot be taken back any more: what was kept of them cannot be read",
        )
        store.keep(remembering_orders({1: '{"do":"4"}'})).result(WAIT_S)
        assert remembered(store)["undoable"] == ['{"do":"4"}']


@pytest.mark.parametrize(
    ("damage", "left"),
    [
        (lambda folder: page_zeroed(folder, b'"by":39'), 5),
        (lambda folder: page_zeroed(folder, b'{"do":"3"}'), 0),
        (lambda folder: changed(folder, "DROP TABLE undoable"), 0),
    ],
    ids=["elsewhere", "their page", "their table"],
)
def test_of_a_renewed_database_orders_are_taken_back_only_if_none_is_missing(
    tmp_path: Path, damage: Callable[[Path], None], left: int
) -> None:
    seeded(tmp_path)
    damage(tmp_path)
    with Store.open(tmp_path) as store:
        (note,) = store.notes
        assert len(remembered(store).get("undoable", ())) == left
        assert ("earlier orders cannot be taken back" in note) == (left == 0)


def test_a_damaged_database_from_before_orders_were_kept_misses_none(tmp_path: Path) -> None:
    seeded(tmp_path)
    changed(tmp_path, "DROP TABLE undoable")
    changed(tmp_path, "PRAGMA user_version = 3")
    page_zeroed(tmp_path, b'"by":39')
    with Store.open(tmp_path) as store:
        (note,) = store.notes
        assert "taken back" not in note
        assert remembered(store)["mode"] == "freeze"


@pytest.mark.parametrize("make", [os.mkdir, os.mkfifo], ids=["folder", "pipe"])
def test_whatever_has_the_name_of_the_lock_the_folder_is_one_daemons_alone(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    make(tmp_path / "lock")
    with LockedFolder(tmp_path), pytest.raises(FolderInUseError):
        LockedFolder(tmp_path)
    LockedFolder(tmp_path).close()
