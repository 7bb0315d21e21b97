"""The meter's side put into a running daemon."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fillside.metering.desk import Desk
from fillside.metering.studio import LightNow, Studio
from fillside.metering.virtual import HandMeters
from fillside.metering.weighing import Weighing
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
        runner.renew(runner.file, calibration, at)

    async def rest() -> None:
        async with asyncio.timeout(SETTLES_WITHIN_S):
            with runner.watching() as changed:
                while not runner.settled:
                    changed.clear()
                    await changed.wait()

    def now() -> LightNow:
        return LightNow(runner.levels, runner.settled, runner.state)

    meters = HandMeters(clock)
    studio = Studio(
        light=light,
        now=now,
        rest=rest,
        rig=lambda: runner.rig_wanted,
        changed=runner.live.changed,
        hand_meter=lambda: meters.of(runner.file, runner.loom),
    )
    desk = Desk(store, studio, Weighing(store, apply, runner.live.changed))
    await desk.open()
    runner.meter_side = desk
    try:
        yield desk
    finally:
        runner.meter_side = None
        await desk.close()
