"""Readings put on the disk, with what a daylight sensor showed at the time."""

from __future__ import annotations

import asyncio

from fillside.calibration.readings import Reading
from fillside.metering.daylight import Daylight
from fillside.storage import metering as kept
from fillside.storage.store import Store

CHECK = "check"
"""The purpose of a reading that only tells of drift."""


async def keep(
    store: Store, reading: Reading, purpose: str, who: str, daylight: Daylight | None = None
) -> int:
    """The number of a reading once it outlives a kill; of the room alone a sensor's word is kept with it."""
    body = reading.model_dump(mode="json", exclude_none=True)
    number = await asyncio.wrap_future(kept.keep_reading(store, who, purpose, body))
    seen = None if daylight is None or reading.heads or purpose != "calibrate" else daylight.shown_now()
    if seen is not None:
        name, lux = seen
        said = {"sensor": name, "lux": lux, "reading": number}
        await asyncio.wrap_future(kept.keep_reading(store, f"sensor {name}", "sensor", said))
    return number
