"""The shell around the hold: one event loop, one owner of the state, real time and real wires.

Every door awaits `Runner.do` with what was said to it, already read from JSON. The order is judged and
its first changed frame handed to the drivers in the same turn of the loop, before anything is stored or
told; nothing of that can fail the order or end the light (see `side_jobs`). After that `Runner.run` ticks
when the hold asks for it. A tick asks for the light as it is due now, so after a stall the latest frame wins
and nothing is caught up.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

from fillside.background.side_jobs import SideJobs
from fillside.background.turns import Turnstile
from fillside.balance.remedies.search import remedies
from fillside.balance.solver.rounding import Codes
from fillside.hold.events import Event, HeadsLeave, RemediesFound
from fillside.hold.machine.hold import Hold
from fillside.hold.snapshot.places import places_of
from fillside.orders.answers import Refusal
from fillside.orders.light import ORDERS, read_order
from fillside.orders.metering import METER_ORDERS, MeterOrder
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Rig
from fillside.runtime.counts import Counts
from fillside.runtime.live import Live, State
from fillside.runtime.storing import Record
from fillside.runtime.studio import MeterSide, shown
from fillside.runtime.wires import DriversInUse, news
from fillside.storage.records.journal import Visitor
from fillside.storage.store import Store
from fillside_drivers.driver import Health

log = logging.getLogger(__name__)

MODE_ORDERS = frozenset({"follow", "freeze", "dark", "undo"})
REPORTS = frozenset({"subject", "sensor"})
"""They come all the time, and the next one says it anew: nobody waits until they are stored."""
REST_AFTER_FAULT_S = 1.0
SEEN_OUT_S = 120.0
"""However slowly lamps go out, a changed rig file waits no longer for them."""
BEAT_S = 1.0
"""A control turn is completed at least so often, though nothing moves: the sign of life of a watchdog."""

Clock = Callable[[], float]


class Runner:
    """Owns the hold. All methods are called on the event loop's thread."""

    def __init__(self, hold: Hold, loom: DriversInUse, store: Store, clock: Clock) -> None:
        self._hold, self._loom, self._store, self._clock = hold, loom, store, clock
        self.jobs = SideJobs(clock, self._tell_watchers)
        self._answers = Turnstile()
        self._record = Record(store, clock, self.jobs)
        self._woken, self._settled = asyncio.Event(), asyncio.Event()
        self._due = math.inf
        self._sent: tuple[int, ...] = ()
        self._told_trouble: str | None = None
        self.figures = Counts()
        self.meter_side: MeterSide | None = None
        self.live = Live(self.state)
        self._watchers: set[asyncio.Event] = set()
        self.notes: tuple[str, ...] = ()
        self.turned: Callable[[], object] = lambda: None
        self.beat_s, self._turned_at = BEAT_S, clock()
        self._healths: dict[str, Health] = {}
        self._unwatch: dict[str, Callable[[], None]] = {}
        self._watch(loom)
        self._record.begin(self.state)
        self._send(hold.codes)

    async def do(self, said: Any, visitor: Visitor) -> str:
        """Have one order carried out and stored; the answer's note.

        Raises Refusal when it is not obeyed; nothing has changed then. An order that cannot be stored is
        obeyed all the same, and the note says that a restart will not know of it.
        """
        try:
            order = read_order(said, {**ORDERS, **METER_ORDERS})
            note = await self._meters(order, visitor) if order.do in METER_ORDERS else self._lights(order)
        except Refusal as refusal:
            self._refused(said, visitor, refusal)
            raise
        self.figures.orders += 1
        if order.do in REPORTS:
            self._record.report(said, visitor, note)
            return note
        state = self.state if order.do in MODE_ORDERS else None
        lacks = await self._record.order(self._hold, said, visitor, note, state)
        # One transaction may end the waiting of hundreds, and each door has a state to make for its own.
        await self._answers.through(visitor.door)
        if lacks:
            self._tell_watchers()
            return "; ".join(filter(None, (note, *lacks)))
        return note

    def _lights(self, order: Any) -> str:
        now = self._clock()
        answer = self._hold.order(order, now)
        self._tick(now)
        with self.jobs.fence("metrics"):
            self.figures.order_took(self._clock() - now)
        if order.do in REPORTS:
            self._record.changed(self._hold)
        self._tell_watchers()
        self._woken.set()
        return answer.note or ""

    async def _meters(self, order: MeterOrder, visitor: Visitor) -> str:
        if self.meter_side is None:
            raise Refusal("not_now", "readings are not taken here")
        note = await self.meter_side.do(order, visitor.who)
        self.live.changed()
        return note

    def _refused(self, said: Any, visitor: Visitor, refusal: Refusal) -> None:
        self.figures.refused_by_code[refusal.code] += 1
        self._record.refused(said, visitor, refusal.code, str(refusal))

    def renew(self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None) -> None:
        """Hold a changed rig file or by a new calibration from now on, going on from the present light."""
        now = self._clock()
        self._hold = self._hold.replaced(rig, calibration, calibrated_at, now)
        # In another white the same code is another on the wire.
        self._sent = ()
        self._record.forget_light()
        self._send(self._hold.codes)
        self._tell_meter_side()
        self._tick(now)
        self._after()

    def renewed(self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None) -> Hold:
        """What `renew` would hold by, to look at; nothing is changed."""
        return self._hold.replaced(rig, calibration, calibrated_at, self._clock())

    def rewire(self, loom: DriversInUse) -> None:
        """Send over these drivers from now on; those that are new begin with the present codes."""
        old, self._loom = self._loom, loom
        for driver, frame in loom.frames(self._hold.scene, self._hold.codes, ()):
            if old.drivers.get(driver.name) is not driver:
                driver.send(frame)
        self._watch(loom)

    def adopt(
        self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None, loom: DriversInUse
    ) -> None:
        """Hold a changed rig file over its own drivers from now on; the first frame is the present one."""
        now = self._clock()
        self._hold = self._hold.replaced(rig, calibration, calibrated_at, now)
        self._loom, self._sent = loom, ()
        self._record.forget_light()
        self._send(self._hold.codes)
        self._watch(loom)
        self._tell_meter_side()
        self._tick(now)
        self._after()

    def _tell_meter_side(self) -> None:
        """What was learned since of the room is not in a file or a calibration, and is said again."""
        if self.meter_side is not None:
            with self.jobs.fence("metering"):
                self.meter_side.held_anew()

    def tell(self, *notes: str) -> None:
        """Have the state carry these notes of the daemon's own, in place of earlier ones."""
        self.notes = notes
        self._tell_watchers()

    def event(self, *events: Event) -> None:
        """Something happened that nobody ordered."""
        now = self._clock()
        self._hold.events(events, now)
        if not self._tick(now):
            # A head that was found at another level is told to stay there until the next frame.
            self._send(self._hold.codes)
        self._after()

    async def see_out(self, heads: Collection[str]) -> None:
        """Fade these heads out, whatever is wanted, and return once they are or `SEEN_OUT_S` went by."""
        self.event(HeadsLeave(tuple(heads)))
        with suppress(TimeoutError), self.watching() as changed:
            async with asyncio.timeout(SEEN_OUT_S):
                while not self._hold.have_left(heads):
                    await changed.wait()
                    changed.clear()

    def call_back(self) -> None:
        """Heads that were seen out are held again."""
        self.event(HeadsLeave(()))

    @property
    def loom(self) -> DriversInUse:
        """The drivers that are sent to."""
        return self._loom

    @property
    def scene(self) -> Scene:
        """The rig as numbers, as the hold has it now."""
        return self._hold.scene

    @property
    def codes(self) -> Codes:
        """The codes on the wires, one a head, before limits of their drivers."""
        return self._hold.codes

    @property
    def rig_wanted(self) -> Rig:
        """The rig with what was ordered since in place of what its file says."""
        return self._hold.effective_rig

    @property
    def calibration(self) -> Calibration | None:
        """What the light is held by, None without a calibration."""
        return self._hold.calibration

    @property
    def corrected(self) -> dict[str, float]:
        """By how many stops heads that have drifted are asked for more."""
        return self._hold.corrected

    @property
    def acts(self) -> bool:
        """Whether the balance acts on the light."""
        return self._hold.acts

    @property
    def settled(self) -> bool:
        """Whether the light rests where it is to be."""
        return self._hold.settled

    def state(self) -> State:
        """The state as every door shows it, JSON-able."""
        state: State = self._hold.snapshot().model_dump(mode="json")
        said, notes = shown(None)
        with self.jobs.fence("metering"):
            said, notes = shown(self.meter_side)
        storage = {"kept": self._store.trouble is None, "note": self._store.trouble_note}
        all_notes = [*state["notes"], *notes, *self.notes, *self._store.notes]
        return {**state, "notes": all_notes, **said, "jobs": self.jobs.state(), "storage": storage}

    def places(self) -> State:
        """Marks, camera, and where the heads stand, JSON-able."""
        found: State = places_of(self._hold.scene, self._hold.calibration).model_dump(mode="json")
        return found

    @contextmanager
    def watching(self) -> Iterator[asyncio.Event]:
        """An event that is set whenever something changed; who watches clears it and looks at the state."""
        changed = asyncio.Event()
        self._watchers.add(changed)
        try:
            yield changed
        finally:
            self._watchers.discard(changed)

    @property
    def turned_ago_s(self) -> float:
        """How long ago the last control turn was completed [s]."""
        return self._clock() - self._turned_at

    @property
    def light_is_sent(self) -> bool:
        """Whether every wire has taken the codes that are held."""
        return self._sent == self._hold.codes

    def driver_states(self) -> dict[str, str]:
        """How each wire is: ok, late or lost."""
        return {name: driver.health.state for name, driver in self._loom.drivers.items()}

    async def run(self) -> None:
        """Tick whenever the hold asks for it, until cancelled."""
        while True:
            try:
                await self._until_due()
                self._turn()
            except Exception:
                # The last light stays on the wires: the drivers repeat it by themselves.
                log.exception("the hold failed; the light stays as it is")
                await asyncio.sleep(REST_AFTER_FAULT_S)

    async def advise(self) -> None:
        """Look for remedies whenever the balance is out of reach, on a thread, until cancelled."""
        while True:
            await self._settled.wait()
            self._settled.clear()
            question = self._hold.remedy_question()
            if question is None:
                continue
            found = await asyncio.to_thread(remedies, question.rig, question.subject, question.calibration)
            self.event(RemediesFound(question, found))

    def save(self) -> None:
        """Store what a restart resumes from, now."""
        self._record.save(self._hold)

    async def _until_due(self) -> None:
        """Until the hold wants a tick, or what is not stored yet has waited enough."""
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
        wake_in = self._hold.wake_in(now)
        if wake_in is None:
            self._settled.set()
            return math.inf
        self._due = now + wake_in
        return self._due

    def _turn(self) -> None:
        now = self._clock()
        if now >= self._due:
            late_by_s, self._due = now - self._due, math.inf
            with self.jobs.fence("metrics"):
                self.figures.frame_late_by(late_by_s)
            was_settled = self.settled
            # A fade may end after its last code was sent; who waits for the light to rest must hear of it.
            if self._tick(now) or self.settled != was_settled:
                self._after()
        if now >= self._record.due:
            self.save()
        if not self._sent:
            self._send(self._hold.codes)
        if self._store.trouble != self._told_trouble:
            self._told_trouble = self._store.trouble
            self._tell_watchers()
        self._turned_at = now
        self._record.look()
        self.jobs.look()
        with self.jobs.fence("service manager"):
            self.turned()

    def _tick(self, now: float) -> bool:
        codes = self._hold.tick(now)
        if codes is None:
            return False
        self._send(codes)
        return True

    def _send(self, codes: tuple[int, ...]) -> None:
        """Hand each wire what changed on it; one that fails keeps no other waiting, and is sent all later."""
        frames, self._sent = tuple(self._loom.frames(self._hold.scene, codes, self._sent)), codes
        for driver, frame in frames:
            with self.jobs.fence(f"wire {driver.name}"):
                driver.send(frame)
                continue
            self._sent = ()

    def _after(self) -> None:
        """What may wait until the light is on its way: storing, telling, the next tick."""
        self._record.changed(self._hold)
        self._tell_watchers()
        self._woken.set()

    def _tell_watchers(self) -> None:
        self.live.changed()
        for watcher in self._watchers:
            watcher.set()

    def _watch(self, loom: DriversInUse) -> None:
        """Hear of these drivers' health, and of no others'; what they say already counts."""
        for end in self._unwatch.values():
            end()
        self._unwatch.clear()
        for name, driver in loom.drivers.items():
            self._unwatch[name] = driver.watch(partial(self._driver_changed, name))
            self._hold.events(self._news(name, driver.health), self._clock())

    def _driver_changed(self, name: str, health: Health) -> None:
        # Called from within the driver, whose own work goes on whatever becomes of the news.
        with self.jobs.fence("news of wires"):
            if happened := self._news(name, health):
                self.event(*happened)

    def _news(self, name: str, health: Health) -> tuple[Event, ...]:
        old, self._healths[name] = self._healths.get(name, Health()), health
        return tuple(news(name, old, health))
