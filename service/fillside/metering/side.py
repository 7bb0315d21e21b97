"""The meter's side put into a running daemon."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fillside.loom import Loom
from fillside.metering.desk import Desk, Studio
from fillside.metering.virtual import hand_meter
from fillside.metering.weighing import Weighing
from fillside.rig.calibrated import Calibration
from fillside.rig.model import Rig
from fillside.runner import Runner
from fillside.storage.journal import Visitor
from fillside.storage.store import Store
from fillside_drivers.driver import Clock

SETTLES_WITHIN_S = 60.0
THE_ROUTINE = Visitor("the routine", "routine")


@asynccontextmanager
async def meter_side(rig: Rig, store: Store, runner: Runner, loom: Loom, clock: Clock) -> AsyncIterator[Desk]:
    """The meter's orders come through the runner while inside."""

    async def light(order: dict[str, Any]) -> None:
        await runner.do(order, THE_ROUTINE)

    def apply(calibration: Calibration | None, at: str | None) -> None:
        runner.renew(desk.rig, calibration, at)

    async def rest() -> None:
        async with asyncio.timeout(SETTLES_WITHIN_S):
            with runner.watching() as changed:
                while not runner.settled:
                    changed.clear()
                    await changed.wait()

    studio = Studio(light, lambda: runner.settled, rest, runner.live.changed, hand_meter(rig, loom, clock))
    desk = Desk(rig, store, studio, Weighing(store, apply))
    runner.meter_side = desk
    try:
        yield desk
    finally:
        runner.meter_side = None
        await desk.close()
