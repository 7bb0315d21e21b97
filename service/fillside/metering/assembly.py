"""The meter's side put into a running daemon."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from typing import Any

from fillside.hold.events import HeadsCorrected, LightEvent
from fillside.metering.calibrations import Calibrator
from fillside.metering.daylight import Daylight, Room
from fillside.metering.drift import Drift, Watched
from fillside.metering.orders import MeterOrders
from fillside.metering.simulated_meter import HandMeters
from fillside.metering.studio import LightNow, MeteredStudio
from fillside.photometry.dimming import level_from_code
from fillside.rig.calibration import Calibration
from fillside.runtime.loop import Runner
from fillside.storage.records.journal import Journal, Visitor
from fillside.storage.store import Store
from fillside_drivers.driver import Clock

SETTLES_WITHIN_S = 60.0
TURN_EVERY_S = 5.0
THE_ROUTINE = Visitor("the routine", "routine")
THE_CORRECTION = Visitor("the slow correction", "correction")


@asynccontextmanager
async def meter_side(store: Store, runner: Runner, clock: Clock) -> AsyncIterator[MeterOrders]:
    """The meter's orders come through the runner while inside."""

    async def light(order: dict[str, Any]) -> None:
        await runner.do(order, THE_ROUTINE)

    def apply(calibration: Calibration | None, at: str | None) -> None:
        runner.renew(runner.scene.rig, calibration, at)

    async def rest() -> None:
        async with asyncio.timeout(SETTLES_WITHIN_S):
            with runner.watching() as changed:
                while not runner.settled:
                    changed.clear()
                    await changed.wait()

    def now() -> LightNow:
        scene = runner.scene
        wires = zip(scene.names, runner.codes, scene.full_scales, strict=True)
        levels = {name: level_from_code(code, full) if full else 1.0 for name, code, full in wires}
        return LightNow(levels, runner.settled, runner.state)

    meters = HandMeters(clock)
    studio = MeteredStudio(
        light=light,
        now=now,
        rest=rest,
        rig=lambda: runner.rig_wanted,
        changed=runner.live.changed,
        hand_meter=lambda: meters.of(runner.scene.rig, runner.loom),
    )
    room = Room(
        scene=lambda: runner.scene,
        codes=lambda: runner.codes,
        settled=lambda: runner.settled,
        calibration=lambda: runner.calibration,
        event=_journaled(runner, store),
        clock=clock,
    )
    watched = Watched(state=runner.state, acts=lambda: runner.acts, corrected=lambda: runner.corrected)
    weighing = Calibrator(store, apply, runner.live.changed)
    desk = MeterOrders(store, studio, weighing, Daylight(room), Drift(room, watched, time.time()))
    await runner.jobs.begin("metering start", desk.open)
    runner.meter_side = desk
    turning = runner.jobs.start("drift", partial(_turn, desk))
    try:
        yield desk
    finally:
        turning.cancel()
        runner.meter_side = None
        with runner.jobs.fence("metering"):
            await desk.close()


def _journaled(runner: Runner, store: Store) -> Callable[[LightEvent], None]:
    """Hands the hold what is believed of the light; the journal says by how much heads are corrected."""
    journal = Journal(store)

    def happens(event: LightEvent) -> None:
        runner.event(event)
        if isinstance(event, HeadsCorrected):
            said = {name: round(stops, 4) for name, stops in event.stops}
            with runner.jobs.fence("journal"):
                journal.write(THE_CORRECTION, {"corrected_stops": said}, "ok")

    return happens


async def _turn(desk: MeterOrders) -> None:
    """Let slow corrections go on, until cancelled."""
    while True:
        await asyncio.sleep(TURN_EVERY_S)
        desk.turn()
