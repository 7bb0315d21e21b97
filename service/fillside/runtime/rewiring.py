"""Exchanging what is held, and over which wires, while the light goes on.

A held light is replaced in one turn of the event loop: the new one begins with the present codes, all wires
take them again, and metering tells it what was learned since. Wires change places one by one, each new one
beginning with the codes that are on it. Heads that a changed rig file no longer has are seen out first.
"""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from contextlib import suppress

from fillside.hold.contract import HeldLight
from fillside.hold.events import HeadsLeave
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.runtime.loop import Runner
from fillside.runtime.wires import DriversInUse
from fillside_drivers.driver import Clock

SEEN_OUT_S = 120.0
"""However slowly lamps go out, a changed rig file waits no longer for them."""


class Rewiring:
    """Exchanges the held light and the wires of a loop. Called on the event loop's thread."""

    def __init__(self, loop: Runner, clock: Clock) -> None:
        self._loop, self._clock = loop, clock

    def trial(self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None) -> HeldLight:
        """The light that `replace` would hold, to look at; nothing is changed."""
        return self._loop.light.replaced(rig, calibration, calibrated_at, self._clock())

    def replace(
        self,
        rig: Rig,
        calibration: Calibration | None,
        calibrated_at: str | None,
        drivers: DriversInUse | None = None,
    ) -> None:
        """Hold a changed rig file or by a new calibration from now on, over its own drivers where given.

        The first frame is the present one.
        """
        self._loop.exchange(self.trial(rig, calibration, calibrated_at), drivers)

    def rewire(self, drivers: DriversInUse) -> None:
        """Send over these drivers from now on; those that are new begin with the present codes."""
        loop = self._loop
        loop.wires.begin(drivers, loop.light.scene, loop.light.codes)
        loop.wires.use(drivers)
        loop.watch_wires()

    async def see_out(self, heads: Collection[str]) -> None:
        """Fade these heads out, whatever the intent, and return once they are or `SEEN_OUT_S` went by."""
        loop = self._loop
        loop.event(HeadsLeave(tuple(heads)))
        with suppress(TimeoutError), loop.watching() as changed:
            async with asyncio.timeout(SEEN_OUT_S):
                while not loop.light.have_left(heads):
                    await changed.wait()
                    changed.clear()

    def call_back(self) -> None:
        """Hold heads that were seen out again."""
        self._loop.event(HeadsLeave(()))
