"""Readings and calibrations put on the disk, or refused.

What is refused because the disk did not answer in time may be stored all the same, a moment later: it is then
made not to count.
"""

from __future__ import annotations

from collections.abc import Sequence

from fillside.calibration.readings import Reading
from fillside.metering.daylight import Daylight
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering as kept
from fillside.storage.store import Store
from fillside.storage.writer import wait_until_stored

CHECK = "check"
"""The purpose of a reading that only tells of drift."""
TOO_LATE = "stored too late: it was refused"
_STRUCK = "UPDATE reading SET struck = ? WHERE id = ?"
_USED = "UPDATE metering SET calibration = ?"


async def keep(
    store: Store, reading: Reading, purpose: str, who: str, daylight: Daylight | None = None
) -> int:
    """The number of a reading once it outlives a kill; of the room alone a sensor's word is kept with it.

    Raises NotStoredError.
    """
    body = reading.model_dump(mode="json", exclude_none=True)
    seen = None if daylight is None or reading.heads or purpose != "calibrate" else daylight.shown_now()
    return await wait_until_stored(
        kept.save_reading(store, who, purpose, body, seen),
        lambda number: kept.revert(store, _STRUCK, TOO_LATE, number),
    )


async def keep_all(store: Store, readings: Sequence[Reading], purpose: str, who: str) -> list[int]:
    """The numbers of these readings once all outlive a kill. Raises NotStoredError; none is kept then."""
    bodies = [reading.model_dump(mode="json", exclude_none=True) for reading in readings]
    return await wait_until_stored(
        kept.save_readings(store, who, purpose, bodies),
        lambda numbers: [kept.revert(store, _STRUCK, TOO_LATE, number) for number in numbers],
    )


async def strike(store: Store, number: int, why: str) -> bool:
    """Let a reading not count any more; whether there was such a one. Raises NotStoredError."""
    return await wait_until_stored(
        kept.strike_reading(store, number, why),
        lambda was: was and kept.revert(store, _STRUCK, None, number),
    )


async def keep_calibration(
    store: Store, rig: Rig, calibration: Calibration, numbers: Sequence[int], used: int | None
) -> int:
    """The number of a calibration that is used from now on, in place of `used`. Raises NotStoredError."""
    body, meter = calibration.model_dump(mode="json"), rig.meter.model_dump(mode="json")
    return await wait_until_stored(
        kept.save_calibration(store, meter, numbers, body), lambda _: kept.revert(store, _USED, used)
    )


async def use_calibration(store: Store, number: int | None, used: int | None) -> bool:
    """Use an earlier calibration, or none, in place of `used`; whether there still is such a one. Raises
    NotStoredError."""
    return await wait_until_stored(
        kept.use_calibration(store, number), lambda _: kept.revert(store, _USED, used)
    )
