"""Stores the studio while it runs, and makes an order wait until it is stored.

One transaction stores an order together with the light and the intent, the orders that can be undone, the
take that it begins or ends, and its line in the journal. Between orders, the light is stored at each tenth of
a stop of change and when it has come to rest, so a restart is no further off than that. The disk is synced
for it only at rest, since nobody waits.

Failures are fenced as work of the side jobs `storage`, `takes` and `journal`: they neither fail an order nor
stop the light, but the answer says what is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any

import numpy as np

from fillside.background.side_jobs import SideJobs, in_words
from fillside.balance.solver.rounding import Codes
from fillside.hold.contract import HeldLight
from fillside.hold.fading.flash_limiter import LEAST_OUTPUT
from fillside.hold.memory.undo import History, stored_order
from fillside.rig.scene.dimmers import FloatArray
from fillside.storage.errors import NotStoredError
from fillside.storage.records.journal import Journal, Visitor
from fillside.storage.records.saved_state import state_job, undoable_orders_job
from fillside.storage.records.takes import TakeRecorder, TakeStudio
from fillside.storage.store import Store
from fillside.storage.writer import PersistentJob, wait_until_stored

State = Mapping[str, Any]

EACH_STOPS = 0.1
"""The light is stored again when any head has changed by this much."""
AT_REST_S = 1.0
"""The least time between two writes of changes that do not affect the light, such as a tracked place, and of
a light that rests between two reports of a walk."""
NOT_LASTING = "this will not outlive a restart"
NO_TAKE = "the takes do not have this"
NO_LINE = "the journal does not have this"


class Record:
    """Stores orders and the data for a restart. Call it on the event loop's thread."""

    def __init__(self, store: Store, clock: Callable[[], float], jobs: SideJobs) -> None:
        self._store, self._clock, self._jobs = store, clock, jobs
        self._journal, self._takes = Journal(store), TakeRecorder(store, clock)
        self._codes: Codes = ()
        self._stops: FloatArray | None = None
        self._stored_at, self._unstored = -math.inf, True
        self._rested_at = -math.inf
        self._history: History | None = None
        self._texts: dict[int, str] = {}

    @property
    def due(self) -> float:
        """Return the time at which changes are to be stored, on the clock; infinity if there are none."""
        return self._stored_at + AT_REST_S if self._unstored else math.inf

    def begin(self, light: HeldLight, state: Callable[[], State]) -> None:
        """Continue a take that was open at the last stop, or end it."""
        with self._jobs.fence("takes"):
            self._takes.record(state(), partial(_studio, light))

    def forget_light(self) -> None:
        """Treat the same codes as a different light from now on."""
        self._codes = ()

    def changed(self, light: HeldLight) -> None:
        """Store changes that nobody waits for, in time."""
        self._unstored = True
        with self._jobs.fence("storage"):
            if light.codes == self._codes:
                return
            rests = light.settled and self._clock() >= self._rested_at + AT_REST_S
            if rests:
                self._rested_at = self._clock()
            if rests or self._moved_stops(light) >= EACH_STOPS:
                self._save(light)

    def save(self, light: HeldLight) -> None:
        """Store the data for a restart now."""
        with self._jobs.fence("storage"):
            self._save(light)
        self.look(at_once=True)

    def look(self, at_once: bool = False) -> None:
        """Write the entries that the journal has only counted so far; call this now and then."""
        if self._journal.is_counting:
            with self._jobs.fence("journal"):
                self._journal.write_counts(at_once)

    def _save(self, light: HeldLight) -> None:
        rests_anew = light.settled and light.codes != self._codes
        self._store.keep(*self._jobs_of(light), synced=rests_anew)

    def refused(self, source: Any, visitor: Visitor, code: str, why: str) -> None:
        """Journal a refused order."""
        with self._jobs.fence("journal"):
            self._journal.write(visitor, source, code, why)

    def report(self, source: Any, visitor: Visitor, note: str) -> None:
        """Journal a report that nobody waits for."""
        with self._jobs.fence("journal"):
            self._journal.write(visitor, source, "ok", note)

    async def order(
        self, light: HeldLight, source: Any, visitor: Visitor, note: str, state: Callable[[], State] | None
    ) -> list[str]:
        """Store an obeyed order with everything it changed, and wait; return what is not stored and why.

        `state` is given if the order may begin or end a take. Everything is passed to the writer in the turn
        of the event loop in which this is awaited.
        """
        # Where the light comes to rest after an order is stored at once, however short the last rest was.
        self._rested_at = -math.inf
        lacks: list[str] = []
        jobs = [
            *self._made("storage", NOT_LASTING, lacks, lambda: self._jobs_of(light)),
            *self._made("journal", NO_LINE, lacks, lambda: [self._journal.line(visitor, source, "ok", note)]),
        ]
        if state is not None:
            jobs += self._made("takes", NO_TAKE, lacks, lambda: self._take_jobs(light, state))
        if writes := [job for job in jobs if job is not None]:
            try:
                why_not = await self._lasts(self._store.keep(*writes))
            except Exception as error:
                self._jobs.failed("storage", error)
                why_not = _fault(error)
            if why_not and not any(lack.startswith(NOT_LASTING) for lack in lacks):
                lacks.insert(0, f"{NOT_LASTING}: {why_not}")
        return lacks

    def _made(
        self, name: str, without: str, lacks: list[str], make: Callable[[], Sequence[PersistentJob | None]]
    ) -> Sequence[PersistentJob | None]:
        """Return the writes of one step of a side job; none if it fails, in which
        case `lacks` says what is missing."""
        try:
            made = make()
        except Exception as error:  # the light is worth more than the record
            self._jobs.failed(name, error)
            lacks.append(f"{without}: {_fault(error)}")
            return ()
        self._jobs.goes_on(name)
        return made

    def _take_jobs(self, light: HeldLight, state: Callable[[], State]) -> Sequence[PersistentJob | None]:
        return [self._takes.change_job(state(), partial(_studio, light))]

    async def _lasts(self, order: Future[Any]) -> str:
        """Wait until an order is stored; return the reason why it is not, or ""."""
        if self._store.stalls:
            return self._store.trouble or ""
        try:
            await wait_until_stored(order)
        except NotStoredError as error:
            return error.reason
        return ""

    def _jobs_of(self, light: HeldLight) -> list[PersistentJob]:
        self._unstored, self._stored_at = True, self._clock()
        body = light.remember().model_dump_json(exclude={"undoable"})
        jobs = [state_job(body, self._store.unix_clock())]
        if (texts := self._orders(light)) is not None:
            jobs.append(undoable_orders_job(texts))
        self._unstored, self._codes, self._stops = False, light.codes, None
        return jobs

    def _orders(self, light: HeldLight) -> dict[int, str] | None:
        """Return the JSON of the orders that can be undone; None if they are the ones stored last."""
        is_same = light.history is self._history
        texts, orders = self._texts if is_same else {}, light.history.numbered
        if is_same and texts.keys() == orders.keys():
            return None
        self._history = light.history
        self._texts = {
            number: texts[number] if number in texts else stored_order(light.scene, order).text
            for number, order in orders.items()
        }
        return self._texts

    def _moved_stops(self, light: HeldLight) -> float:
        codes = light.codes
        if len(codes) != len(self._codes):
            return math.inf
        if self._stops is None:
            self._stops = light.scene.dimmers.stops(self._codes, LEAST_OUTPUT)
        moved = np.abs(light.scene.dimmers.stops(codes, LEAST_OUTPUT) - self._stops)
        return float(moved.max(initial=0.0))


def _studio(light: HeldLight) -> TakeStudio:
    return TakeStudio.of(light.effective_rig, light.calibration, light.subject)


def _fault(error: Exception) -> str:
    return f"a fault in Fillside itself, {in_words(error)}"
