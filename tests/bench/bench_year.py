"""What a year without anybody looking leaves in the data folder, on a counted clock; by hand, some minutes.

    python tests/bench/bench_year.py [--days 365] [--full 2]

A tracker that reports fifty times a second, another that is refused each time, a sensor each second,
twenty orders an hour, thirty takes a day, a line-up a day and six readings a week, written by the code of the
daemon.
Reports of position come at their full rate for the last `--full` days, longer than any of them is kept, and
once a minute before. Prints the rows and octets of each table, how large the files are, and the longest
transaction with and without rows let go in it, which only compare with each other.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from contract.meter_studio import head_table, rig_of
from fillside.hold.machine.hold import Hold
from fillside.rig.calibration import Calibration
from fillside.storage.records import metering, takes
from fillside.storage.records.journal import Journal, Visitor
from fillside.storage.records.saved_state import save_state
from fillside.storage.rows import TABLES
from fillside.storage.store import FILE, Store
from fillside.storage.thinning import DAY_S, surplus_rows

BEGAN = 1_767_225_600.0
SWEPT_EACH = 25_000
"""New rows from one look to the next, five times as many as the daemon lets come."""
ANNA, TRACKER, OUTSIDE, SENSOR = (
    Visitor("anna", "http", "192.0.2.9"),
    Visitor("a tracker", "osc", "192.0.2.7"),
    Visitor("another tracker", "http", "192.0.2.8"),
    Visitor("a meter", "mqtt", "192.0.2.5:1883"),
)
HERE, FAR = {"do": "subject", "to": [0.104, -0.213, 1.187]}, {"do": "subject", "to": [19.5, -0.213, 1.187]}
WHY_FAR = "the subject can be at most 15 m from the first mark; that is 19.5 m away"
ORDERS = (
    {"do": "trim", "role": "fill", "by": -0.3333333333333333},
    {"do": "move", "mark": "chair"},
    {"do": "balance", "ratio": "3:1"},
    {"do": "expose", "by": 0.3333333333333333},
)
READING = {
    "heads": ["key"], "levels": [0.7], "at": [0.0, 0.0, 1.2], "value": 312.0, "unit": "lux",
    "receptor": "flat", "facing": "head",
}  # fmt: skip


DRIVE = 'drive = { driver = "stage", bits = 16 }'


class Year:
    def __init__(self, store: Store, full_from: float, calibration: dict[str, object]) -> None:
        self.store, self.full_from, self.calibration = store, full_from, calibration
        self.now = BEGAN
        self.journal = Journal(store, lambda: self.now)
        more = head_table("hair", "hair", [0.5, 1.0, 2.2], DRIVE) + head_table(
            "rim", "hair", [-0.5, 1.0, 2.2], DRIVE
        )
        hold = Hold(rig_of(more))
        self.state = hold.snapshot().model_dump(mode="json")
        read = next(iter(Calibration.model_validate(calibration).heads.values()))
        ambient = Calibration.model_validate(calibration).ambient
        known = Calibration(heads={head.name: read for head in hold.scene.rig.heads}, ambient=ambient)
        self.studio = takes.TakeStudio.of(hold.scene.rig, known, hold.subject)
        store.unix_clock = lambda: self.now
        self.takes = takes.TakeRecorder(store)
        self.rows, self.last = 0, None
        self.plain_s: list[float] = []
        self.thinning_s: list[float] = []

    def minute(self, number: int) -> None:
        at = BEGAN + 60.0 * number
        full = at >= self.full_from
        for second in range(60 if full else 1):
            self.now = at + second
            self.journal.write(TRACKER, HERE, "ok")
        for second in (1, 20, 40):
            self.now = at + second
            self.journal.write(OUTSIDE, FAR, "out_of_range", WHY_FAR)
        self.journal.write_counts(at_once=True)
        self.journal.write(SENSOR, {"do": "sensor", "name": "window", "value": 812.4}, "ok")
        if number % 3 == 0:
            self.journal.write(ANNA, ORDERS[number // 3 % len(ORDERS)], "ok")
        if number % 24 == 0:
            mode = "freeze" if number % 48 == 0 else "follow"
            self.takes.record({**self.state, "mode": mode}, lambda: self.studio)
        if number % 1440 == 0:
            self.day(number // 1440)
        self.rows += 62 if full else 3
        if self.rows >= SWEPT_EACH:
            self.rows = 0
            self.look()

    def day(self, number: int) -> None:
        for _ in range(8):
            metering.save_reading(self.store, "anna", "lineup", READING)
        if number % 7 != 6:
            found = metering.save_reading(self.store, "anna", "calibrate", READING).result(60)
            metering.save_calibration(self.store, {"receptor": "dome"}, [found], self.calibration)
        self.last = save_state(self.store, {"state": "x" * 1500})

    def look(self) -> None:
        def timed(job: object, into: list[float]) -> None:
            began = time.perf_counter()
            self.store.write(job, synced=False).result(60)  # type: ignore[arg-type]
            into.append(time.perf_counter() - began)

        self.store.write(lambda c: None).result(600)
        for step in surplus_rows(self.store, self.now):
            if step.ids:
                timed(step.delete, self.thinning_s)
                timed(_one_row, self.plain_s)


def _one_row(connection: sqlite3.Connection) -> None:
    connection.execute("UPDATE remembered SET saved_at = saved_at + 1")


def calibration_of_desk() -> dict[str, object]:
    from click.testing import CliRunner

    from fillside.cli.commands.offline import fit

    config = Path(__file__).resolve().parents[2] / "config"
    done = CliRunner().invoke(fit, [str(config / "desk.toml"), str(config / "desk-readings.csv"), "--json"])
    found: dict[str, object] = json.loads(done.output)
    return found


def report(store: Store, folder: Path, year: Year) -> None:
    print(f"{'table':<14}{'rows':>10}{'MB':>8}")
    for name, table in TABLES.items():
        octets = " + ".join(f"coalesce(length(CAST({column} AS BLOB)), 0)" for column in table.columns)
        rows, total = store.read(
            lambda c, sql=f"SELECT count(*), sum({octets}) FROM {name}": c.execute(sql).fetchone()
        )
        print(f"{name:<14}{rows:>10}{(total or 0) / 1e6:>8.1f}")
    kinds = store.read(
        lambda c: c.execute(
            "SELECT who, outcome = 'ok', count(*), (max(at) - min(at)) / 86400 FROM journal GROUP BY 1, 2"
        ).fetchall()
    )
    for who, obeyed, rows, days in kinds:
        print(f"  {who:<16}{'obeyed' if obeyed else 'refused':<9}{rows:>9} rows over {days:.1f} days")
    free, pages = (
        store.read(lambda c, pragma=f"PRAGMA {name}": c.execute(pragma).fetchone()[0])
        for name in ("freelist_count", "page_count")
    )
    print(f"file {pages * 4096 / 1e6:.1f} MB, of which free {free * 4096 / 1e6:.1f} MB")
    print(f"log beside it {(folder / f'{FILE}-wal').stat().st_size / 1e6:.1f} MB")
    for name, took in (("one row", year.plain_s), ("rows let go", year.thinning_s)):
        if took:
            half, longest = statistics.median(took) * 1e3, max(took) * 1e3
            print(f"transaction of {name}: median {half:.2f} ms, longest {longest:.1f} ms")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--full", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made, Store.open(Path(made)) as store:
        year = Year(store, BEGAN + (given.days - given.full) * DAY_S, calibration_of_desk())
        for number in range(given.days * 1440):
            year.minute(number)
            if number % 100 == 0:
                store.write(lambda c: None, synced=False).result(600)
        year.look()
        report(store, Path(made), year)


if __name__ == "__main__":
    main()
