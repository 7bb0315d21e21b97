"""Metering put into a running daemon.

The estimator and the routines take a tenth of a start and some megabytes, so their modules are imported only
where there is something to go on with, or with the first order of a meter.
"""

from __future__ import annotations

import asyncio
import importlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from typing import TYPE_CHECKING

from fillside.background.worker_process import WorkerProcess, Workers
from fillside.metering.rig_watch import RigWatch
from fillside.metering.routine.warmth import Warming
from fillside.orders.model import MeterOrder
from fillside.rig.calibration import Calibration
from fillside.runtime.loop import Runner
from fillside.runtime.rewiring import Rewiring
from fillside.runtime.studio import MeterView
from fillside.storage.records import metering as kept
from fillside.storage.records.journal import Journal
from fillside.storage.store import Store
from fillside_drivers.driver import Clock

if TYPE_CHECKING:
    from fillside.metering.orders import MeterOrders

TURN_EVERY_S = 5.0
_IMPORTED_LATE = ("fillside.metering.orders", "fillside.metering.simulated_meter")


class MeteringOnDemand:
    """The meter's orders, made when they are first needed; until then metering shows nothing."""

    def __init__(self, store: Store, runner: Runner, clock: Clock, workers: Workers) -> None:
        self._store, self._runner, self._clock, self._workers = store, runner, clock, workers
        self._began_unix_s = store.unix_clock()
        self._warming = Warming(clock)
        self._making = asyncio.Lock()
        self._orders: MeterOrders | None = None
        self._rig_watch = RigWatch(store)

    async def open(self) -> None:
        """Go on with what is kept: a calibration, a routine or a correction; or listen to a sensor."""
        self._rig_watch.look(self._runner.light.scene.rig)
        rig, kept_by_us = self._runner.light.scene.rig, (kept.current_calibration, kept.load_routine)
        if rig.sensors or self._runner.light.corrected or any(read(self._store) for read in kept_by_us):
            await self._needed()
            self._runner.live.changed()

    async def do(self, order: MeterOrder, who: str) -> str:
        """Carry out an order; its note. Refusal when it is not obeyed."""
        return await (await self._needed()).do(order, who)

    def view(self) -> MeterView:
        """The part of the state that metering adds."""
        return MeterView() if self._orders is None else self._orders.view()

    def light_replaced(self) -> None:
        """Hand a new held light what was learned since of the room and of heads."""
        if self._orders is not None:
            self._orders.light_replaced()
        else:
            # The rig file may name a sensor now, or have a head elsewhere.
            self._runner.jobs.start("metering", self.open)

    def turn(self) -> None:
        """Let slow corrections go on; to be called every few seconds."""
        if self._orders is not None:
            self._orders.turn()
            return
        light = self._runner.light
        lit = light.scene.dimmers.outputs(light.codes) > 0
        self._warming.lit([name for name, on in zip(light.scene.names, lit, strict=True) if on])

    async def close(self) -> None:
        """End what goes on apart; readings are kept."""
        if self._orders is not None:
            await self._orders.close()

    async def _needed(self) -> MeterOrders:
        async with self._making:
            if self._orders is None:
                for name in _IMPORTED_LATE:
                    # On a thread, so that no frame waits for it.
                    await asyncio.to_thread(importlib.import_module, name)
                orders = self._made()
                await self._runner.jobs.begin("metering start", orders.open)
                self._orders = orders
            return self._orders

    def _made(self) -> MeterOrders:
        from fillside.metering.calibrations import Calibrator
        from fillside.metering.daylight import Daylight
        from fillside.metering.drift import Drift
        from fillside.metering.metered_studio import MeteredStudio
        from fillside.metering.orders import MeterOrders
        from fillside.metering.simulated_meter import HandMeters

        runner, clock = self._runner, self._clock
        meters, rewiring = HandMeters(clock), Rewiring(runner, clock)

        def apply(calibration: Calibration | None, at: str | None) -> None:
            rewiring.replace(runner.light.scene.rig, calibration, at)

        studio = MeteredStudio(
            studio=runner,
            clock=clock,
            journal=Journal(self._store),
            changed=runner.live.changed,
            hand_meter=lambda: meters.of(runner.light.scene.rig, runner.wires.in_use),
            unix_clock=self._store.unix_clock,
        )
        calibrator = Calibrator(self._store, apply, studio.changed, self._workers())
        drift = Drift(studio, self._began_unix_s, self._warming)
        return MeterOrders(self._store, studio, calibrator, Daylight(studio), drift, self._rig_watch)


@asynccontextmanager
async def metering(
    store: Store, runner: Runner, clock: Clock, workers: Workers = WorkerProcess
) -> AsyncIterator[MeteringOnDemand]:
    """Carry the meter's orders out through the runner while inside."""
    orders = MeteringOnDemand(store, runner, clock, workers)
    await runner.jobs.begin("metering", orders.open)
    runner.metering = orders
    turning = runner.jobs.start("drift", partial(_turn, orders))
    try:
        yield orders
    finally:
        turning.cancel()
        runner.metering = None
        with runner.jobs.fence("metering"):
            await orders.close()


async def _turn(orders: MeteringOnDemand) -> None:
    """Let slow corrections go on, until cancelled."""
    while True:
        await asyncio.sleep(TURN_EVERY_S)
        orders.turn()
