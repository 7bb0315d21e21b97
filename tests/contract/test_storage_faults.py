"""Contract: what is acknowledged is on the disk, and what a disk in trouble does to what is handed in.

The disk is a real one whose commits are held up, counted or made to fail; `PRAGMA synchronous` FULL is 2 and
NORMAL 1 (sqlite.org, "PRAGMA synchronous").
"""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from contract.disk import WAIT_S, Disk, full, unsynced, until
from fillside.belief.evidence import Reading
from fillside.metering.readings import keep
from fillside.storage import writer
from fillside.storage.errors import DataTooNewError, FolderInUseError, FolderUnusableError, NotStoredError
from fillside.storage.records import metering
from fillside.storage.records.journal import Journal, Visitor, latest_entries
from fillside.storage.records.saved_state import load_state, persistent_identity, save_state
from fillside.storage.records.takes import TakeRecorder, latest_takes
from fillside.storage.store import FILE, Store
from fillside.storage.writer import PersistentJob, wait_until_stored

ANNA = Visitor("anna", "http")
READING = {"at": [0.0, 0.0, 1.2], "value": 640.0, "heads": ["key"], "levels": [1.0]}
FULL, NORMAL = 2, 1
LIGHT = {
    "subject": [], "target": {}, "achieved": {}, "face": {}, "camera": {}, "trims": {}, "calibrated_at": None,
    "heads": [],
}  # fmt: skip


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    made = Disk()
    monkeypatch.setattr(writer, "commit", made.commit)
    return made


def test_what_somebody_waits_for_is_synced_and_done_only_then(tmp_path: Path, disk: Disk) -> None:
    with Store.open(tmp_path) as store:
        disk.hang()
        done = save_state(store, {"mode": "freeze"})
        assert disk.at_it.wait(WAIT_S)
        assert not done.done()
        disk.open.set()
        done.result(WAIT_S)
        assert disk.commits[-1] == FULL
        assert load_state(store) == {"mode": "freeze"}


def test_what_nobody_waits_for_costs_no_sync(tmp_path: Path, disk: Disk) -> None:
    with Store.open(tmp_path) as store:
        save_state(store, {}).result(WAIT_S)
        store.keep(PersistentJob(lambda connection: None), synced=False).result(WAIT_S)
        assert disk.commits == [FULL, NORMAL]


def test_all_that_wait_share_one_sync_and_are_done_in_their_order(tmp_path: Path, disk: Disk) -> None:
    with Store.open(tmp_path) as store:
        disk.hang()
        save_state(store, {})
        assert disk.at_it.wait(WAIT_S)
        order: list[int] = []
        waiting = []
        for number in range(20):
            jobs = [
                PersistentJob(lambda connection: None, "remembered"),
                PersistentJob(lambda connection: None),
            ]
            future = store.keep(*jobs)
            future.add_done_callback(lambda _, number=number: order.append(number))
            waiting.append(future)
        before = len(disk.commits)
        disk.open.set()
        for future in waiting:
            future.result(WAIT_S)
        until(lambda: len(order) == 20)
        assert order == list(range(20))
        assert len(disk.commits) - before == 2


