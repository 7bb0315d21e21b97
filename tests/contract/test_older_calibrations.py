"""Contract: calibrations and databases of the release before the room's four numbers are still read.

`calibration_with_bounce.json` is what that release printed for `config/desk-readings.csv` with `fit --json`.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from contract.meter_studio import made
from fillside.balance.target import target_from_rig
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.result.intervals import Intervals, own_light
from fillside.belief.result.restoring import known_belief
from fillside.cli.commands.offline import predict, solve
from fillside.photometry.room_light import received_lux
from fillside.photometry.source import head_directions
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig
from fillside.storage.migrate import migrations
from fillside.storage.records import metering as kept
from fillside.storage.store import FILE, Store

HERE = Path(__file__).resolve().parent
CONFIG = HERE.parents[1] / "config"
OLDER = HERE / "calibration_with_bounce.json"
STORED_S = 1_795_000_000.0


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(CONFIG / "desk.toml")


@pytest.fixture(scope="module")
def body() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(OLDER.read_text("utf-8"))
    return found


def test_an_older_calibration_is_passed_on_as_it_is(body: dict[str, Any]) -> None:
    calibration = Calibration.model_validate(body)
    assert json.loads(calibration.model_dump_json()) == body
    key = calibration.heads["key"]
    assert (key.bounce, key.room, key.exponent) == (0.0428974, None, 2.15041)


def test_it_is_believed_at_the_light_that_it_states(rig: Rig, body: dict[str, Any]) -> None:
    calibration = Calibration.model_validate(body)
    belief = known_belief(rig, calibration)
    assert len(belief.readings) == 9
    own = scene(rig, calibration)
    for levels in (np.array([0.4, 0.4]), np.array([0.7, 0.7]), np.ones(2)):
        for mark in rig.marks.values():
            facing = head_directions(own.sources, mark)[None]
            full = received_lux(own.sources, mark, facing, np.zeros(1, dtype=np.bool_))[0]
            said = [
                lux * float(shape.output_from_level(level))
                for lux, shape, level in zip(full, own.curves, levels.tolist(), strict=True)
            ]
            believed, _ = own_light(belief, mark, levels)
            assert np.abs(np.log2(believed / said)).max() < 0.03


def test_what_it_says_of_the_room_counts_for_its_heads(rig: Rig, body: dict[str, Any]) -> None:
    calibration = Calibration.model_validate(body)
    belief, sources = known_belief(rig, calibration), scene(rig, calibration).sources
    gain = sources.room_mean_lux / sources.intensity_cd
    stated = [float(calibration.heads[name].bounce or 0.0) > 0 for name in belief.model.names]
    assert any(stated)
    for i in np.flatnonzero(stated):
        assert belief.figures.room_gain[i] == pytest.approx(gain[i], rel=1e-6)


def test_the_light_is_surer_by_it_than_by_the_labels(rig: Rig, body: dict[str, Any]) -> None:
    asked = (rig.first_mark, [0.6, 0.5], [True, True], target_from_rig(rig))
    by_file = Intervals(rig).at(*asked).uncertainty
    by_readings = Intervals(rig, Calibration.model_validate(body)).at(*asked).uncertainty
    for name in ("ratio_stops", "exposure_stops"):
        less, more = getattr(by_readings, name), getattr(by_file, name)
        assert less is not None
        assert more is not None
        assert 0 < less < more / 2


@pytest.mark.parametrize("command", [solve, predict], ids=["solve", "predict"])
def test_commands_take_the_file(command: Any) -> None:
    at = ["--at", "chair"] if command is predict else []
    done = CliRunner().invoke(
        command, [str(CONFIG / "desk.toml"), *at, "--calibration", str(OLDER), "--json"]
    )
    assert done.exit_code == 0, done.output
    assert json.loads(done.output)["uncertainty"]["ratio_stops"] > 0


def released(folder: Path, rig: Rig, body: dict[str, Any]) -> Path:
    """A folder of that release: its readings, and the calibration of them in use."""
    folder.mkdir()
    readings = readings_from_csv((CONFIG / "desk-readings.csv").read_text("utf-8"), rig)
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        for number, step in enumerate(migrations()[:5], start=1):
            connection.executescript(f"BEGIN;\n{step}\nPRAGMA user_version = {number};\nCOMMIT;")
        sql = "INSERT INTO reading (id, at, who, purpose, body) VALUES (?, ?, 'anna', 'calibrate', ?)"
        for number, reading in enumerate(readings, start=1):
            connection.execute(sql, (number, STORED_S + number, reading.model_dump_json()))
        connection.execute(
            "INSERT INTO calibration (id, at, meter, readings, body) VALUES (1, ?, ?, ?, ?)",
            (STORED_S + 60, rig.meter.model_dump_json(), json.dumps([*range(1, 10)]), json.dumps(body)),
        )
        connection.execute("UPDATE metering SET calibration = 1")
    return folder


async def test_a_database_of_that_release_goes_on_with_all_its_readings(
    tmp_path: Path, rig: Rig, body: dict[str, Any]
) -> None:
    with Store.open(released(tmp_path / "old", rig, body)) as store:
        assert store.notes == ()
        async with made(rig, store) as here:
            assert here.hold.calibration == Calibration.model_validate(body)
            before = here.hold.snapshot().uncertainty
            assert before.ratio_stops is not None
            # Of the light as it is held now, which the calibration of before foretells.
            note = await here.do(do="read", head="key", level=0.7, at="chair", value=71.5)
            assert note.startswith("reading 10 taken")
            used = kept.current_calibration(store)
            assert used is not None
            assert used.readings == tuple(range(1, 11))
            assert used.body["heads"]["key"]["room"]["mean"] > 0
            assert "bounce" not in used.body["heads"]["key"] or used.body["heads"]["key"]["bounce"] is None
            assert await here.do(do="calibration", use=1) == "calibration 1 is in use"
            assert here.hold.calibration == Calibration.model_validate(body)
            assert here.hold.snapshot().uncertainty == before
