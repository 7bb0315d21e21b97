"""The running studio as metering sees it: the light as it is, orders for light, and news of the light."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from fillside.hold.contract import LightView
from fillside.hold.events import HeadsCorrected, LightEvent
from fillside.metering.simulated_meter import HandMeter
from fillside.orders.answers import Refusal
from fillside.orders.metering import SensorReport
from fillside.orders.model import LightOrder
from fillside.photometry.dimming import level_from_code
from fillside.photometry.exposure import lux_from_reading
from fillside.rig.tables.model import DEFAULT_CONSTANT, Point, Rig, Sensor
from fillside.runtime.studio import Studio
from fillside.storage.records.journal import Journal, Visitor
from fillside_drivers.driver import Clock

HALF_A_CODE = 0.6 / 255
"""Levels are compared to a little more than half a code of a narrow wire, which rounds them."""
SETTLES_WITHIN_S = 60.0
THE_ROUTINE = Visitor("the routine", "routine")
THE_CORRECTION = Visitor("the slow correction", "correction")


def sensor_lux(order: SensorReport, table: Sensor) -> float:
    """The light that a sensor of the rig reports [lx]; Refusal for a value that is none in its unit."""
    try:
        return lux_from_reading(order.value, order.unit or table.unit, DEFAULT_CONSTANT[table.receptor])
    except ValueError as error:
        raise Refusal("bad_order", str(error), "value") from None


@dataclass(frozen=True)
class LightNow:
    """The light of a moment: levels on the wires by head, true if it rests, the subject's place [m], and
    true if only some heads are on, for metering."""

    levels: Mapping[str, float]
    settled: bool
    subject: Point
    only_some_heads: bool

    def is_as_asked(self, lit: Mapping[str, float] | None, rig: Rig) -> bool:
        """True with the heads in `lit` at their levels and the others out; None is the held light."""
        if lit is None:
            return not self.only_some_heads
        for head in rig.heads:
            if head.dimming.fixed or (head.rule == "work" and not lit):
                continue
            if abs(self.levels.get(head.name, 0.0) - lit.get(head.name, 0.0)) > HALF_A_CODE:
                return False
        return True


@dataclass(frozen=True)
class MeteredStudio:
    """The running `studio`. `clock` gives elapsed seconds, `unix_clock` the time of day; `changed` is called
    when metering shows something else; `hand_meter` gives one that reads where everything is simulated."""

    studio: Studio
    clock: Clock
    journal: Journal
    changed: Callable[[], None]
    hand_meter: Callable[[], HandMeter | None]
    unix_clock: Clock = time.time

    @property
    def light(self) -> LightView:
        """The held light, to look at."""
        return self.studio.light

    @property
    def rig(self) -> Rig:
        """The rig with all that was ordered since stated in it."""
        return self.light.effective_rig

    def now(self) -> LightNow:
        """The light as it is."""
        light = self.light
        wires = zip(light.scene.names, light.codes, light.scene.full_scales, strict=True)
        levels = {name: level_from_code(code, full) if full else 1.0 for name, code, full in wires}
        return LightNow(levels, light.settled, light.subject, light.only_some_heads)

    async def order(self, order: LightOrder) -> None:
        """Have an order of the routine carried out. Raises Refusal when it is not obeyed."""
        await self.studio.do(order, THE_ROUTINE)

    async def rest(self) -> None:
        """Wait until the light rests; TimeoutError where it does not."""
        async with asyncio.timeout(SETTLES_WITHIN_S):
            with self.studio.watching() as changed:
                while not self.light.settled:
                    changed.clear()
                    await changed.wait()

    def learned(self, event: LightEvent) -> None:
        """Hand the held light what is believed of light; the journal says by how much heads are corrected."""
        self.studio.event(event)
        if isinstance(event, HeadsCorrected):
            said = {name: round(stops, 4) for name, stops in event.stops}
            with self.studio.jobs.fence("journal"):
                self.journal.write(THE_CORRECTION, {"corrected_stops": said}, "ok")
