"""The meter's side put into a running daemon."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fillside.metering.daylight import Daylight, Room
from fillside.metering.desk import Desk
from fillside.metering.studio import LightNow, Studio
from fillside.metering.virtual import HandMeters
from fillside.metering.weighing import Weighing
from fillside.photometry.dimming import level_from_code
from fillside.rig.calibrated import Calibration
from fillside.runner import Runner
from fillside.storage.journal import Visitor
from fillside.storage.store import Store
from fillside_drivers.driver import Clock

SETTLES_WITHIN_S = 60.0
THE_ROUTINE = Visitor("the routine", "routine")


@asynccontextmanager
async def meter_side(store: Store, runner: Runner, clock: Clock) -> AsyncIterator[Desk]:
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
    studio = Studio(
        light=light,
        now=now,
        rest=rest,
        rig=lambda: runner.rig_wanted,
        changed=runner.live.changed,
        hand_meter=lambda: meters.of(runner.scene.rig, runner.loom),
    )
    daylight = Daylight(
        Room(
            scene=lambda: runner.scene,
            codes=lambda: runner.codes,
            settled=lambda: runner.settled,
            calibration=lambda: runner.calibration,
            event=runner.event,
            clock=clock,
        )
    )
    desk = Desk(store, studio, Weighing(store, apply, runner.live.changed), daylight)
    await desk.open()
    runner.meter_side = desk
    try:
        yield desk
    finally:
        runner.meter_side = None
        await desk.close()
