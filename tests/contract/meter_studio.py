"""A studio for tests of the meter's side: a real hold whose fades take no time, a store in memory, and fits
in the same process. The light is that of the simulator's own physics, which the product does not share.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, ParamSpec, TypeVar

import numpy as np

from fillside.background.worker_process import WorkerError, WorkerProcess
from fillside.hold.machine.events import Event
from fillside.hold.machine.hold import Hold
from fillside.metering.calibrations import Calibrator, calibration_in_use
from fillside.metering.daylight import Daylight, Room
from fillside.metering.drift import Drift, Watched
from fillside.metering.orders import MeterOrders
from fillside.metering.simulated_meter import truth_of
from fillside.metering.studio import LightNow, MeteredStudio
from fillside.orders.light import parse_order, read_order
from fillside.orders.metering import METER_ORDERS
from fillside.photometry.dimming import level_from_code
from fillside.rig.calibration import Calibration
from fillside.rig.file.load import load_rig_text
from fillside.rig.tables.model import Rig
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
        return await self.desk.do(read_order(order, METER_ORDERS), "somebody")

    @property
    def step(self) -> dict[str, Any]:
        step = self.desk.state()
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
        return truth.ambient_lux + sum(
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


@contextlib.asynccontextmanager
async def made(rig: Rig, store: Store, remembered: Any = None) -> AsyncIterator[Made]:
    """A studio that has come up on a store; `remembered` is what its hold kept before."""
    calibration, at = calibration_in_use(store)
    hold, clock = Hold(rig, remembered, calibration=calibration, calibrated_at=at), [0.0]
    clock[0] = settle(hold, 0.0)

    async def light(order: dict[str, Any]) -> None:
        here.hold.order(parse_order(order), clock[0])
        clock[0] = settle(here.hold, clock[0])

    def apply(calibration: Calibration | None, at: str | None) -> None:
        here.applied.append(at)
        here.hold = here.hold.renewed(rig, calibration, at, clock[0])
        clock[0] = settle(here.hold, clock[0])
        desk.held_anew()

    def happens(event: Event) -> None:
        here.hold.event(event, clock[0])
        clock[0] = settle(here.hold, clock[0])

    async def rest() -> None:
        """It rests."""

    def now() -> LightNow:
        return LightNow(
            here.levels, not here.moving, lambda: here.hold.state(clock[0]).model_dump(mode="json")
        )

    def told() -> None:
        """Nobody looks on."""

    apart = SameProcess()
    studio = MeteredStudio(
        light=light,
        now=now,
        rest=rest,
        rig=lambda: here.hold.rig_wanted,
        changed=told,
        hand_meter=lambda: None,
    )
    clock_s = [0.0]
    here = Made(rig, store, hold, apart, [], clock_s)
    room = Room(
        scene=lambda: here.hold.scene,
        codes=lambda: here.hold.codes,
        settled=lambda: not here.moving,
        calibration=lambda: here.hold.calibration,
        event=happens,
        clock=lambda: clock_s[0],
    )
    daylight = Daylight(room)
    watched = Watched(
        state=lambda: {**here.hold.state(clock[0]).model_dump(mode="json"), "light_changed_at": None},
        acts=lambda: here.hold.acts,
        corrected=lambda: here.hold.corrected,
    )
    drift = Drift(room, watched, time.time())
    desk = MeterOrders(store, studio, Calibrator(store, apply, told, apart), daylight, drift)
    here.desk = desk
    await desk.open()
    yield here
    await desk.close()
