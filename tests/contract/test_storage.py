"""Contract: what the store keeps, and that a disk in trouble never reaches whoever handed something in."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from contract.disk import full
from fillside.storage import opening
from fillside.storage.errors import DataTooNewError, FolderInUseError, FolderUnusableError
from fillside.storage.folder import LockedFolder, default_folder
from fillside.storage.migrate import migrate, migrations
from fillside.storage.opening import connect_writer
from fillside.storage.records import metering
from fillside.storage.records.journal import Journal, Visitor, latest_entries
from fillside.storage.records.saved_state import load_state, persistent_identity, save_state
from fillside.storage.store import FILE, Store

ANNA = Visitor("anna", "http", "127.0.0.1")


def test_what_is_remembered_is_there_at_the_next_opening(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        assert load_state(store) is None
        save_state(store, {"codes": [1, 65535], "mode": "freeze"})
        save_state(store, {"codes": [2, 65535], "mode": "freeze"})
    with Store.open(tmp_path) as store:
        assert load_state(store) == {"codes": [2, 65535], "mode": "freeze"}


def test_closing_writes_all_that_waits_and_may_be_repeated(tmp_path: Path) -> None:
    store = Store.open(tmp_path)
    journal = Journal(store)
    for number in range(3000):
        journal.write(ANNA, {"do": "expose", "by": number}, "ok")
    store.close()
    store.close()
    with Store.open(tmp_path) as again:
        (count,) = again.read(lambda c: c.execute("SELECT count(*) FROM journal").fetchone())
    assert count == 3000


def test_a_job_after_closing_fails_instead_of_waiting(tmp_path: Path) -> None:
    store = Store.open(tmp_path)
    store.close()
    assert isinstance(save_state(store, {}).exception(timeout=1), sqlite3.ProgrammingError)


def test_the_files_are_for_their_owner_alone(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "rig"
    with Store.open(folder) as store:
        save_state(store, {"mode": "follow"}).result()
        modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert set(modes) >= {FILE, "lock"}
    assert set(modes.values()) == {0o600}


def test_a_second_daemon_is_refused_in_one_line_that_names_the_first(tmp_path: Path) -> None:
    with Store.open(tmp_path), pytest.raises(FolderInUseError) as refused:
        Store.open(tmp_path)
    assert str(os.getpid()) in str(refused.value)
    assert "\n" not in str(refused.value)
    Store.open(tmp_path).close()


def test_the_lock_ends_with_the_process_however_it_ends(tmp_path: Path) -> None:
    code = (
        "import os, sys; from pathlib import Path; from fillside.storage.folder import LockedFolder;"
        "held = LockedFolder(Path(sys.argv[1])); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    LockedFolder(tmp_path).close()


def test_a_folder_that_cannot_be_is_named_with_the_reason(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderUnusableError, match="a part of that path is no folder") as refused:
        Store.open(tmp_path / "file" / "below")
    assert "\n" not in str(refused.value)


def test_an_unkept_store_serves_its_run(tmp_path: Path) -> None:
    with Store.in_memory() as store:
        save_state(store, {"mode": "dark"}).result()
        assert load_state(store) == {"mode": "dark"}
        assert store.trouble is not None


def test_a_damaged_database_is_put_aside_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"this was never a database" * 100)
    with Store.open(tmp_path) as store:
        assert load_state(store) is None
        (note,) = store.notes
    (aside,) = tmp_path.glob(f"{FILE}.damaged-*")
    assert aside.read_bytes() == b"this was never a database" * 100
    assert aside.name in note


def test_a_file_that_cannot_be_opened_is_let_go_of(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"this was never a database" * 100)
    with pytest.raises(sqlite3.DatabaseError) as refused:  # what it holds on to lives as long as it
        connect_writer((tmp_path / FILE).as_uri())
    held = {os.readlink(link) for link in Path("/proc/self/fd").iterdir() if link.is_symlink()}
    assert str(tmp_path / FILE) not in held
    assert refused.value.sqlite_errorname == "SQLITE_NOTADB"


def test_data_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    Store.open(tmp_path).close()
    with sqlite3.connect(tmp_path / FILE) as connection:
        connection.execute(f"PRAGMA user_version = {len(migrations()) + 1}")
    connection.close()
    with pytest.raises(DataTooNewError, match="upgrade"):
        Store.open(tmp_path)


def test_readers_cannot_write(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store, pytest.raises(sqlite3.OperationalError, match="readonly"):
        store.read(lambda c: c.execute("DELETE FROM journal"))


def test_one_bad_job_takes_no_other_with_it(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        gate = threading.Event()
        store.write(lambda c: gate.wait(5))
        good = save_state(store, {"mode": "follow"})
        bad = store.write(lambda c: c.execute("INSERT INTO nowhere VALUES (1)"))
        worse = store.write(lambda c: 1 / 0)
        gate.set()
        good.result(timeout=60)
        assert isinstance(bad.exception(timeout=60), sqlite3.OperationalError)
        assert isinstance(worse.exception(timeout=60), ZeroDivisionError)
        assert load_state(store) == {"mode": "follow"}


def test_a_full_disk_is_said_once_and_over_when_there_is_room(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with Store.open(tmp_path) as store:
        (pages,) = store.write(lambda c: c.execute("PRAGMA page_count").fetchone()).result()
        limit = f"PRAGMA max_page_count = {pages + 2}"
        store.write(lambda c: c.execute(limit).fetchone()).result()
        journal = Journal(store)
        for _ in range(40):
            journal.write(ANNA, {"do": "follow", "padding": "x" * 2000}, "ok")
        save_state(store, {"mode": "follow"}).exception(timeout=60)
        assert store.trouble is not None
        store.write(lambda c: c.execute("PRAGMA max_page_count = 1000000").fetchone()).result()
        save_state(store, {"mode": "freeze"}).result(timeout=60)
        assert store.trouble is None
        assert load_state(store) == {"mode": "freeze"}
    said = [record.getMessage() for record in caplog.records]
    assert sum("cannot write" in line for line in said) == 1
    assert sum("works again" in line for line in said) == 1


def test_an_identity_is_made_once(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        assert persistent_identity(store, "cid", lambda: "first") == "first"
    with Store.open(tmp_path) as store:
        assert persistent_identity(store, "cid", lambda: "second") == "first"


def test_the_journal_tells_who_from_where_what_and_the_outcome(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        journal = Journal(store)
        journal.write(ANNA, {"do": "follow"}, "ok", "following")
        journal.write(Visitor("", "osc", "10.0.0.9"), {"do": "nonsense"}, "bad_order", "no such order")
        store.write(lambda c: None).result()
        last, first = latest_entries(store)
        assert (first["who"], first["door"], first["address"]) == ("anna", "http", "127.0.0.1")
        assert (first["said"], first["outcome"], first["note"]) == ({"do": "follow"}, "ok", "following")
        assert (last["outcome"], last["door"]) == ("bad_order", "osc")
        assert latest_entries(store, before=last["id"]) == [first]


def test_the_journal_reads_whatever_it_stored_and_numbers_that_are_none_of_older_versions() -> None:
    odd = {"do": "expose", "by": float("nan"), "at": object(), "n": 10**400}
    old = 'INSERT INTO journal (at, who, door, address, said, outcome, note) VALUES (1,"","","",?,"ok","")'
    with Store.in_memory() as store:
        journal = Journal(store)
        journal.write(ANNA, {"do": "trim", "by": float("nan"), "to": [float("inf"), 1.5]}, "bad_order")
        journal.write(ANNA, odd, "bad_order")
        store.write(lambda connection: connection.execute(old, ('{"by": NaN, "to": -1e999}',))).result()
        said = [entry["said"] for entry in latest_entries(store)]
        assert store.notes == ()
    assert said == [{"by": None, "to": None}, None, {"do": "trim", "by": None, "to": [None, 1.5]}]


def test_position_reports_do_not_fill_the_journal(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        journal = Journal(store)
        for _ in range(200):
            journal.write(ANNA, {"do": "subject", "to": [0, 0, 1.2]}, "ok")
        journal.write(ANNA, {"do": "subject", "to": [99, 0, 1.2]}, "out_of_range")
        store.write(lambda c: None).result()
        entries = latest_entries(store)
    assert entries[0]["outcome"] == "out_of_range"
    assert len(entries) < 20


def test_where_data_is_kept_when_nobody_says() -> None:
    assert default_folder("corner", {"STATE_DIRECTORY": "/var/lib/fillside"}) == Path(
        "/var/lib/fillside/corner"
    )
    assert default_folder("corner", {"HOME": "/home/me"}) == Path("/home/me/.local/state/fillside/corner")


def test_migrations_are_numbered_without_a_gap_and_each_runs_on_an_empty_database() -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    for step in migrations():
        connection.executescript(f"BEGIN IMMEDIATE;\n{step}\nCOMMIT;")
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    connection.close()
    assert {"remembered", "journal", "identity"} <= tables


def test_a_step_back_is_never_taken(tmp_path: Path) -> None:
    """Whoever runs the steps on a later schema is refused with both numbers, and nothing is written."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    later = len(migrations()) + 3
    connection.execute(f"PRAGMA user_version = {later}")
    with pytest.raises(DataTooNewError) as refused:
        migrate(connection, tmp_path / FILE)
    assert (refused.value.found, refused.value.known) == (later, len(migrations()))
    assert connection.execute("SELECT name FROM sqlite_master").fetchall() == []
    connection.close()


