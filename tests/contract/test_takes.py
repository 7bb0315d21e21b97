"""Contract: every freeze is a take, kept with the light it began and ended with, through a restart too."""

from __future__ import annotations

import asyncio
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
from fillside.storage.records.journal import Visitor
from fillside.storage.records.takes import TakeRecorder, latest_takes
from fillside.storage.store import Store
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
