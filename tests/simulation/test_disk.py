"""Contract: the simulated disk keeps what was synced, and of the rest any part; SQLite reads what is left."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from simulation.machine.disk import FILE, Disk

ROWS = 6
CUTS = 60


def opened(disk: Disk) -> sqlite3.Connection:
    disk.data.mkdir(exist_ok=True)
    connection = disk.database((disk.data / FILE).as_uri())
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("CREATE TABLE IF NOT EXISTS line (number INTEGER PRIMARY KEY, text TEXT)")
    return connection


def write(connection: sqlite3.Connection, number: int, synced: bool) -> None:
    connection.execute(f"PRAGMA synchronous = {'FULL' if synced else 'NORMAL'}")
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("INSERT INTO line VALUES (?, ?)", (number, 900 * str(number)))
    connection.execute("COMMIT")


def left_by_a_cut(folder: Path, seed: int, synced: set[int]) -> list[int]:
    """Return the rows that a power cut leaves of some, of which these were synced."""
    disk = Disk(folder, Random(seed), lambda: 0.0)
    connection = opened(disk)
    for number in range(ROWS):
        write(connection, number, number in synced)
    disk.power_fails = True
    disk.killed()
    connection.close()
    with closing(opened(disk)) as found:
        assert found.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return [number for (number,) in found.execute("SELECT number FROM line ORDER BY number")]


def test_a_power_cut_leaves_what_was_synced_and_any_number_of_later_commits(tmp_path: Path) -> None:
    seen = set()
    for seed in range(CUTS):
        (folder := tmp_path / str(seed)).mkdir()
        rows = left_by_a_cut(folder, seed, {2})
        assert rows[:3] == [0, 1, 2]
        assert rows == list(range(len(rows)))
        seen.add(len(rows))
    assert {3, ROWS} < seen


def test_a_kill_leaves_every_commit(tmp_path: Path) -> None:
    disk = Disk(tmp_path, Random(1), lambda: 0.0)
    connection = opened(disk)
    for number in range(ROWS):
        write(connection, number, False)
    disk.killed()
    connection.close()
    with closing(opened(disk)) as found:
        assert found.execute("SELECT count(*) FROM line").fetchone() == (ROWS,)


@pytest.mark.parametrize(
    ("fault", "name"),
    [("full", "SQLITE_FULL"), ("fails", "SQLITE_IOERR_WRITE"), ("read-only", "SQLITE_READONLY")],
)
def test_a_disk_in_trouble_refuses_as_sqlite_does_and_takes_all_again(
    tmp_path: Path, fault: str, name: str
) -> None:
    disk = Disk(tmp_path, Random(1), lambda: 0.0)
    connection = opened(disk)
    with disk.failing(fault), pytest.raises(sqlite3.OperationalError) as refusal:
        write(connection, 1, True)
    assert refusal.value.sqlite_errorname == name
    assert disk.refused_s == 0.0
    if connection.in_transaction:
        connection.execute("ROLLBACK")
    write(connection, 2, True)
    assert disk.refused_s is None
    assert (2,) in connection.execute("SELECT number FROM line").fetchall()


@pytest.mark.parametrize(("full_until_s", "well_since_s"), [(4.0, 10.0), (12.0, 12.0)])
def test_a_disk_is_well_once_the_last_of_its_troubles_is_over(
    tmp_path: Path, full_until_s: float, well_since_s: float
) -> None:
    now_s = 0.0
    disk = Disk(tmp_path, Random(1), lambda: now_s)
    disk.hang(10.0)
    now_s = 3.0
    with disk.failing("full"):
        now_s = full_until_s
    now_s = 11.0 if full_until_s < 10.0 else 13.0
    assert disk.well
    assert disk.well_for_s == now_s - well_since_s