def test_a_full_disk_at_the_start_is_no_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file is neither put aside nor written anew: it has all that was kept once there is room."""
    with Store.open(tmp_path) as store:
        save_state(store, {"mode": "freeze"}).result(20)
    before = {path.name for path in tmp_path.iterdir()}

    def no_room(*_: object) -> int:
        raise full()

    with monkeypatch.context() as now:
        now.setattr(opening, "migrate", no_room)
        with pytest.raises(sqlite3.OperationalError, match="full"):
            opening.open_or_renew(tmp_path / FILE, print)
    assert {path.name for path in tmp_path.iterdir()} - {f"{FILE}-wal", f"{FILE}-shm"} == before
    with Store.open(tmp_path) as store:
        assert load_state(store) == {"mode": "freeze"}


def test_damage_that_only_opening_shows_is_mended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rows go into a new file, the old one is put aside, and both are said."""
    with Store.open(tmp_path) as store:
        save_state(store, {"mode": "freeze"}).result(20)
    at_first = [sqlite3.DatabaseError("database disk image is malformed")]

    def malformed_once(connection: sqlite3.Connection, path: Path) -> int:
        if at_first:
            raise at_first.pop()
        return migrate(connection, path)

    monkeypatch.setattr(opening, "migrate", malformed_once)
    with Store.open(tmp_path) as store:
        assert load_state(store) == {"mode": "freeze"}
        (note,) = store.notes
    assert "malformed" in note
    assert [path.name for path in tmp_path.glob(f"{FILE}.damaged-*") if path.name in note]


def test_what_a_sensor_showed_lies_beside_the_reading_it_was_seen_with(tmp_path: Path) -> None:
    """As earlier versions stored it: a row of its own, with the number of the reading."""
    reading = {"at": [0.0, 0.0, 1.2], "value": 640.0, "heads": ["key"], "levels": [1.0]}
    with Store.open(tmp_path) as store:
        dark, alone, bright = (
            metering.save_reading(store, "anna", "calibrate", reading).result(20) for _ in range(3)
        )
        for number, lux in ((dark, 12.5), (bright, 80.0)):
            beside = {"sensor": "window", "lux": lux, "reading": number}
            metering.save_reading(store, "sensor window", "sensor", beside).result(20)
        shown = {dark: ("window", 12.5), bright: ("window", 80.0)}
        assert metering.sensors_with(store, (dark, alone, bright)) == shown
        assert metering.sensors_with(store, (alone, bright)) == {bright: ("window", 80.0)}
