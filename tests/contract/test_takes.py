"""Contract: every freeze is a take, kept with the light it began and ended with, through a restart too."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from click.testing import CliRunner

from fillside.cli.render.history import take_lines
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.listening import Listen
from fillside.doors.listener import give
from fillside.rig.calibration import Calibration
from fillside.storage.migrate import migrations
from fillside.storage.records import metering
from fillside.storage.records.journal import Visitor
from fillside.storage.records.takes import TakeRecorder, TakeStudio, latest_takes
from fillside.storage.repair.salvage import renew
from fillside.storage.rows import STUDIO_COLUMNS
from fillside.storage.store import FILE, Store
from protocol.wires import HandClock

SOMEBODY = Visitor("somebody", "test")


async def order(up: Running, **said: Any) -> dict[str, Any]:
    """The state after an order, once the light rests."""
    await give(up.runner, said, SOMEBODY)
    async with up.runner.live.join() as reader:
        while not up.runner.light.settled:
            await reader.next()
    return up.runner.state()


async def taken(up: Running, query: str = "") -> list[dict[str, Any]]:
    await asyncio.wrap_future(up.store.write(lambda connection: None))
    async with aiohttp.ClientSession() as session, session.get(f"{up.url}/api/v1/takes{query}") as response:
        assert response.status == 200
        found: list[dict[str, Any]] = (await response.json())["takes"]
        return found


async def test_a_take_has_the_light_it_began_and_ended_with(tmp_path: Path) -> None:
    settings = Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0))
    async with daemon(demo_studio(), settings) as up:
        assert await taken(up) == []
        await order(up, do="follow")
        before = await order(up, do="freeze")
        (goes_on,) = await taken(up)
        assert (goes_on["ended"], goes_on["last"]) == (None, None)
        assert goes_on["first"]["face"] == before["face"]
        assert [h["wire"] for h in goes_on["first"]["heads"]] == [h["wire"] for h in before["heads"]]
        await order(up, do="freeze")
        trimmed = await order(up, do="trim", role="fill", by=-1)
        assert len(await taken(up)) == 1
    async with daemon(demo_studio(), settings) as up:
        assert up.runner.state()["mode"] == "freeze"
        assert len(await taken(up)) == 1
        await order(up, do="follow")
        (over,) = await taken(up)
        assert over["ended"] >= over["began"]
        assert over["lasted_s"] is None
        assert over["first"] == goes_on["first"]
        assert over["last"]["trims"] == trimmed["trims"]
        await order(up, do="freeze")
        await order(up, do="undo")
        undone = await taken(up)
        assert [take["id"] for take in undone] == [2, 1]
        assert undone[0]["ended"] is not None
        assert [take["id"] for take in await taken(up, "?most=1")] == [2]
        assert [take["id"] for take in await taken(up, "?before=2")] == [1]


@pytest.mark.parametrize("mode", ["follow", "dark"])
def test_a_mode_that_is_no_freeze_ends_the_take_that_a_kill_left_open(mode: str) -> None:
    with Store.in_memory() as store:
        TakeRecorder(store).record(STATE | {"mode": "freeze"})
        store.write(lambda connection: None).result()
        again = TakeRecorder(store)
        again.record(STATE | {"mode": mode})
        again.record(STATE | {"mode": mode})
        store.write(lambda connection: None).result()
        (take,) = latest_takes(store)
        assert take.ended is not None
        assert take.lasted_s is None
        assert take.last == take.first
        assert take_lines([vars(take)])[1].count("not known") == 1


def test_a_take_is_as_long_as_it_was_whatever_the_clock_on_the_wall_was_set_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    elapsed, wall = HandClock(50.0), HandClock(1_795_000_000.0)
    with Store.in_memory() as store:
        monkeypatch.setattr(store, "unix_clock", wall)
        kept = TakeRecorder(store, elapsed)
        for step_s in (-172_800.0, +172_800.0):
            kept.record(STATE | {"mode": "freeze"})
            elapsed += 61.25
            wall += step_s
            kept.record(STATE | {"mode": "follow"})
        store.write(lambda connection: None).result()
        found = latest_takes(store)
    assert [take.lasted_s for take in found] == [61.25, 61.25]
    assert found[0].last == found[0].first
    assert ["1:01" in line for line in take_lines([vars(take) for take in found])] == [False, True, True]


CALIBRATION = {
    "heads": {
        "key": {
            "intensity_cd": 1234.5, "setback_m": 0.21, "diameter_m": 0.6, "sigma_stops": 0.04,
            "room": {"mean": 21.5, "vector": [3.0, -4.0, 1.5]},
            "curve": {"levels": [0.0, 0.5, 1.0], "outputs": [0.0, 0.25, 1.0]},
            "readings": [{"number": 1, "heads": ["key"], "levels": [1.0], "at": [0, 0, 1.2], "value": 640.0}],
        },
        "sold": {"intensity_cd": 700.0},
    },
    "ambient": {"toward_key": 3.0, "toward_fill": 4.0, "toward_camera": 5.0, "mean": 2.5,
                "vector": [0.5, 0.0, 1.0], "window": [-40.0, 30.0, 0.0], "window_m": 2.5, "readings": []},
    "hand_sd_m": 0.02,
}  # fmt: skip


def studios_kept(store: Store) -> list[dict[str, Any]]:
    """What each take has of its studio, the oldest first."""
    store.write(lambda connection: None).result()
    return [dict(zip(STUDIO_COLUMNS, row[5:], strict=True)) for row in store.rows("take", "ORDER BY id")]


async def test_a_take_is_kept_with_the_studio_that_it_began_in(tmp_path: Path) -> None:
    settings, rig = Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0)), demo_studio()
    with Store.open(tmp_path) as store:
        metering.save_calibration(store, {}, [], CALIBRATION).result()
    async with daemon(rig, settings) as up:
        await order(up, do="move", to=[0.3, 0.2, 1.25])
        await order(up, do="camera", aperture=2.8)
        await order(up, do="freeze")
        await order(up, do="follow")
        await order(up, do="move", to=[0.0, 0.0, 1.2])
        (kept,) = studios_kept(up.store)
        (listed,) = await taken(up)
    heads = kept["geometry"].pop("heads")
    assert {name: own["position"] for name, own in heads.items()} == {
        head.name: list(head.position) for head in rig.heads
    }
    assert {name: own["aim"] for name, own in heads.items()} == {
        head.name: list(rig.aim_of(head)) for head in rig.heads
    }
    assert kept["geometry"] == {
        "subject": [0.3, 0.2, 1.25],
        "marks": {name: list(mark) for name, mark in rig.marks.items()},
        "camera": list(rig.camera.position),
    }
    assert kept["camera"]["aperture"] == 2.8
    assert "position" not in kept["camera"]
    believed = {name: CALIBRATION["heads"]["key"][name] for name in ("intensity_cd", "setback_m", "room")}
    assert kept["belief"]["heads"] == {"key": believed | {"diameter_m": 0.6}}
    assert kept["belief"]["ambient"] == {
        name: value for name, value in CALIBRATION["ambient"].items() if name != "readings"
    }
    assert not set(listed) & set(STUDIO_COLUMNS)


def test_without_a_calibration_a_take_has_no_belief_and_an_older_one_no_studio() -> None:
    rig = demo_studio()
    with Store.in_memory() as store:
        recorder = TakeRecorder(store)
        recorder.record(STATE)
        recorder.record(STATE | {"mode": "follow"})
        recorder.record(STATE, lambda: TakeStudio.of(rig, None, rig.first_mark))
        older, newer = studios_kept(store)
        assert len(latest_takes(store)) == 2
    assert older == dict.fromkeys(STUDIO_COLUMNS)
    assert newer["belief"] is None
    assert newer["geometry"]["subject"] == list(rig.first_mark)


def folder_of_before(folder: Path) -> Path:
    """A folder as the release left it whose takes had only their light: one over, one under way."""
    folder.mkdir()
    light = json.dumps({name: value for name, value in STATE.items() if name != "mode"})
    with closing(sqlite3.connect(folder / FILE, isolation_level=None)) as connection:
        for number, step in enumerate(migrations()[:5], start=1):
            connection.executescript(f"BEGIN;\n{step}\nPRAGMA user_version = {number};\nCOMMIT;")
        sql = "INSERT INTO take (id, began, ended, first, last) VALUES (?, ?, ?, ?, ?)"
        connection.execute(sql, (1, 1_795_000_000.0, 1_795_000_060.0, light, light))
        connection.execute(sql, (2, 1_795_000_100.0, None, light, None))
    return folder


@pytest.mark.parametrize("damaged", [False, True], ids=["migrated", "salvaged"])
def test_takes_of_before_are_all_there_and_go_on(tmp_path: Path, damaged: bool) -> None:
    folder = folder_of_before(tmp_path / "old")
    if damaged:
        assert "take" not in renew(folder / FILE, "to try")
    with Store.open(folder) as store:
        assert store.notes == ()
        before = latest_takes(store)
        assert [(take.id, take.ended) for take in before] == [(2, None), (1, 1_795_000_060.0)]
        assert before[1].first["heads"] == before[1].last["heads"] == STATE["heads"]
        TakeRecorder(store).record(STATE | {"mode": "follow"})
        assert studios_kept(store) == [dict.fromkeys(STUDIO_COLUMNS)] * 2
        assert latest_takes(store)[0].ended is not None


@pytest.mark.parametrize("column", STUDIO_COLUMNS)
def test_a_studio_that_is_no_object_is_not_believed(column: str) -> None:
    rig = demo_studio()
    with Store.in_memory() as store:
        TakeRecorder(store).record(STATE, lambda: TakeStudio.of(rig, CALIBRATED, rig.first_mark))
        assert len(studios_kept(store)) == 1
        store.write(lambda connection: connection.execute(f"UPDATE take SET {column} = '[]'")).result()
        assert latest_takes(store) == []
        assert store.notes


CALIBRATED = Calibration.model_validate(CALIBRATION)
HEAD = {"name": "key", "role": "key", "output": 0.36, "level": 0.6, "wire": [153, 153], "lux": 410.0}
STATE: dict[str, Any] = {
    "mode": "freeze", "subject": [0.0, 0.0, 1.2], "target": {}, "camera": {}, "trims": {},
    "calibrated_at": None, "achieved": {"ratio": 2.0, "exposure_lux": None}, "face": {"ratio": 2.24},
    "heads": [HEAD | {"goal": 0.6}],
}  # fmt: skip


def test_a_table_of_takes_has_units() -> None:
    with Store.in_memory() as store:
        TakeRecorder(store).record(STATE)
        store.write(lambda connection: None).result()
        (take,) = latest_takes(store)
    _, line = take_lines([vars(take)])
    assert line.endswith("still on  2.0:1  2.2:1  –         key 60 %")


def test_no_take_yet_says_how_one_begins() -> None:
    from fillside.cli.commands.reports import takes

    answered = CliRunner().invoke(takes, ["--url", "http://127.0.0.1:9"])
    assert answered.exit_code == 1
    assert "127.0.0.1:9" in answered.output
