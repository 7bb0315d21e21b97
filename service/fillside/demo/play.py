"""Playing the demonstration: the real daemon on simulated wires, a tracker, and a judge beside."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from fillside.answers import Refusal
from fillside.daemon import Running, Settings, daemon
from fillside.demo.judge import Judge, Verdict
from fillside.demo.walk import Tracker, Walk
from fillside.interfaces.http.server import Listen, ListenError, bind
from fillside.rig.load import load_rig_text
from fillside.rig.model import Rig
from fillside.storage.journal import Visitor
from fillside_drivers.registry import kinds
from fillside_drivers.sim.driver import SimDriver

REPORTS_HZ = 25
JUDGED_HZ = 10
TRACKER = Visitor("demo tracker", "demo")
LIGHT_UP_S = 10.0


def studio() -> Rig:
    """The made-up studio."""
    text = (files("fillside.demo") / "studio.toml").read_text("utf-8")
    return load_rig_text(text, source="studio.toml", kinds=kinds())


@dataclass
class Score:
    """Seconds the face was within the wanted, of all seconds judged."""

    judged_s: float = 0.0
    held_s: float = 0.0
    alone_s: float = 0.0
    last: Verdict | None = None
    last_alone: Verdict | None = None

    def add(self, seconds: float, held: Verdict, alone: Verdict) -> None:
        self.judged_s += seconds
        self.held_s += seconds * held.good
        self.alone_s += seconds * alone.good
        self.last, self.last_alone = held, alone


@dataclass
class Play:
    """A demonstration that runs; `place` is where the subject really is."""

    running: Running
    walk: Walk
    judge: Judge
    score: Score = field(default_factory=Score)
    place: tuple[float, float, float] = (0.0, 0.0, 0.0)
    left_alone: Mapping[str, float] = field(default_factory=dict)

    def levels(self) -> dict[str, float]:
        """What is on the simulated wires now."""
        found: dict[str, float] = {}
        for driver in self.running.loom.drivers.values():
            if isinstance(driver, SimDriver):
                found.update(driver.levels)
        return found


@asynccontextmanager
async def playing(folder: Path, port: int = 7420) -> AsyncIterator[Play]:
    """The daemon on `port`, or on a free one when that is taken, with the light up and nobody moving."""
    rig = studio()
    async with daemon(rig, Settings(folder, folder / "tokens.json", _free(Listen(port=port)))) as running:
        yield await _begin(rig, running)


def _free(listen: Listen) -> Listen:
    try:
        bind(listen).close()
    except ListenError:
        return Listen(listen.host, 0)
    return listen


async def _begin(rig: Rig, running: Running) -> Play:
    play = Play(running, Walk(rig.marks), Judge(rig), place=rig.start)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(LIGHT_UP_S), running.runner.live.join() as reader:
            while not _settled(running.runner.state()):
                await reader.next()
    play.left_alone = play.levels()
    return play


def _settled(state: Mapping[str, Any]) -> bool:
    return all(head["settled"] for head in state["heads"])


async def walk_about(play: Play, seconds: float | None, show: Callable[[float], None]) -> None:
    """Walk for `seconds` (None: until cancelled); `show(elapsed)` is called ten times a second."""
    tracker = Tracker()
    start = time.monotonic()
    judged_at = start
    while seconds is None or time.monotonic() - start < seconds:
        now = time.monotonic()
        play.place = play.walk.at(now - start)
        try:
            await play.running.runner.do({"do": "subject", "to": tracker.sees(play.place)}, TRACKER)
        except Refusal as refusal:
            if refusal.code != "not_now":
                raise
        if now - judged_at >= 1 / JUDGED_HZ:
            _judge(play, now - judged_at)
            judged_at = now
            show(now - start)
        await asyncio.sleep(1 / REPORTS_HZ)


def _judge(play: Play, seconds: float) -> None:
    target = play.running.runner.state()["target"]
    ratio, exposure_lux = target["ratio"] or 0.0, target["exposure_lux"]
    play.score.add(
        seconds,
        play.judge.reads(play.place, play.levels(), ratio, exposure_lux),
        play.judge.reads(play.place, play.left_alone, ratio, exposure_lux),
    )
