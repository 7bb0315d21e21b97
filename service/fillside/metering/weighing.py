"""Readings weighed into calibrations, in a process of its own, so that no frame waits for it."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime

from fillside.calibration.offline import fit_readings
from fillside.calibration.readings import Reading
from fillside.rig.calibrated import Calibration
from fillside.rig.model import Rig
from fillside.storage import metering as kept
from fillside.storage.store import Store

Applies = Callable[[Calibration | None, str | None], None]
"""Hands the hold a calibration and when it was made."""

MOST_IN_A_FIT = 200


def calibration_in_use(store: Store) -> tuple[Calibration | None, str | None]:
    """The calibration in use and when it was made (ISO 8601, UTC); None and None without one."""
    used = kept.used_calibration(store)
    if used is None:
        return None, None
    return Calibration.model_validate(used.body), made_at(used.at)


def made_at(unix_s: float) -> str:
    """A Unix time [s] as ISO 8601 in UTC, to the second.

    >>> made_at(0.0)
    '1970-01-01T00:00:00Z'
    """
    return datetime.fromtimestamp(unix_s, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _be_nice() -> None:
    os.nice(10)


class Weighing:
    """Makes calibrations of kept readings, keeps them, and has them applied."""

    def __init__(self, store: Store, apply: Applies) -> None:
        self._store, self._apply = store, apply
        self._pool: ProcessPoolExecutor | None = None
        self.used = kept.used_calibration(store)

    @property
    def calibration(self) -> Calibration | None:
        """The calibration in use."""
        return None if self.used is None else Calibration.model_validate(self.used.body)

    async def fit(self, rig: Rig, numbers: Sequence[int]) -> tuple[Calibration, list[int]]:
        """The calibration from readings by their numbers, struck ones left out; and which those were."""
        entries = await asyncio.to_thread(kept.readings_of, self._store, numbers)
        readings = [Reading.model_validate(entry.body) for entry in entries]
        if self._pool is None:
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=_be_nice)
        work = asyncio.get_running_loop().run_in_executor(self._pool, fit_readings, rig, readings)
        return Calibration.model_validate(await work), [entry.id for entry in entries]

    async def adopt(self, rig: Rig, calibration: Calibration, numbers: Sequence[int]) -> None:
        """Keep a calibration, and use it from now on."""
        body, meter = calibration.model_dump(mode="json"), rig.meter.model_dump(mode="json")
        await asyncio.wrap_future(kept.keep_calibration(self._store, meter, numbers, body))
        await self._take()

    async def go_back(self, number: int | None) -> bool:
        """Use an earlier calibration, or none; whether there is such a one."""
        if not await asyncio.wrap_future(kept.use_calibration(self._store, number)):
            return False
        await self._take()
        return True

    async def _take(self) -> None:
        self.used = await asyncio.to_thread(kept.used_calibration, self._store)
        self._apply(*await asyncio.to_thread(calibration_in_use, self._store))

    def numbers_with(self, newest: int) -> list[int]:
        """What a fit outside a routine weighs: the readings of the calibration in use, and later ones."""
        known = self.used.readings if self.used is not None else ()
        first = min(known, default=newest)
        later = [
            entry.id
            for entry in kept.readings(self._store, MOST_IN_A_FIT)
            if entry.purpose == "calibrate" and entry.struck is None and entry.id >= first
        ]
        return sorted({*known, *later})[-MOST_IN_A_FIT:]

    def close(self) -> None:
        """End the fitting process; a fit that is under way is dropped, its readings are kept."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
