"""Store the studio as it runs, and let an order wait until it is stored.

With an order go the light and the intent, the orders that can be taken back, the take that it begins or ends
and its line in the journal, in one transaction. Between orders the light is stored at each tenth of
a stop of change and when it has come to rest, so that a restart is within that; only then is the disk synced
for it, for nobody waits.

What fails in this is fenced as work of the side jobs `storage`, `takes` and `journal`: it neither fails an
order nor ends the light, but the answer says what is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from typing import Any

from fillside.background.side_jobs import SideJobs, in_words
from fillside.balance.solver.rounding import Codes
from fillside.hold.contract import HeldLight
from fillside.hold.fading.flash_limiter import LEAST_OUTPUT
from fillside.hold.memory.undo import History, stored_order
from fillside.storage.durability import stored
from fillside.storage.errors import NotStoredError
from fillside.storage.records.journal import Journal, Visitor
from fillside.storage.records.takes import Takes
from fillside.storage.store import Store, remembering, remembering_orders
from fillside.storage.writer import Lasting

State = Mapping[str, Any]

EACH_STOPS = 0.1
"""The light is stored whenever any head has changed by so much since."""
AT_REST_S = 1.0
"""The least time between two writes of changes that leave the light alone, such as a tracked place."""
NOT_LASTING = "this will not outlive a restart"
NO_TAKE = "the takes do not have this"
NO_LINE = "the journal does not have this"


class Record:
    """Stores what a restart resumes from, and what was ordered. Called on the event loop's thread."""

    def __init__(self, store: Store, clock: Callable[[], float], jobs: SideJobs) -> None:
        self._store, self._clock, self._jobs = store, clock, jobs
        self._journal, self._takes = Journal(store), Takes(store, clock)
        self._codes: Codes = ()
        self._stored_at, self._unstored = -math.inf, True
        self._history: History | None = None
        self._texts: dict[int, str] = {}

    @property
    def due(self) -> float:
        """The time by which changes are to be stored, on the clock; infinity if there are none."""
        return self._stored_at + AT_REST_S if self._unstored else math.inf

    def begin(self, state: Callable[[], State]) -> None:
        """Take up a take that a restart came into, or end it."""
        with self._jobs.fence("takes"):
            self._takes.look(state())

    def forget_light(self) -> None:
        """Take the same codes for another light from now on."""
        self._codes = ()

    def changed(self, light: HeldLight) -> None:
        """Store in time what changed and nobody waits for."""
        self._unstored = True
        with self._jobs.fence("storage"):
            if light.codes != self._codes and (light.settled or self._moved_stops(light) >= EACH_STOPS):
                self._save(light)

    def save(self, light: HeldLight) -> None:
        """Store what a restart resumes from, now."""
        with self._jobs.fence("storage"):
            self._save(light)
        self.look(at_once=True)

    def look(self, at_once: bool = False) -> None:
        """Write down what the journal has only counted so far; to be called now and then."""
        if self._journal.counts:
            with self._jobs.fence("journal"):
                self._journal.count(at_once)

    def _save(self, light: HeldLight) -> None:
        rests_anew = light.settled and light.codes != self._codes
        self._store.keep(*self._jobs_of(light), synced=rests_anew)

    def refused(self, said: Any, visitor: Visitor, code: str, why: str) -> None:
        """Write down a refused order."""
        with self._jobs.fence("journal"):
            self._journal.write(visitor, said, code, why)

    def report(self, said: Any, visitor: Visitor, note: str) -> None:
        """Write down a report that nobody waits for."""
        with self._jobs.fence("journal"):
            self._journal.write(visitor, said, "ok", note)

    async def order(
        self, light: HeldLight, said: Any, visitor: Visitor, note: str, state: Callable[[], State] | None
    ) -> list[str]:
        """Store an order that was obeyed, with all it changed, and wait for that; what is not stored and why.

        `state` is given where the order may begin or end a take. All is handed to the writer in the turn of
        the event loop in which this is awaited.
        """
        lacks: list[str] = []
        jobs = [
            *self._made("storage", NOT_LASTING, lacks, lambda: self._jobs_of(light)),
            *self._made("journal", NO_LINE, lacks, lambda: [self._journal.line(visitor, said, "ok", note)]),
        ]
        if state is not None:
            jobs += self._made("takes", NO_TAKE, lacks, lambda: [self._takes.change(state())])
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
        self, name: str, without: str, lacks: list[str], make: Callable[[], Sequence[Lasting | None]]
    ) -> Sequence[Lasting | None]:
        """The writes of a step of a side job; none where it fails, and `lacks` then says what is missing."""
        try:
            made = make()
        except Exception as error:  # the light is worth more than the record
            self._jobs.failed(name, error)
            lacks.append(f"{without}: {_fault(error)}")
            return ()
        self._jobs.goes_on(name)
        return made

    async def _lasts(self, order: Future[Any]) -> str:
        """Wait until an order is stored, and say why it is not; nothing when it is."""
        if self._store.stalls:
            return self._store.trouble or ""
        try:
            await stored(order)
        except NotStoredError as error:
            return error.reason
        return ""

    def _jobs_of(self, light: HeldLight) -> list[Lasting]:
        self._unstored, self._stored_at = True, self._clock()
        body = light.remember().model_dump_json(exclude={"undoable"})
        jobs = [remembering(body)]
        if (texts := self._orders(light)) is not None:
            jobs.append(remembering_orders(texts))
        self._unstored, self._codes = False, light.codes
        return jobs

    def _orders(self, light: HeldLight) -> dict[int, str] | None:
        """The JSON of the orders that can be taken back; None where they are those handed in last."""
        is_same = light.history is self._history
        known, orders = self._texts if is_same else {}, light.history.numbered
        if is_same and known.keys() == orders.keys():
            return None
        self._history = light.history
        self._texts = {
            number: known[number] if number in known else stored_order(light.scene, order).text
            for number, order in orders.items()
        }
        return self._texts

    def _moved_stops(self, light: HeldLight) -> float:
        codes = light.codes
        if len(codes) != len(self._codes):
            return math.inf
        return light.scene.dimmers.difference_stops(codes, self._codes, LEAST_OUTPUT)


def _fault(error: Exception) -> str:
    return f"a fault in Fillside itself, {in_words(error)}"
