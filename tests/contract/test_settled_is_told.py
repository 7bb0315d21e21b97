"""Contract: that the light rests is told, also where the last code of a fade was sent before its end; and
trouble of the disk is told as it is shown."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from fillside.daemon.composition import Settings, daemon
from fillside.doors.http.listening import Listen
from fillside.doors.listener import give
from fillside.rig_file import load_rig_text
from fillside.runtime.loop import Runner
from fillside.storage.records.journal import Visitor
from fillside.storage.store import Store
from fillside_drivers.registry import kinds
from journeys.hurry import hurried
from rigs import dimming, head_at, sim, studio, toml

LAMP = {"intensity": 3000, "dimming": dimming(0.01), "drive": {"driver": "wire"}}
RIG = toml(
    studio(
        "nook",
        camera={"position": [0.0, -2.4, 1.4]},
        balance={"exposure": 500},
        hold={"order_speed": 0.5},
        heads=[head_at("key", [0.6, -1.3, 1.8], **LAMP), head_at("fill", [-0.9, -1.3, 1.8], **LAMP)],
        drivers=sim("wire"),
    )
)
"""One octet a lamp: a code is some hundredths of a stop, and its fade takes longer than a frame."""


async def test_whoever_waits_for_the_light_to_rest_hears_of_it(tmp_path: Path) -> None:
    rig = load_rig_text(RIG, source="nook.toml", kinds=kinds())
    async with daemon(rig, Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0))) as running:
        with hurried():
            await rests_after_a_trim(running.runner, 0.0)
        for by in (-0.06, -0.06, 0.03, 0.06):
            await rests_after_a_trim(running.runner, by)


async def rests_after_a_trim(runner: Runner, by: float) -> None:
    with runner.watching() as changed:
        await give(runner, {"do": "trim", "role": "fill", "by": by}, Visitor("test", "test"))
        async with asyncio.timeout(20.0):
            while not runner.light.settled:
                changed.clear()
                await changed.wait()
    assert runner.state()["settled"]


async def test_trouble_of_the_disk_is_shown_from_one_look_to_the_next_and_each_change_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Trouble that comes and goes between two looks is shown by nobody's state, so that no end is missed."""
    rig = load_rig_text(RIG, source="nook.toml", kinds=kinds())
    trouble: list[str | None] = [None]
    async with daemon(rig, Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0))) as running:
        runner = running.runner
        monkeypatch.setattr(Store, "trouble", property(lambda _: trouble[0]))
        with runner.watching() as told:
            trouble[0] = "the disk is full"
            told.clear()
            assert runner.state()["storage"]["kept"]
            trouble[0] = None
            runner._look_at_storage()
            assert not told.is_set()
            for trouble[0], kept in (("the disk is full", False), (None, True)):
                told.clear()
                runner._look_at_storage()
                assert told.is_set()
                assert runner.state()["storage"]["kept"] is kept
        monkeypatch.undo()
