"""Readings weighed into calibrations, apart from the light; calibrations kept and applied."""

from __future__ import annotations

import asyncio
import logging
import math
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar

from fillside.background.worker_process import WorkerProcess
from fillside.belief.evidence import Evidence, Piece, Reading, dated, seconds_of
from fillside.belief.result.calibrating import weigh
from fillside.belief.result.restoring import evidence_of
from fillside.hold.machine.hold import Hold
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering as kept
from fillside.storage.rows import WEIGHED
from fillside.storage.store import Store
from fillside.storage.writer import wait_until_stored

log = logging.getLogger(__name__)
T = TypeVar("T")

Applies = Callable[[Calibration | None, str | None], None]
"""Hands the hold a calibration and when it was made."""

MOST_IN_A_FIT = 200
_RECENT = 1_000
"""How many of the newest readings are looked through for those of a calibration that comes back."""


async def _try_out(rig: Rig, calibration: Calibration | None) -> None:
    """Try a calibration on a throw-away hold, which fills the caches of the real one: tables of new
    dimmers.

    It also says of a calibration from elsewhere that it cannot be held, before it is kept.
    """
    await asyncio.to_thread(Hold, rig, calibration=calibration)


@dataclass(frozen=True)
class StoredFit:
    """A calibration, the numbers of its evidence, the readings of each head, and the doubt about the
    newest one."""

    calibration: Calibration
    numbers: tuple[int, ...]
    taken: Mapping[str, int]
    remark: str | None


def _told(piece: Piece, beside: tuple[str, float] | None) -> Piece:
    """A reading with what a row beside it says of the daylight, unless it says so itself."""
    if beside is None or not isinstance(piece, Reading) or piece.daylight_lux is not None:
        return piece
    return piece.model_copy(update={"daylight_sensor": beside[0], "daylight_lux": beside[1]})


