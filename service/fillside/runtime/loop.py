"""The loop around the held light: one event loop, one owner of the state, real time and real wires.

Every door parses its input and awaits `Runner.do` with the order. The order is judged and its first changed
frame passed to the wires in the same turn of the loop, before any note is made, stored or shown; none of that
can fail the order or stop the light (see `side_jobs`). After that, `Runner.run` ticks when the held light
asks for it. A tick asks for the light due now, so after a stall the latest frame wins and nothing is caught
up.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from fillside.background.side_jobs import SideJobs
from fillside.background.turns import Turnstile
from fillside.balance.remedies.search import SearchEndedError, remedies
from fillside.hold.contract import HeldLight
from fillside.hold.events import Event, RemediesFound, RemedyQuestion
from fillside.hold.snapshot.state import State as Snapshot
from fillside.orders.answers import Refusal
from fillside.orders.model import LightOrder, MeterOrder
from fillside.orders.registry import ORDERS
from fillside.runtime.live import Live, State
from fillside.runtime.storing import Record
from fillside.runtime.studio import MeteringPart, MeterView
from fillside.runtime.wires import DriversInUse, Wires
from fillside.storage.records.journal import Visitor
from fillside.storage.store import Store

log = logging.getLogger(__name__)

REST_AFTER_FAULT_S = 1.0
MOST_WAIT_S = 0.005
"""A frame may wait this long for a wire; one that would wait longer is made later."""
BEAT_S = 1.0
"""The longest time between control turns, even at rest; each is a sign of life for a watchdog [s]."""
AGED_EVERY_S = 900.0
"""In so much time the standard deviation of a lamp's drift grows to 0.015 stop at most, and of daylight's to
0.12 stop."""

Clock = Callable[[], float]


@dataclass
class Counts:
    """Counts of one daemon. `order_took` and `frame_late_by` receive times [s]; replace them to measure."""

    orders: int = 0
    refused_by_code: Counter[str] = field(default_factory=Counter)
    reloads: int = 0
    reloads_refused: int = 0
    order_took: Callable[[float], object] = lambda seconds: None
    frame_late_by: Callable[[float], object] = lambda seconds: None


class Runner:
    """Owns the held light. All methods run on the event loop's thread."""

    def __init__(self, light: HeldLight, drivers: DriversInUse, store: Store, clock: Clock) -> None:
        self.light, self._store, self._clock = light, store, clock
        self.live = Live(self.state)
        self.jobs = SideJobs(clock, self.live.studio_changed, store.unix_clock)
        self.wires = Wires(self.jobs, self._wire_changed)
        self.counts = Counts()
        self.metering: MeteringPart | None = None
        self.notes: tuple[str, ...] = ()
        self.turned: Callable[[], object] = lambda: None
        self.beat_s, self._turned_at = BEAT_S, clock()
        self._record = Record(store, clock, self.jobs)
        self._answers = Turnstile()
        self._woken, self._settled = asyncio.Event(), asyncio.Event()
        self._due = math.inf
        self._storage: State = {}
        self._snapshot: tuple[Snapshot, State] | None = None
        self._look_at_storage()
        self.wires.use(drivers)
        self.watch_wires()
        self._record.begin(self.light, self.state)
        self._send()

    async def do(self, order: LightOrder | MeterOrder, visitor: Visitor, source: Any = None) -> str:
        """Carry out an order and store it; return the note of the answer.

        `source` is the order's JSON as a door received it, for the journal; an internal order has none.
        Raises Refusal if the order is not obeyed; then nothing has changed. An order that cannot be stored is
        obeyed all the same, and the note says that a restart will not know of it.
        """
        kind, source = ORDERS[order.do], order.as_json() if source is None else source
        try:
            note = (
                self._lights(order) if isinstance(order, LightOrder) else await self._meters(order, visitor)
            )
        except Refusal as refusal:
            self.refuse(source, visitor, refusal)
            raise
        self.counts.orders += 1
        if kind.is_report:
            self._record.report(source, visitor, note)
            return note
        state = self.state if kind.changes_mode else None
        lacks = await self._record.order(self.light, source, visitor, note, state)
        # One transaction may release hundreds of waiting orders, and each door then builds its own state.
        await self._answers.through(visitor.door)
        if lacks:
            self._look_at_storage()
            return "; ".join(filter(None, (note, *lacks)))
        return note

    def _lights(self, order: LightOrder) -> str:
        now = self._clock()
        answer = self.light.order(order, now)
        self._tick(now)
        with self.jobs.fence("metrics"):
            self.counts.order_took(self._clock() - now)
        if ORDERS[order.do].is_report:
            self._record.changed(self.light)
        self.live.studio_changed()
        self._woken.set()
        return answer.note or ""

    async def _meters(self, order: MeterOrder, visitor: Visitor) -> str:
        if self.metering is None:
            raise Refusal("not_now", "readings are not taken here")
        note = await self.metering.do(order, visitor.who)
        self.live.changed()
        return note

    def refuse(self, source: Any, visitor: Visitor, refusal: Refusal) -> None:
        """Count and journal a refused order; doors call this too for orders they cannot parse."""
        self.counts.refused_by_code[refusal.code] += 1
        self._record.refused(source, visitor, refusal.code, refusal.message)

    def event(self, *events: Event) -> None:
        """Apply events, such as a change of a wire or of the ambient light."""
        now = self._clock()
        self.light.events(events, now)
        if not self._tick(now):
            # A head found at another level must be told to stay there until the next frame.
            self._send()
        self._after()

    def exchange(self, light: HeldLight, drivers: DriversInUse | None = None) -> None:
        """Replace the held light, and the drivers if given; resend all codes."""
        self.light = light
        if drivers is not None:
            self.wires.use(drivers)
        # With another white point, the same code needs another value on the wire.
        self.wires.forget_sent()
        self._record.forget_light()
        self._send()
        if drivers is not None:
            self.watch_wires()
        if self.metering is not None:
            with self.jobs.fence("metering"):
                self.metering.light_replaced()
        self._tick(self._clock())
        self._after()

    def watch_wires(self) -> None:
        """Listen to the health of the wires in use, and apply what they report already."""
        for happened in self.wires.watch():
            self.light.events(happened, self._clock())

    def tell(self, *notes: str) -> None:
        """Put these notes of the daemon in the state, replacing earlier ones."""
        self.notes = notes
        self.live.studio_changed()

    def state(self) -> State:
        """Return the state that every door shows, ready for JSON."""
        snapshot = self.light.snapshot()
        if self._snapshot is None or self._snapshot[0] is not snapshot:
            self._snapshot = snapshot, snapshot.model_dump(mode="json")
        state, metered = self._snapshot[1], MeterView()
        if self.metering is not None:
            with self.jobs.fence("metering"):
                metered = self.metering.view()
        return {
            **state,
            "notes": [*state["notes"], *metered.notes, *self.notes, *self._store.notes],
            "routine": metered.routine,
            "daylight": metered.daylight,
            "drift": metered.drift,
            "jobs": self.jobs.state(),
            "storage": self._storage,
        }

    def watching(self) -> AbstractContextManager[asyncio.Event]:
        """Yield an event that is set whenever something changes; the watcher clears
        it and reads the state."""
        return self.live.watching()

    @property
    def turned_ago_s(self) -> float:
        """Return the seconds since the last control turn ended."""
        return self._clock() - self._turned_at

    async def run(self) -> None:
        """Tick whenever the held light asks for it, until cancelled."""
        while True:
            try:
                await self._until_due()
                self._turn()
            except Exception:
                # The last light stays on the wires: the drivers repeat it.
                log.exception("the hold failed; the light stays as it is")
                await asyncio.sleep(REST_AFTER_FAULT_S)

    async def advise(self) -> None:
        """Search for remedies on a thread whenever the balance is out of reach, until cancelled."""
        while True:
            await self._settled.wait()
            self._settled.clear()
            question = self.light.remedy_question(self._clock())
            if question is None:
                continue
            asked = question.rig, question.subject, question.calibration
            with suppress(SearchEndedError):
                found = await asyncio.to_thread(remedies, *asked, partial(self._still_asks, question))
                self.event(RemediesFound(question, found))

    async def age(self) -> None:
        """Find on a thread how sure the light still is, every quarter of an hour, until cancelled."""
        while True:
            await asyncio.sleep(AGED_EVERY_S)
            aged = await asyncio.to_thread(self.light.ageing(self._store.unix_clock()))
            self.light.events((aged,), self._clock())
            self.live.studio_changed()

    def _still_asks(self, question: RemedyQuestion) -> bool:
        return self.light.still_asks(question)

    def save(self) -> None:
        """Store the data for a restart now."""
        self._record.save(self.light)

    async def _until_due(self) -> None:
        """Wait until the held light needs a tick, or unsaved changes have waited long enough."""
        while True:
            self._woken.clear()
            now = self._clock()
            due = min(self._tick_due(now), self._record.due, self._turned_at + self.beat_s)
            try:
                async with asyncio.timeout(max(0.0, due - now)):
                    await self._woken.wait()
            except TimeoutError:
                return

    def _tick_due(self, now: float) -> float:
        wake_in = self.light.wake_in(now)
        if wake_in is None:
            self._settled.set()
            return math.inf
        due, free_at = now + wake_in, self.wires.free_at
        # Made now, the frame would be old when it leaves, and so would all after it.
        self._due = free_at if free_at - due > MOST_WAIT_S else due
        return self._due

    def _turn(self) -> None:
        now = self._clock()
        if now >= self._due:
            late_by_s, self._due = now - self._due, math.inf
            with self.jobs.fence("metrics"):
                self.counts.frame_late_by(late_by_s)
            was_settled, grew_unsure = self.light.settled, self.light.grows_unsure
            # A fade may end after its last code was sent; wake watchers that wait for the light to rest.
            if self._tick(now) or self.light.settled != was_settled:
                self._after()
            elif grew_unsure:
                self.live.studio_changed()
        if now >= self._record.due:
            self.save()
        if self.wires.owed:
            self._send()
        self._look_at_storage()
        self._turned_at = now
        self._record.look()
        self.jobs.look()
        with self.jobs.fence("service manager"):
            self.turned()

    def _look_at_storage(self) -> None:
        """Show the condition of the store, and tell everybody if it has changed.

        It is shown as of the last look: trouble that came and went in between would be shown by a state that
        somebody asked for, and its end be told to nobody.
        """
        storage = {"kept": self._store.trouble is None, "note": self._store.trouble_note}
        if storage != self._storage:
            self._storage = storage
            self.live.studio_changed()

    def _tick(self, now: float) -> bool:
        if self.light.tick(now) is None:
            return False
        self._send()
        return True

    def _send(self) -> None:
        self.wires.send(self.light.scene, self.light.codes)

    def _wire_changed(self, happened: Sequence[Event]) -> None:
        self.event(*happened)

    def _after(self) -> None:
        """Do what can wait until the light is on its way: store, notify, schedule the next tick."""
        self._record.changed(self.light)
        self.live.studio_changed()
        self._woken.set()
