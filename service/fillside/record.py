"""What the daemon stores of the studio as it runs, and how an order waits until it is stored.

With an order go the light and all that is wanted, the orders that can be taken back, the take that it begins
or ends and its line in the journal, in one transaction. Between orders the light is stored at each tenth of
a stop of change and when it has come to rest, so that a restart is within that; only then is the disk synced
for it, for nobody waits.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Any

from fillside.balance.rounding import Codes
from fillside.hold.dimmers import Dimmers
from fillside.hold.history import History
from fillside.hold.hold import Hold
from fillside.hold.remembered_orders import order_kept
from fillside.rig.scene import Scene
from fillside.storage.errors import NotStoredError
from fillside.storage.journal import Journal, Visitor
from fillside.storage.store import Store, remembering, remembering_orders
from fillside.storage.stored import stored
from fillside.storage.takes import Takes
from fillside.storage.writer import Lasting

log = logging.getLogger(__name__)

State = Mapping[str, Any]

EACH_STOPS = 0.1
"""The light is stored whenever any head has changed by so much since."""
AT_REST_S = 1.0
"""What changes without a change of light, such as a tracked place, is stored at most so often."""


class Record:
    """Stores what a hold is to go on from, and what was ordered. Called on the event loop's thread."""

    def __init__(self, store: Store, clock: Callable[[], float]) -> None:
        self._store, self._clock = store, clock
        self._journal, self._takes = Journal(store), Takes(store)
        self._dimmers: tuple[Scene, Dimmers] | None = None
        self._codes: Codes = ()
        self._stored_at, self._unstored = -math.inf, True
        self._history: History | None = None
        self._texts: dict[int, str] = {}

    @property
    def due(self) -> float:
        """When what has changed is to be stored at the latest, on the clock; infinity if nothing has."""
        return self._stored_at + AT_REST_S if self._unstored else math.inf

    def begin(self, state: State) -> None:
        """Take up a take that a restart came into, or end it."""
        self._takes.look(state)

    def forget_light(self) -> None:
        """The same codes are another light from now on."""
        self._codes = ()

    def changed(self, hold: Hold) -> None:
        """Something changed that nobody waits for."""
        self._unstored = True
        if hold.codes != self._codes and (hold.settled or self._moved_stops(hold) >= EACH_STOPS):
            self.save(hold)

    def save(self, hold: Hold) -> None:
        """Store what a restart resumes from, now."""
        rests_anew = hold.settled and hold.codes != self._codes
        try:
            self._store.keep(*self._hold(hold), synced=rests_anew)
        except Exception:  # the light is worth more than the record
            log.exception("what a restart is to resume from cannot be put together")

    def refused(self, said: Any, visitor: Visitor, code: str, why: str) -> None:
        """Write down that somebody was not obeyed."""
        self._journal.write(visitor, said, code, why)

    def report(self, said: Any, visitor: Visitor, note: str) -> None:
        """Write down a report that nobody waits for."""
        self._journal.write(visitor, said, "ok", note)

    def order(self, hold: Hold, said: Any, visitor: Visitor, note: str, state: State | None) -> Future[Any]:
        """Store an order that was obeyed, with all it changed; `state` where it may begin or end a take."""
        try:
            take = None if state is None else self._takes.change(state)
            jobs = (*self._hold(hold), take, self._journal.line(visitor, said, "ok", note))
            return self._store.keep(*(job for job in jobs if job is not None))
        except Exception as error:  # the light is worth more than the record
            log.exception("an order cannot be stored")
            failed: Future[Any] = Future()
            failed.set_exception(NotStoredError(f"a fault in Fillside itself: {error!r}"))
            return failed

    async def lasts(self, order: Future[Any]) -> str:
        """Wait until an order is stored, and say why it is not; nothing when it is."""
        if self._store.stalls:
            return self._store.trouble or ""
        try:
            await stored(order)
        except NotStoredError as error:
            return error.reason
        return ""

    def _hold(self, hold: Hold) -> list[Lasting]:
        self._unstored, self._stored_at, self._codes = False, self._clock(), hold.codes
        body = hold.remember().model_dump_json(exclude={"undoable"})
        jobs = [remembering(body)]
        if (texts := self._orders(hold)) is not None:
            jobs.append(remembering_orders(texts))
        return jobs

    def _orders(self, hold: Hold) -> dict[int, str] | None:
        """The JSON of the orders that can be taken back; None where they are those handed in last."""
        is_same = hold.history is self._history
        known, orders = self._texts if is_same else {}, hold.history.numbered
        if is_same and known.keys() == orders.keys():
            return None
        self._history = hold.history
        self._texts = {
            number: known[number] if number in known else order_kept(hold.scene, order).text
            for number, order in orders.items()
        }
        return self._texts

    def _moved_stops(self, hold: Hold) -> float:
        scene, codes = hold.scene, hold.codes
        if self._dimmers is None or self._dimmers[0] is not scene:
            self._dimmers = scene, Dimmers(scene)
        if len(codes) != len(self._codes):
            return math.inf
        return self._dimmers[1].apart_stops(codes, self._codes)
