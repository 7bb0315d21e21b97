"""The demonstration: the real daemon on simulated wires, a tracker, and an independent judge."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.broker import mosquitto
from fillside.demo.bulbs import SimulatedBulb, bulbs_of, run_bulbs
from fillside.demo.judge import FaceVerdict, Judge
from fillside.demo.walk import SubjectWalk, Tracker
from fillside.doors.http.listening import Listen, ListenError, bind
from fillside.orders.answers import Refusal
from fillside.orders.light import SubjectReport
from fillside.rig.file.build import apply_change
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside.storage.records.journal import Visitor
from fillside_drivers.registry import kinds
from fillside_drivers.sim.driver import SimDriver

REPORTS_HZ = 25
JUDGED_HZ = 10
TRACKER = Visitor("demo tracker", "demo")
LIGHT_UP_S = 10.0


BULBS = ("fill", "rim")
"""The heads that are bulbs when the demonstration has a broker."""


def demo_studio() -> Rig:
    """Return the simulated studio."""
    text = (files("fillside.demo") / "studio.toml").read_text("utf-8")
    return load_rig_text(text, source="studio.toml", kinds=kinds())


def demo_studio_with_bulbs(port: int) -> Rig:
    """Return the studio with two of its heads as bulbs behind a broker on this port of loopback."""
    change: dict[str, Any] = {"drivers.bulbs": {"kind": "mqtt", "port": port}}
    for head in BULBS:
        change[f"heads.{head}.drive"] = {
            "driver": "bulbs",
            "send_to": f"pottery/{head}/set",
            "send_as": '{"level": {code}}',
            "fade_field": "over",
            "full_scale": 254,
            "reports_at": f"pottery/{head}",
            "reports_field": "level",
            "alive_at": f"pottery/{head}/alive",
        }
    return apply_change(demo_studio(), change)


@dataclass
class DemoScore:
    """Seconds for which the face was within tolerance, of all seconds judged."""

    judged_s: float = 0.0
    following_s: float = 0.0
    fixed_s: float = 0.0
    last: FaceVerdict | None = None
    last_fixed: FaceVerdict | None = None

    def add(self, seconds: float, held: FaceVerdict, alone: FaceVerdict) -> None:
        self.judged_s += seconds
        self.following_s += seconds * held.within_tolerance
        self.fixed_s += seconds * alone.within_tolerance
        self.last, self.last_fixed = held, alone


@dataclass
class Demonstration:
    """A running demonstration; `place` is the subject's place, `broker_port` the port of its bulbs."""

    running: Running
    walk: SubjectWalk
    judge: Judge
    bulbs: Mapping[str, SimulatedBulb] = field(default_factory=dict)
    broker_port: int | None = None
    score: DemoScore = field(default_factory=DemoScore)
    place: tuple[float, float, float] = (0.0, 0.0, 0.0)
    fixed_levels: Mapping[str, float] = field(default_factory=dict)

    def levels(self) -> dict[str, float]:
        """Return the present levels of the simulated lamps."""
        found = {name: bulb.level() for name, bulb in self.bulbs.items()}
        for driver in self.running.drivers.values():
            if isinstance(driver, SimDriver):
                found.update(driver.levels)
        return found


@asynccontextmanager
async def running_demo(folder: Path, port: int = 7420, broker: bool = False) -> AsyncIterator[Demonstration]:
    """Run the daemon on `port`, or on a free port if it is taken, with the light up and the subject at rest.

    With `broker`, two of the lamps are bulbs behind one. Raises BrokerUnavailableError where there is none.
    """
    async with AsyncExitStack() as stack:
        broker_port, rig = None, demo_studio()
        bulbs: Mapping[str, SimulatedBulb] = {}
        if broker:
            broker_port = await stack.enter_async_context(mosquitto(folder))
            rig = demo_studio_with_bulbs(broker_port)
            bulbs = bulbs_of(rig, time.monotonic)
            await stack.enter_async_context(run_bulbs(bulbs, broker_port))
        settings = Settings(folder, folder / "tokens.json", _free(Listen(port=port)))
        running = await stack.enter_async_context(daemon(rig, settings))
        yield await _begin(
            Demonstration(running, SubjectWalk(rig.marks), Judge(rig), bulbs, broker_port, place=rig.start)
        )


def _free(listen: Listen) -> Listen:
    try:
        bind(listen).close()
    except ListenError:
        return Listen(listen.host, 0)
    return listen


async def _begin(play: Demonstration) -> Demonstration:
    runner = play.running.runner
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(LIGHT_UP_S), runner.live.join() as reader:
            while not _settled(runner.state()):
                await reader.next()
    play.fixed_levels = play.levels()
    return play


def _settled(state: Mapping[str, Any]) -> bool:
    return all(head["settled"] for head in state["heads"])


async def walk_about(play: Demonstration, seconds: float | None, show: Callable[[float], None]) -> None:
    """Walk for `seconds` (None: until cancelled); calls `show(elapsed)` ten times a second."""
    tracker = Tracker()
    start = time.monotonic()
    judged_at = start
    while seconds is None or time.monotonic() - start < seconds:
        now = time.monotonic()
        play.place = play.walk.at(now - start)
        try:
            await play.running.runner.do(SubjectReport(do="subject", to=tracker.report(play.place)), TRACKER)
        except Refusal as refusal:
            if refusal.code != "not_now":
                raise
        if now - judged_at >= 1 / JUDGED_HZ:
            _judge(play, now - judged_at)
            judged_at = now
            show(now - start)
        await asyncio.sleep(1 / REPORTS_HZ)


def _judge(play: Demonstration, seconds: float) -> None:
    target = play.running.runner.state()["target"]
    ratio, exposure_lux = target["ratio"] or 0.0, target["exposure_lux"]
    play.score.add(
        seconds,
        play.judge.verdict(play.place, play.levels(), ratio, exposure_lux),
        play.judge.verdict(play.place, play.fixed_levels, ratio, exposure_lux),
    )
