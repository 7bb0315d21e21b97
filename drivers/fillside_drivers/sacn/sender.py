"""The streaming ACN driver: passes frames to the schedule and its packets to the network, on the event loop.

A frame leaves from within `send` if the universe's last packet is at least a packet's time ago; otherwise a
timer sends it after that. There is no task and no fixed tick. The driver is `late` if a timer fires more than
0.1 s after its time or the system's buffers are full, and `lost` if the system cannot reach a destination.
Both states end by themselves.
"""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Mapping
from typing import ClassVar

from fillside_drivers.driver import Channel, Driver, Setup
from fillside_drivers.plain_errors import why
from fillside_drivers.sacn.listener import Listener
from fillside_drivers.sacn.options import MULTICAST, SacnDrive, SacnOptions
from fillside_drivers.sacn.outlet import Outlet, open_outlet
from fillside_drivers.sacn.schedule import PERIOD_S, TERMINATED_PACKETS, OutgoingPacket, Schedule, Stream
from fillside_drivers.sacn.sources import RivalSources, notices
from fillside_drivers.slots import SlotFrames

LATE_S = 0.1
"""Delay beyond which a packet counts as late: four frames."""

ON_TIME_AGAIN_S = 2.0
"""Time without a late packet after which `late` ends."""


class SacnDriver(Driver):
    """One E1.31 source: all universes of one driver table, under the daemon's CID."""

    kind: ClassVar[str] = "sacn"

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        assert isinstance(setup.options, SacnOptions), "options are read by the kind's model"
        self._options = setup.options
        by_universe: dict[int, list[Channel]] = {}
        for channel in setup.channels:
            assert isinstance(channel.drive, SacnDrive), "drives are read by the kind's model"
            by_universe.setdefault(channel.drive.universe, []).append(channel)
        self._universes, self._slots = tuple(by_universe), SlotFrames(by_universe)
        self._priorities = {
            universe: self._options.of(universe).priority or 0 for universe in self._universes
        }
        self._schedule = self._plan()
        self.sources = RivalSources(setup.identity.cid, self._priorities)
        self._rng = random.Random(setup.identity.cid.int)
        self._outlet = Outlet({})
        self._listener: Listener | None = None
        self._listening_error = ""
        self._timer: asyncio.TimerHandle | None = None
        self._wake_at = math.inf
        self._late_at = -math.inf

    def _plan(self) -> Schedule:
        options, name = self._options, self._options.source_name or self.setup.identity.source_name
        multicasts = any(MULTICAST in (options.of(universe).to or ()) for universe in self._universes)
        return Schedule(
            self.setup.identity.cid,
            [
                Stream(
                    universe,
                    options.of(universe).source_name or name,
                    self._priorities[universe],
                    options.preview,
                )
                for universe in sorted(self._universes)
            ],
            options.sync_address,
            name if (multicasts if options.discovery is None else options.discovery) else None,
        )

    @property
    def free_at(self) -> float:
        return self._schedule.free_at

    def go_on_from(self, before: Driver) -> None:
        if isinstance(before, SacnDriver):
            self._schedule.go_on_from(before._schedule)

    async def _open(self) -> None:
        system = self.setup.system
        self._outlet = await open_outlet(self.name, self._options, self._universes, self._rng, system)
        if self._options.listen:
            listener = Listener(
                self.sources, self.setup.identity.cid.bytes, self._clock, self._pump, self.setup.system
            )
            try:
                await listener.open(self._universes, self._options.interface)
            except OSError as error:
                self._listening_error = f"other sources on our universes cannot be heard: {why(error)}"
            else:
                self._listener = listener

    def _send(self, codes: Mapping[str, int]) -> None:
        for universe in self._slots.put(codes):
            self._schedule.put(universe, self._slots.octets(universe))
        if not self._clock() < self._wake_at <= self._schedule.due:
            self._pump()

    def _pump(self) -> None:
        """Send the packets due, update the health, and set the timer for the next ones."""
        if self._options.yields:
            self._schedule.stand_by(self.sources.above)
        now = self._clock()
        if now - self._wake_at > LATE_S:
            self._counts.frames_late += 1
            self._late_at = now
        retry_at = self._outlet.retry_at
        if retry_at is not None and now >= retry_at:
            self._schedule.assert_again()
        self._deliver(self._schedule.take(now), now)
        self._judge()
        self._arm(now)

    def _deliver(self, packets: list[OutgoingPacket], now: float) -> None:
        lost, late = len(self._outlet.lost), self._outlet.late
        self._counts.frames_sent += sum([self._outlet.deliver(packet, now) for packet in packets])
        if self._outlet.late > late or len(self._outlet.lost) < lost:
            self._schedule.assert_again()
        if self._outlet.late > late:
            self._late_at = now
        self._counts.errors = self._outlet.errors

    def _arm(self, now: float) -> None:
        retry_at = self._outlet.retry_at
        due = self._schedule.due
        if retry_at is not None and retry_at > now:
            due = min(due, retry_at)
        self._wake_at = max(due, now)
        # News of the health may have brought codes, and with them a timer, while packets were under way.
        if self._timer is not None:
            self._timer.cancel()
        if due < math.inf:
            self._timer = asyncio.get_running_loop().call_later(max(0.0, due - now), self._pump)

    def _judge(self) -> None:
        texts = notices(self.sources.rivals, self._priorities, self._options.yields)
        texts += (self._listening_error,) if self._listening_error else ()
        lost = self._outlet.lost
        if lost:
            note = ". ".join(f"{each.label} cannot be reached: {each.error}" for each in lost)
            self._report(state="lost", note=note, notices=texts)
        elif self._clock() - self._late_at < ON_TIME_AGAIN_S:
            self._report(state="late", note="packets leave late: the machine is too busy", notices=texts)
        else:
            self._report(state="ok", note="", notices=texts)

    async def _close(self, stay: bool) -> None:
        if self._timer is not None:
            self._timer.cancel()
        try:
            if self._schedule.waiting and not self._outlet.lost:
                await asyncio.sleep(PERIOD_S)
                self._deliver(self._schedule.flush(self._clock()), self._clock())
            if not stay:
                await self._terminate()
        finally:
            if self._listener is not None:
                self._listener.close()
            self._outlet.close()
        # Transports close their sockets on the loop's next turn.
        await asyncio.sleep(0)

    async def _terminate(self) -> None:
        for _ in range(TERMINATED_PACKETS):
            packets = self._schedule.terminate()
            if not packets:
                return
            await asyncio.sleep(PERIOD_S)
            self._deliver(packets, self._clock())
