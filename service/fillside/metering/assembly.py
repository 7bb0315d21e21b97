"""Metering put into a running daemon."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial

from fillside.background.worker_process import WorkerProcess, Workers
from fillside.metering.calibrations import Calibrator
from fillside.metering.daylight import Daylight
from fillside.metering.drift import Drift
from fillside.metering.metered_studio import MeteredStudio
from fillside.metering.orders import MeterOrders
from fillside.metering.simulated_meter import HandMeters
from fillside.rig.calibration import Calibration
from fillside.runtime.loop import Runner
from fillside.runtime.rewiring import Rewiring
from fillside.storage.records.journal import Journal
from fillside.storage.store import Store
from fillside_drivers.driver import Clock

TURN_EVERY_S = 5.0


@asynccontextmanager
async def metering(
    store: Store, runner: Runner, clock: Clock, workers: Workers = WorkerProcess
) -> AsyncIterator[MeterOrders]:
    """The meter's orders come through the runner while inside."""
    meters, rewiring = HandMeters(clock), Rewiring(runner, clock)

    def apply(calibration: Calibration | None, at: str | None) -> None:
        rewiring.replace(runner.light.scene.rig, calibration, at)

    studio = MeteredStudio(
        studio=runner,
        clock=clock,
        journal=Journal(store),
        changed=runner.live.changed,
        hand_meter=lambda: meters.of(runner.light.scene.rig, runner.wires.in_use),
        unix_clock=store.unix_clock,
    )
    calibrator = Calibrator(store, apply, studio.changed, workers())
    orders = MeterOrders(store, studio, calibrator, Daylight(studio), Drift(studio, store.unix_clock()))
    await runner.jobs.begin("metering start", orders.open)
    runner.metering = orders
    turning = runner.jobs.start("drift", partial(_turn, orders))
    try:
        yield orders
    finally:
        turning.cancel()
        runner.metering = None
        with runner.jobs.fence("metering"):
            await orders.close()


async def _turn(orders: MeterOrders) -> None:
    """Let slow corrections go on, until cancelled."""
    while True:
        await asyncio.sleep(TURN_EVERY_S)
        orders.turn()
