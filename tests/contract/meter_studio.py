"""A studio for tests of the meter's side: a real hold whose fades take no time, a store in memory, and fits
in the same process. The light is that of the simulator's own physics, which the product does not share.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np

from fillside.background.side_jobs import SideJobs
from fillside.background.worker_process import WorkerError, WorkerProcess
from fillside.hold.contract import LightView
from fillside.hold.events import Event
from fillside.hold.machine.hold import Hold
from fillside.metering.calibrations import Calibrator
from fillside.metering.daylight import Daylight
from fillside.metering.drift import Drift
from fillside.metering.metered_studio import MeteredStudio
from fillside.metering.orders import MeterOrders
from fillside.metering.simulated_meter import truth_of
from fillside.orders.answers import Refusal
from fillside.orders.model import LightOrder, MeterOrder
from fillside.orders.parsing import parse_order
from fillside.photometry.dimming import level_from_code
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside.storage.records.journal import Journal, Visitor
from fillside.storage.records.metering import calibration_in_use
from fillside.storage.store import Store
from fillside_drivers.registry import kinds
from fillside_drivers.sim.truth import direct_lux, unit
from rigs import CAMERA, dimming, head_at, pair, sim, studio, toml

P, T = ParamSpec("P"), TypeVar("T")

KEY_TRUTH = {"output_factor": 0.7, "exponent": 2.3, "setback": 0.1}
RIG = toml(
    studio(
        camera={**CAMERA, "aperture": 2.8},
        hold={"order_speed": 6.0},
        ambient={"lux": 3},
        heads=pair(
            key={"intensity": 1800, "drive": {"truth": KEY_TRUTH}},
            fill={"intensity": 1300, "drive": {"truth": {"output_factor": 1.3, "exponent": 1.8}}},
            modifier={"diameter": 0.6},
            dimming=dimming(0.02),
            drive={"driver": "stage", "bits": 16},
        ),
        drivers=sim("stage"),
    )
)


def rig_of(more: str = "", text: str = RIG) -> Rig:
    """The rig of two simulated heads, with more tables of heads."""
    head, tail = text.split("[drivers.stage]")
    return load_rig_text(f"{head}{more}[drivers.stage]{tail}", kinds=kinds())


def head_table(name: str, role: str, position: Sequence[float], tables: str) -> str:
    own = head_at(name, list(position), role=role, aim=[0.0, 0.0, 1.1], intensity=600)
    return f"{toml({'heads': [own]})}{tables}\n"


class SameProcess(WorkerProcess):
    """Does the work at once, here; fails where told to."""

    fails = ""

    async def begin(self) -> None:
        """Nothing has to come up."""

    async def run(self, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
        if self.fails:
            raise WorkerError(self.fails)
        return work(*args, **named)


@dataclass
class Made:
    """A desk in a studio; `clock_s` is the time in which sensors are heard."""

    rig: Rig
    store: Store
    hold: Hold
    desk: MeterOrders = field(init=False)
    apart: SameProcess
    applied: list[str | None]
    clock_s: list[float]
    moving: bool = False

    async def do(self, **order: Any) -> str:
        return await self.desk.do(parse_order(order), "somebody")

    @property
    def step(self) -> dict[str, Any]:
        step = self.desk.routine()
        assert step is not None
        return step

    @property
    def levels(self) -> dict[str, float]:
        scene = self.hold.scene
        wires = zip(scene.names, self.hold.codes, scene.full_scales, strict=True)
        return {name: level_from_code(code, full) if full else 1.0 for name, code, full in wires}

    def lux(self, receptor: str, at: Sequence[float], facing: str, hidden: Sequence[str] = ()) -> float:
        truth = truth_of(self.rig)
        target = self.rig.camera.position if facing == "camera" else self.rig.head(facing).position
        axis = unit((np.array(target) - np.array(at)).tolist())
        kind = "flat" if receptor == "flat" else "dome"
        levels = self.levels
        lit = (h for h in truth.heads if h.name not in hidden)
        return (2 if kind == "dome" else 1) * truth.ambient_lux + sum(
            direct_lux(h, kind, at, axis) * h.output(levels[h.name])
            for h in lit  # type: ignore[arg-type]
        )

    def asked_lux(self) -> float:
        """What a perfect meter shows where the routine asks for it, cards before what it says."""
        asks = self.step["asks"]
        facing = asks["head"] if asks["facing"] == "head" else asks["facing"]
        return self.lux(asks["receptor"], asks["at"], facing, self.step["flag"])

    async def through_the_cautions(self, kind: str) -> None:
        await self.do(do=kind, act="start")
        for tick in self.step["ticks"]:
            await self.do(do=kind, act="tick", item=tick["item"])
        await self.do(do=kind, act="go")

    async def take(self) -> str:
        if "go" in self.step["may"]:
            await self.do(do=self.step["routine"], act="go")
        return await self.do(do="read", value=self.asked_lux(), unit="lux")

    async def to_the_end(self) -> None:
        while self.step["stage"] != "done":
            await self.take()

    async def calibrate(self, readings: int | None = None) -> None:
        """The whole routine without its warm-up, or up to so many readings and then finished."""
        await self.through_the_cautions("calibrate")
        await self.do(do="calibrate", act="skip")
        while self.step["stage"] == "read" and (readings is None or self.step["number"] <= readings):
            await self.take()
        if self.step["stage"] == "read":
            await self.do(do="calibrate", act="finish")
        await self.to_the_end()


def copy(kept: Store, into: Store) -> None:
    """All that one store keeps, put into another that keeps nothing yet."""
    named = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"

    def found(connection: sqlite3.Connection) -> dict[str, list[tuple[Any, ...]]]:
        tables = [name for (name,) in connection.execute(named).fetchall()]
        return {name: connection.execute(f"SELECT * FROM {name}").fetchall() for name in tables}

    rows = kept.read(found)

    def write(connection: sqlite3.Connection) -> None:
        connection.execute("PRAGMA defer_foreign_keys = ON")
        for name, own in rows.items():
            for row in own:
                places = ", ".join("?" * len(row))
                connection.execute(f"INSERT OR REPLACE INTO {name} VALUES ({places})", row)

    into.write(write).result(10)


def settle(hold: Hold, now: float = 0.0) -> float:
    """Tick until the light rests; the time then."""
    while (wake_in := hold.wake_in(now)) is not None:
        now += wake_in
        hold.tick(now)
    return now


class StillStudio:
    """A hold as a running studio: whatever happens to it, its light is at rest again at once."""

    def __init__(self, here: Made, hold_s: list[float]) -> None:
        self._here, self._hold_s = here, hold_s
        self.jobs = SideJobs(lambda: hold_s[0])

    @property
    def light(self) -> LightView:
        return cast(LightView, StillLight(self._here))

    async def do(self, order: LightOrder | MeterOrder, visitor: Visitor, source: Any = None) -> str:
        assert isinstance(order, LightOrder)
        answer = self._here.hold.order(order, self._hold_s[0])
        self.settle()
        return answer.note or ""

    def refuse(self, source: Any, visitor: Visitor, refusal: Refusal) -> None:
        raise NotImplementedError

    def event(self, *events: Event) -> None:
        self._here.hold.events(events, self._hold_s[0])
        self.settle()

    def state(self) -> dict[str, Any]:
        raise NotImplementedError

    def watching(self) -> contextlib.AbstractContextManager[asyncio.Event]:
        raise NotImplementedError

    def settle(self) -> None:
        self._hold_s[0] = settle(self._here.hold, self._hold_s[0])


class StillLight:
    """The light of a hold, which moves where a test says so, and whose changes were long ago."""

    light_changed_at = None

    def __init__(self, here: Made) -> None:
        self._here = here

    @property
    def settled(self) -> bool:
        return not self._here.moving

    def __getattr__(self, name: str) -> Any:
        return getattr(self._here.hold, name)


@contextlib.asynccontextmanager
async def made(rig: Rig, store: Store, remembered: Any = None) -> AsyncIterator[Made]:
    """A studio that has come up on a store; `remembered` is what its hold kept before."""
    calibration, at = calibration_in_use(store)
    hold, hold_s, clock_s = Hold(rig, remembered, calibration=calibration, calibrated_at=at), [0.0], [0.0]
    here = Made(rig, store, hold, SameProcess(), [], clock_s)
    running = StillStudio(here, hold_s)
    running.settle()

    def apply(calibration: Calibration | None, at: str | None) -> None:
        here.applied.append(at)
        here.hold = here.hold.replaced(here.rig, calibration, at, hold_s[0])
        running.settle()
        here.desk.light_replaced()

    studio = MeteredStudio(
        studio=running,
        clock=lambda: clock_s[0],
        journal=Journal(store),
        changed=lambda: None,
        hand_meter=lambda: None,
    )
    drift = Drift(studio, time.time())
    calibrator = Calibrator(store, apply, studio.changed, here.apart)
    here.desk = MeterOrders(store, studio, calibrator, Daylight(studio), drift)
    await here.desk.open()
    yield here
    await here.desk.close()