class Calibrator:
    """Makes calibrations of kept readings, keeps them, and has them applied.

    `busy` while something is worked out; `changed` is called when that changes.
    """

    def __init__(
        self,
        store: Store,
        apply: Applies,
        changed: Callable[[], None] = lambda: None,
        apart: WorkerProcess | None = None,
    ) -> None:
        self._store, self._apply, self._changed = store, apply, changed
        self._apart = WorkerProcess() if apart is None else apart
        self.busy = False
        self.used = kept.current_calibration(store)
        self.calibration = None if self.used is None else self.used.calibration

    async def begin(self) -> None:
        """Start the fitting process, so that the first fit is no slower than the others."""
        await self._apart.begin()

    async def fit(
        self, rig: Rig, numbers: Sequence[int], only: Collection[str | None] | None = None
    ) -> StoredFit:
        """The calibration from evidence by its numbers; what is struck or impossible is left out.

        What was told of heads since counts by itself. Raises WorkerError where it cannot be worked out.
        """
        evidence = await asyncio.to_thread(self._evidence, numbers)
        with self._working():
            found = await self._apart.run(weigh, rig, Evidence.of([piece for _, piece in evidence]), only)
        counted = [one for one in evidence if one[1] not in found.strange]
        for number, piece in evidence:
            if piece in found.strange:
                log.warning("reading %d is left aside: %s", number, found.strange[piece])
        kept_numbers = tuple(number for number, _ in counted)
        read = [piece for _, piece in counted if isinstance(piece, Reading)]
        newest_is_read = bool(counted) and isinstance(counted[-1][1], Reading)
        doubts = {entry.number: entry.why for entry in found.calibration.readings()}
        return StoredFit(
            calibration=found.calibration,
            numbers=kept_numbers,
            taken=Counter(name for reading in read for name in reading.heads),
            remark=doubts.get(len(read)) if newest_is_read else None,
        )

    def _evidence(self, numbers: Sequence[int]) -> list[tuple[int, Piece]]:
        """Evidence by its numbers, dated, with all events and tapes of its heads since the first of it."""
        beside = kept.sensors_with(self._store, numbers)
        stored = kept.valid_pieces(self._store, kept.readings_of(self._store, numbers))
        found = {one.id: _told(dated(piece, one.at), beside.get(one.id)) for one, piece in stored}
        first: dict[str, float] = {}
        for piece in found.values():
            for name in piece.heads if isinstance(piece, Reading) else (piece.head,):
                first[name] = min(first.get(name, math.inf), seconds_of(piece.time) or 0.0)
        for one, piece in kept.valid_pieces(self._store, kept.told_of_heads(self._store)):
            news = dated(piece, one.at)
            if not isinstance(news, Reading) and (seconds_of(news.time) or 0.0) >= first.get(
                news.head, math.inf
            ):
                found[one.id] = news
        return sorted(found.items())

    async def take_in(self) -> None:
        """Store the evidence of a calibration that was made elsewhere, so that it counts with all that
        follows.

        What is stored already keeps its number. Raises NotStoredError.
        """
        used, calibration = self.used, self.calibration
        if used is None or calibration is None or used.readings:
            return
        pieces = [dated(piece, used.at) for piece in evidence_of(calibration).pieces]
        if not pieces:
            return
        rows = await asyncio.to_thread(kept.readings, self._store, _RECENT)
        alike = {
            dated(piece, one.at): one.id
            for one, piece in kept.valid_pieces(self._store, rows)
            if one.struck is None and one.purpose in WEIGHED
        }
        new = [piece for piece in pieces if piece not in alike]
        numbers = [alike[piece] for piece in pieces if piece in alike]
        who = f"calibration {used.id}"
        await wait_until_stored(kept.save_readings(self._store, who, new, imported=(used.id, numbers)))
        self.used = await asyncio.to_thread(kept.current_calibration, self._store)

    async def adopt(self, rig: Rig, calibration: Calibration, numbers: Sequence[int]) -> int:
        """Keep a calibration under a new number, and use it from now on. Raises NotStoredError, with
        nothing changed, where it cannot be kept."""
        await _try_out(rig, calibration)
        body, meter = calibration.model_dump(mode="json"), rig.meter.model_dump(mode="json")
        number = await self._stored_use(kept.save_calibration(self._store, meter, numbers, body))
        await self._take(calibration)
        return number

    async def go_back(self, rig: Rig, number: int | None) -> bool:
        """Use an earlier calibration, or none; false where there is none such. NotStoredError as `adopt`."""
        found = await asyncio.to_thread(kept.calibration, self._store, number)
        if number is not None and found is None:
            return False
        calibration = None if found is None else found.calibration
        await _try_out(rig, calibration)
        if not await self._stored_use(kept.use_calibration(self._store, number)):
            return False
        await self._take(calibration)
        return True

    async def _stored_use(self, storing: Future[T]) -> T:
        """Wait for what changes the calibration in use to be stored; what comes too late is undone."""
        used = None if self.used is None else self.used.id
        return await wait_until_stored(storing, lambda _: kept.revert_use(self._store, used))

    async def _take(self, calibration: Calibration | None) -> None:
        self.used = await asyncio.to_thread(kept.current_calibration, self._store)
        self.calibration = None if self.used is None else calibration
        self._apply(self.calibration, None if self.used is None else self.used.made_at)

    async def numbers_with(self, newest: Sequence[int], elsewhere: Collection[int] = ()) -> list[int]:
        """The numbers of the evidence that a fit outside a routine weighs.

        That is the evidence of the calibration in use, the `newest`, and any that no calibration ever weighed
        because the process was killed before; none that a routine has `elsewhere`.
        """
        known = self.used.readings if self.used is not None else ()
        weighed = await asyncio.to_thread(kept.newest_weighed, self._store)
        later = await asyncio.to_thread(kept.readings, self._store, MOST_IN_A_FIT)
        missed = [
            entry.id
            for entry in later
            if entry.purpose in WEIGHED
            and entry.struck is None
            and entry.id > weighed
            and entry.id not in elsewhere
        ]
        return sorted({*known, *missed, *newest})[-MOST_IN_A_FIT:]

    async def close(self) -> None:
        """End the fitting process; a fit that is under way is dropped, its readings are kept."""
        await self._apart.close()

    @contextmanager
    def _working(self) -> Iterator[None]:
        self.busy = True
        self._changed()
        try:
            yield
        finally:
            self.busy = False
            self._changed()
