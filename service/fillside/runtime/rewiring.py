"""Replaces the held light, and the wires it uses, without interrupting the light.

A held light is replaced in one turn of the event loop: the new one starts with the present codes, all wires
take them again, and metering resends the ambient light and the drift of the heads. Wires are exchanged one by
one, each new one starting with the codes that are on it. Heads that a changed rig file no longer has fade out
first.
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
"""The longest time that a changed rig file waits for lamps to fade out."""
LOST_S = 5.0
"""The time it waits for lamps that cannot be reached: later, the first frame without them puts them out."""


class Rewiring:
    """Exchanges the held light and the wires of a loop. Call it on the event loop's thread."""

    def __init__(self, loop: Runner, clock: Clock) -> None:
        self._loop, self._clock = loop, clock

    def trial(self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None) -> HeldLight:
        """Return the light that `replace` would hold, for inspection; changes nothing."""
        return self._loop.light.replaced(rig, calibration, calibrated_at, self._clock())

    def replace(
        self,
        rig: Rig,
        calibration: Calibration | None,
        calibrated_at: str | None,
        drivers: DriversInUse | None = None,
    ) -> None:
        """Replace the light by one for a changed rig file or a new calibration, over
        its own drivers if given.

        The first frame is the present one.
        """
        self._loop.exchange(self.trial(rig, calibration, calibrated_at), drivers)

    def rewire(self, drivers: DriversInUse) -> None:
        """Send over these drivers from now on; new ones start with the present codes."""
        loop = self._loop
        loop.wires.begin(drivers, loop.light.scene, loop.light.codes)
        loop.wires.use(drivers)
        loop.watch_wires()

    async def see_out(self, heads: Collection[str]) -> None:
        """Fade these heads out, whatever the intent.

        Return once they are out, after `LOST_S` if they cannot be reached, or after `SEEN_OUT_S`.
        """
        loop = self._loop
        loop.event(HeadsLeave(tuple(heads)))
        # The file has no place for them any more: a restart from now on must know of them.
        loop.save()
        with suppress(TimeoutError), loop.watching() as changed:
            async with asyncio.timeout(SEEN_OUT_S):
                await self._until_out(heads, changed)

    async def _until_out(self, heads: Collection[str], changed: asyncio.Event) -> None:
        lost_since = None
        while self._are_lit(heads):
            lost, now = self._loop.light.have_left(heads), self._clock()
            lost_since = None if not lost else now if lost_since is None else lost_since
            left_s = None if lost_since is None else lost_since + LOST_S - now
            async with asyncio.timeout(left_s):
                await changed.wait()
            changed.clear()

    def _are_lit(self, heads: Collection[str]) -> bool:
        light = self._loop.light
        return any(light.codes[light.scene.index(head)] for head in heads)

    def call_back(self) -> None:
        """Hold the heads again that were faded out."""
        self._loop.event(HeadsLeave(()))