def test_what_lasts_is_stored_once_there_is_room_and_the_newest_counts(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    with Store.open(tmp_path) as store:
        disk.fails = full()
        journal, takes = Journal(store), TakeRecorder(store)
        for mode in ("freeze", "follow", "freeze"):
            takes.record({**LIGHT, "mode": mode})
            journal.write(ANNA, {"do": mode}, "ok")
            assert isinstance(save_state(store, {"mode": mode}).exception(WAIT_S), sqlite3.OperationalError)
        reading = metering.save_reading(store, "anna", "calibrate", READING)
        assert isinstance(reading.exception(WAIT_S), sqlite3.OperationalError)
        assert store.trouble == "the disk is full"
        assert "will not outlive a restart" in store.trouble_note
        disk.fails = None
        until(lambda: store.trouble is None)
        assert store.trouble_note == ""
        assert load_state(store) == {"mode": "freeze"}
        assert [entry["said"]["do"] for entry in latest_entries(store)] == ["freeze", "follow", "freeze"]
        assert [take.ended is None for take in latest_takes(store)] == [True, False]
        assert metering.readings(store) == []


def test_what_was_stored_though_its_sync_failed_is_there_once(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    with Store.open(tmp_path) as store:
        disk.sync_fails = unsynced()
        journal, takes = Journal(store), TakeRecorder(store)
        for mode in ("freeze", "follow", "freeze"):
            takes.record({**LIGHT, "mode": mode})
            journal.write(ANNA, {"do": mode}, "ok")
            assert isinstance(save_state(store, {"mode": mode}).exception(WAIT_S), sqlite3.OperationalError)
        disk.sync_fails = None
        until(lambda: store.trouble is None)
        assert [entry["said"]["do"] for entry in latest_entries(store)] == ["freeze", "follow", "freeze"]
        assert [take.ended is None for take in latest_takes(store)] == [True, False]


async def test_a_reading_that_was_refused_because_its_sync_failed_does_not_count(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    reading = Reading(heads=("key",), levels=(1.0,), at=(0.0, 0.0, 1.2), value=640.0, unit="lux")
    with Store.open(tmp_path) as store:
        disk.sync_fails = unsynced()
        with pytest.raises(NotStoredError, match="the disk fails"):
            await keep(store, reading, "calibrate", "anna")
        disk.sync_fails = None
        taken = await keep(store, reading, "calibrate", "anna")
        until(lambda: store.trouble is None)
        counted = [one.id for one in metering.readings(store) if one.struck is None]
        assert counted == [taken]


def test_far_too_many_lines_of_the_journal_are_dropped_and_nothing_else(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    monkeypatch.setattr(writer, "MOST_QUEUED", 10)
    with Store.open(tmp_path) as store:
        disk.fails = full()
        TakeRecorder(store).record({**LIGHT, "mode": "freeze"})
        save_state(store, {"mode": "freeze"})
        journal = Journal(store)
        for number in range(50):
            journal.write(ANNA, {"do": "expose", "by": number}, "ok")
        disk.fails = None
        until(lambda: store.trouble is None and len(latest_takes(store)) == 1)
        said = [entry["said"]["by"] for entry in latest_entries(store)]
        assert len(said) < 50
        assert said == sorted(said, reverse=True)
        assert said[0] == 49
        assert load_state(store) == {"mode": "freeze"}


def test_a_disk_that_hangs_keeps_nobody_waiting(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", 0.0)
    monkeypatch.setattr(writer, "CLOSE_TIMEOUT_S", 0.0)
    store = Store.open(tmp_path)
    disk.hang()
    waits = save_state(store, {"mode": "freeze"})
    assert disk.at_it.wait(WAIT_S)
    assert store.trouble == "the disk does not answer"
    refused = metering.save_reading(store, "anna", "calibrate", READING)
    assert isinstance(refused.exception(0), sqlite3.OperationalError)
    assert load_state(store) is None
    store.close()
    disk.open.set()
    waits.result(WAIT_S)


async def test_what_is_stored_though_it_was_refused_does_not_count(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(tmp_path) as store:
        disk.hang()
        reading = metering.save_reading(store, "anna", "calibrate", READING)
        assert disk.at_it.wait(WAIT_S)
        monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", 0.0)
        with pytest.raises(NotStoredError, match="does not answer"):
            await wait_until_stored(reading, lambda number: metering.revert(store, STRUCK, number))
        monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", WAIT_S)
        disk.open.set()
        until(lambda: [one.struck for one in metering.readings(store)] == ["too late"])


STRUCK = "UPDATE reading SET struck = 'too late' WHERE id = ?"


async def test_what_waits_behind_a_disk_that_hangs_is_withdrawn(
    tmp_path: Path, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(tmp_path) as store:
        disk.hang()
        save_state(store, {})
        assert disk.at_it.wait(WAIT_S)
        reading = metering.save_reading(store, "anna", "calibrate", READING)
        monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", 0.0)
        with pytest.raises(NotStoredError):
            await wait_until_stored(reading)
        monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", WAIT_S)
        disk.open.set()
        save_state(store, {}).result(WAIT_S)
        assert metering.readings(store) == []


def shut(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Have nothing in a folder opened to be written, as on a disk mounted read-only; what ends that."""
    real, closed = os.open, [True]

    def guarded(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        inside = isinstance(path, str | Path) and Path(path).parent == folder
        if closed and inside and flags & (os.O_RDWR | os.O_WRONLY | os.O_CREAT):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))
        return real(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", guarded)
    return closed.clear


def seed(folder: Path) -> None:
    with Store.open(folder) as store:
        save_state(store, {"mode": "freeze"}).result(WAIT_S)
        metering.save_reading(store, "anna", "calibrate", READING).result(WAIT_S)
        assert persistent_identity(store, "cid", lambda: "first") == "first"


def read_only(folder: Path) -> Store:
    """The store as the daemon opens it where it cannot be written."""
    with pytest.raises(FolderUnusableError) as refused:
        Store.open(folder)
    assert "read-only" in str(refused.value)
    return Store.read_only(folder, refused.value.reason)


def test_what_a_read_only_folder_has_is_read_and_nothing_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seed(tmp_path)
    shut(tmp_path, monkeypatch)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    with read_only(tmp_path) as store:
        assert load_state(store) == {"mode": "freeze"}
        assert [one.body for one in metering.readings(store)] == [READING]
        assert persistent_identity(store, "cid", lambda: "second") == "first"
        assert save_state(store, {"mode": "dark"}).exception(WAIT_S) is not None
        assert metering.save_reading(store, "anna", "calibrate", READING).exception(WAIT_S) is not None
        assert store.trouble == "the data folder is read-only"
        assert load_state(store) == {"mode": "freeze"}
        with pytest.raises(FolderInUseError):
            Store.read_only(tmp_path, "")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_read_only_folder_that_is_mended_gets_what_waited(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    seed(tmp_path)
    mend = shut(tmp_path, monkeypatch)
    with read_only(tmp_path) as store:
        assert save_state(store, {"mode": "dark"}).exception(WAIT_S) is not None
        mend()
        until(lambda: store.trouble is None)
        assert load_state(store) == {"mode": "dark"}
        assert metering.save_reading(store, "anna", "calibrate", READING).result(WAIT_S) == 2
    with Store.open(tmp_path) as store:
        assert load_state(store) == {"mode": "dark"}
        assert len(metering.readings(store)) == 2


def test_what_a_killed_daemon_had_not_put_in_its_place_is_read_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seed(tmp_path)
    with Store.open(tmp_path) as store:
        save_state(store, {"mode": "dark"}).result(WAIT_S)
        killed = tmp_path / "killed"
        killed.mkdir()
        for name in (FILE, f"{FILE}-wal"):
            (killed / name).write_bytes((tmp_path / name).read_bytes())
    shut(killed, monkeypatch)
    with read_only(killed) as store:
        assert load_state(store) == {"mode": "dark"}


def test_a_folder_that_could_not_be_read_at_the_start_is_not_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    data, away = tmp_path / "data", tmp_path / "away"
    seed(data)
    data.rename(away)
    data.write_text("")  # where the disk is not mounted yet, say
    with Store.read_only(data, "not a directory") as store:
        assert save_state(store, {"mode": "dark"}).exception(WAIT_S) is not None
        data.unlink()
        away.rename(data)
        until(lambda: "start again" in (store.trouble or ""))
    with Store.open(data) as store:
        assert load_state(store) == {"mode": "freeze"}


def test_a_folder_that_comes_later_and_is_empty_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    data = tmp_path / "data"
    data.write_text("")
    with Store.read_only(data, "not a directory") as store:
        assert save_state(store, {"mode": "dark"}).exception(WAIT_S) is not None
        data.unlink()
        until(lambda: store.trouble is None)
    with Store.open(data) as store:
        assert load_state(store) == {"mode": "dark"}


def test_a_database_that_is_moved_away_is_missed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    with Store.open(tmp_path) as store:
        save_state(store, {"mode": "freeze"}).result(WAIT_S)
        (tmp_path / FILE).rename(tmp_path / "elsewhere")
        assert save_state(store, {"mode": "dark"}).exception(WAIT_S) is not None
        assert "moved or removed" in store.trouble_note
        (tmp_path / "elsewhere").rename(tmp_path / FILE)
        until(lambda: store.trouble is None)
        assert load_state(store) == {"mode": "dark"}


def test_newer_data_are_refused_where_they_can_only_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seed(tmp_path)
    with sqlite3.connect(tmp_path / FILE) as connection:
        connection.execute("PRAGMA user_version = 999")
    connection.close()
    shut(tmp_path, monkeypatch)
    with pytest.raises(DataTooNewError, match="upgrade"):
        Store.read_only(tmp_path, "")


def test_a_fault_of_a_record_itself_is_not_tried_for_ever(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        bad: Future[Any] = store.keep(
            PersistentJob(lambda connection: connection.execute("SELECT * FROM nowhere"))
        )
        assert isinstance(bad.exception(WAIT_S), sqlite3.OperationalError)
        save_state(store, {}).result(WAIT_S)
        assert store.trouble is None
