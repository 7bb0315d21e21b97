"""Takes the meter's orders: readings by hand, and the guided routines.

A reading is acknowledged once it is on the disk, and weighed in the background.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any

from fillside.answers import Refusal
from fillside.calibration.orders import (
    CalibrateOrder,
    LineupOrder,
    MeterOrder,
    Read,
    Strike,
    UseCalibration,
)
from fillside.calibration.readings import Reading, ReadingError, check_against, reading_from_words
from fillside.calibration.routine import NotNowError
from fillside.metering.guide import Guide
from fillside.metering.virtual import HandMeter
from fillside.metering.weighing import Weighing
from fillside.rig.model import Rig
from fillside.storage import metering as kept
from fillside.storage.store import Store


@dataclass(frozen=True)
class Studio:
    """What the desk needs of the running studio.

    `light` carries out an order of the hold; `settled` says whether the light rests, `rest` waits for that;
    `changed` is called when `Desk.state` is another; `hand_meter` reads where everything is simulated.
    """

    light: Callable[[dict[str, Any]], Awaitable[Any]]
    settled: Callable[[], bool]
    rest: Callable[[], Awaitable[None]]
    changed: Callable[[], None]
    hand_meter: HandMeter | None = None


class Desk:
    """All methods are called on the event loop's thread. `rig` may be replaced by a reloaded one."""

    def __init__(self, rig: Rig, store: Store, studio: Studio, weighing: Weighing) -> None:
        self._store, self._studio, self._weighing = store, studio, weighing
        self._guide = Guide(rig, store, studio.light, weighing)
        self._fitting: asyncio.Task[None] | None = None

    @property
    def rig(self) -> Rig:
        return self._guide.rig

    @rig.setter
    def rig(self, rig: Rig) -> None:
        self._guide.rig = rig

    def state(self) -> dict[str, Any] | None:
        """What doors show of a routine that is under way; None when none is."""
        step = self._guide.step
        if step is None:
            return None
        weighing = self._fitting is not None and not self._fitting.done()
        return {**step.model_dump(mode="json"), "weighing": weighing}

    async def close(self) -> None:
        """End what goes on in the background; readings are kept."""
        if self._fitting is not None:
            self._fitting.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._fitting
        self._weighing.close()

    async def do(self, order: MeterOrder, who: str) -> str:
        """Carry out an order; its note. Refusal when it is not obeyed."""
        try:
            note = await self._carried_out(order, who)
        except NotNowError as error:
            raise Refusal("not_now", str(error)) from None
        except ReadingError as error:
            raise Refusal("bad_order", error.message) from None
        self._studio.changed()
        return note

    async def _carried_out(self, order: MeterOrder, who: str) -> str:
        if isinstance(order, Read):
            return await self._read(order, who)
        if isinstance(order, Strike):
            return await self._strike(order)
        if isinstance(order, UseCalibration):
            return await self._use(order)
        return await self._act(order)

    async def _act(self, order: CalibrateOrder | LineupOrder) -> str:
        try:
            return await self._guide.act(order.do, order.act, order.item, time.time())
        except KeyError as error:
            raise Refusal("unknown_name", str(error.args[0]), "item") from None

    async def _read(self, order: Read, who: str) -> str:
        asked = self._guide.asked if order.head is None else None
        if asked is not None:
            order = order.model_copy(
                update={
                    "head": asked.head,
                    "level": asked.level or None,
                    "at": order.at or asked.at,
                    "receptor": order.receptor or asked.receptor,
                    "facing": order.facing or asked.facing,
                }
            )
        if order.virtual:
            order = await self._by_hand_meter(order)
        elif asked is not None and not self._studio.settled():
            raise NotNowError("the light is still moving; read once it rests")
        reading = check_against(self._from_words(order), self.rig)
        if asked is not None:
            return await self._guide.take(reading, time.time(), who)
        body = reading.model_dump(mode="json", exclude_none=True)
        number = await asyncio.wrap_future(kept.keep_reading(self._store, who, "calibrate", body))
        self._weigh_soon(await asyncio.to_thread(self._weighing.numbers_with, number))
        return f"reading {number} taken"

    async def _by_hand_meter(self, order: Read) -> Read:
        """The order with what the simulated meter shows, once the light rests."""
        meter = self._studio.hand_meter
        if meter is None:
            raise NotNowError("there is no simulated meter: not every lamp of this rig is simulated")
        await self._studio.rest()
        reading = self._from_words(order.model_copy(update={"value": 1.0, "unit": "lux"}))
        lux = meter.lux(check_against(reading, self.rig))
        return order.model_copy(update={"value": float(f"{lux:.4g}"), "unit": "lux"})

    def _from_words(self, order: Read) -> Reading:
        heads = [name.strip() for name in (order.head or "").split("+") if name.strip()]
        place = self.rig.start if order.at is None else order.at
        if isinstance(place, str):
            if place not in self.rig.marks:
                raise Refusal("unknown_name", f'there is no mark "{place}"', "at")
            place = self.rig.marks[place]
        return reading_from_words(
            heads=heads,
            levels=_levels(order, len(heads)),
            at=place,
            value=_value(order),
            unit=order.unit,
            receptor=order.receptor or "",
            facing=order.facing or "",
            rig=self.rig,
            remarks={"note": order.note},
        )

    async def _strike(self, order: Strike) -> str:
        if not await asyncio.wrap_future(kept.strike_reading(self._store, order.reading, order.why)):
            raise Refusal("unknown_name", f"there is no reading {order.reading} that counts", "reading")
        used = self._weighing.used
        if await self._guide.struck(order.reading):
            pass
        elif used is not None and order.reading in used.readings:
            self._weigh_soon([number for number in used.readings if number != order.reading])
        return f"reading {order.reading} does not count any more"

    async def _use(self, order: UseCalibration) -> str:
        if not await self._weighing.go_back(order.use):
            raise Refusal("unknown_name", f"there is no calibration {order.use}", "use")
        return "the rig file alone is used" if order.use is None else f"calibration {order.use} is used"

    def _weigh_soon(self, numbers: Sequence[int]) -> None:
        """Weigh readings anew in the background; a fit that is under way is dropped for it."""
        if self._fitting is not None:
            self._fitting.cancel()
        self._fitting = asyncio.create_task(self._weigh(numbers), name="fit")

    async def _weigh(self, numbers: Sequence[int]) -> None:
        calibration, counted = await self._weighing.fit(self.rig, numbers)
        await self._weighing.adopt(self.rig, calibration, counted)
        self._studio.changed()


def _levels(order: Read, heads: int) -> list[float]:
    if not heads:
        return []
    said = "+".join(["1.0"] * heads) if order.level is None else str(order.level)
    try:
        return [float(part) for part in said.split("+")]
    except ValueError:
        raise ReadingError(f'level is "{said}"; a number from 0 to 1, or such as "1.0+0.4"') from None


def _value(order: Read) -> float | None:
    if order.value is None or isinstance(order.value, float | int):
        return None if order.value is None else float(order.value)
    try:
        return float(order.value.lower().removeprefix("f/").replace(",", "."))
    except ValueError:
        raise ReadingError(f'value is "{order.value}"; the number that the meter shows') from None
