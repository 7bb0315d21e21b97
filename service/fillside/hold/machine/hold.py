"""The studio as a state machine: timed orders, events and ticks go in, wire codes come out.

Nothing here reads a clock or waits. The owner of a `Hold` passes in orders and events with their times and
calls `tick` when `wake_in` says so. The same calls give the same codes, so a day can be replayed.

The machine coordinates four engines and computes nothing itself: `tracking` finds the subject, `intent` has
the orders and the levels that meet them, `fading` moves the light, `snapshot` presents the result. The table
in `transitions` says what an order changes; `aim` says where the light goes from there."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fillside.balance.judgement.reasons import JudgedLight
from fillside.balance.solver.rounding import Codes
from fillside.hold.contract import OrderAnswer
from fillside.hold.events import CalibrationAged, Event, HeadsLeave, LightEvent, RemediesFound, RemedyQuestion
from fillside.hold.fading.fader import Clock, Fader
from fillside.hold.fading.flash_limiter import FlashLimiter
from fillside.hold.health import UNSURE_STEP_S, HeadPolicy, StudioHealth, found_code, head_policy
from fillside.hold.intent.balancing import Balancing
from fillside.hold.intent.current_solution import CurrentSolution
from fillside.hold.intent.intent import SOLVE_FIELDS, TARGET_FIELDS, Intent
from fillside.hold.machine.aim import Aim
from fillside.hold.machine.changes import IntentChange, OrderContext, place_of
from fillside.hold.machine.identify import dip_of
from fillside.hold.machine.transitions import TRANSITIONS
from fillside.hold.memory.carry_over import continuing_heads, corrected_calibration
from fillside.hold.memory.hold_memory import HoldMemory, remember, resume
from fillside.hold.memory.undo import History, Undoable, undoable_orders
from fillside.hold.snapshot.snapshot import (
    ADVISED_AFTER_S,
    Advice,
    Bookkeeping,
    PresentLight,
    curable,
    judged_light,
    limits_of_light,
    note_after,
    state_of,
)
from fillside.hold.snapshot.state import LastOrder, State
from fillside.hold.tracking.pace import Pace
from fillside.hold.tracking.subject import TrackedSubject
from fillside.orders.light import Identify, Move, SubjectReport, Undo
from fillside.orders.model import LightOrder
from fillside.orders.registry import phrase_of
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import Point, Rig


@dataclass(frozen=True)
class CarryOver:
    """State carried over from a hold that is replaced: the memory for a restart, and
    what the memory leaves out.

    `leaving` names heads that are going out. `continues` has the head of `scene` whose light each head goes
    on with, by name; `flashes` goes with it, `history` only if heads and wires are the same.
    """

    remembered: HoldMemory
    scene: Scene
    continues: Mapping[str, str]
    leaving: frozenset[str]
    health: StudioHealth
    flashes: FlashLimiter
    history: History
    last_obeyed: tuple[LightOrder, float] | None
    light_changed_s: float | None


class Hold:
    """Holds a rig's light. Times are seconds on any one clock.

    `stored` is the result of `remember` before the last stop, None on a first start; `unix_s` is the Unix
    time at which the clock reads 0, for the times in the state. `carried` comes from the hold that this one
    replaces.
    """

    def __init__(
        self,
        rig: Rig,
        stored: object = None,
        now_s: float = 0.0,
        *,
        calibration: Calibration | None = None,
        calibrated_at: str | None = None,
        unix_s: float = 0.0,
        carried: CarryOver | None = None,
    ) -> None:
        self._file, self._calibration, self._calibrated_at = rig, calibration, calibrated_at
        self._unix_s, self._clock = unix_s, Clock(now_s)
        self._last_s, self._time_s = now_s, 0.0
        self._balancing = Balancing(scene(rig, calibration), calibration, unix_s + now_s)
        resumed = resume(stored if carried is None else carried.remembered, self._balancing.scene)
        self._balancing.correct(resumed.corrected)
        earlier, notes = undoable_orders(resumed, self.scene)
        self._notes = (*resumed.notes, *notes)
        pace = Pace(rig.hold.dead_band_stops)
        self._subject = TrackedSubject(rig, pace.allowance_m, resumed.intent.place, "file", 0.0)
        self._solution = CurrentSolution(self._balancing, self._subject, pace)
        self._health = StudioHealth(self.scene, now_s)
        self._fader = Fader(self.scene, resumed.codes, 0.0)
        self._history, self._advice = History(earlier), Advice()
        self._last_obeyed: tuple[LightOrder, float] | None = None
        self._light_changed_s: float | None = None
        self._answer = OrderAnswer()
        self._snapshot: State | None = None
        self._judged: JudgedLight | None = None
        self._aim = Aim(rig, resumed.intent, self._balancing, self._subject, self._solution, self._fader)
        self._solution.take(self._aim.target, resumed.untrimmed)
        self._aim.as_ordered(0.0)
        if carried is not None:
            self._take_over(carried)

    def _take_over(self, carried: CarryOver) -> None:
        names, before = self.scene.names, carried.scene
        leaving = frozenset(i for i, name in enumerate(names) if name in carried.leaving)
        self._aim.intent = replace(self._aim.intent, leaving=leaving)
        self._health.take_over(carried.health)
        self._apply_policy(0.0)
        goes_on = [carried.continues.get(name) for name in names]
        places = [None if name is None else before.index(name) for name in goes_on]
        self._fader.flashes.go_on_from(carried.flashes, places)
        if names == before.names and self.scene.full_scales == before.full_scales:
            self._history = carried.history
        self._last_obeyed, self._light_changed_s = carried.last_obeyed, carried.light_changed_s

    def replaced(
        self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None, now_s: float
    ) -> Hold:
        """Return a hold for a changed rig file or a new calibration, continuing from
        this one's light and intent.

        The first frame is the present one and fades from there; kept levels stay as they are. The health of
        wires is carried over; orders can still be undone if the rig is the same.
        """
        over = continuing_heads(self._file, rig)
        remembered = self.remember().under(self._calibration, calibration).rewired(over)
        leaving = {self.scene.names[i] for i in self._aim.intent.leaving}
        carried = CarryOver(
            remembered=HoldMemory.model_validate(remembered.model_dump(mode="json")),
            scene=self.scene,
            continues=over,
            leaving=frozenset(name for name in leaving if over.get(name) == name),
            health=self._health,
            flashes=self._fader.flashes.rebased(self._clock.peek(now_s, self._fader.moving)),
            history=self._history,
            last_obeyed=self._last_obeyed,
            light_changed_s=self._light_changed_s,
        )
        return Hold(
            rig,
            now_s=now_s,
            calibration=calibration,
            calibrated_at=calibrated_at,
            unix_s=self._unix_s,
            carried=carried,
        )

    @property
    def scene(self) -> Scene:
        """The rig as arrays, which convert codes to light."""
        return self._balancing.scene

    @property
    def codes(self) -> Codes:
        """The current wire codes, one per head in the rig's order; 0 for a head without a wire."""
        return self._fader.codes

    @property
    def settled(self) -> bool:
        """True while the light rests at its goal."""
        return not self._fader.moving

    @property
    def acts(self) -> bool:
        """True while the balance acts on the light."""
        return self._aim.intent.acts

    @property
    def subject(self) -> Point:
        """The place of the subject [m]."""
        return self._subject.place

    @property
    def only_some_heads(self) -> bool:
        """True while `only` or `show` has selected some heads."""
        return self._aim.intent.alone is not None

    @property
    def unwell(self) -> tuple[str, ...]:
        """The heads that are lost or disobey, by name in the rig's order."""
        heads = zip(self.scene.names, self._health.heads, strict=True)
        return tuple(name for name, head in heads if head.state in ("lost", "disobeying"))

    @property
    def light_changed_at(self) -> float | None:
        """The time of the last change of a code [s, Unix time]; None before the first."""
        at = self._light_changed_s
        return None if at is None else at + self._unix_s

    @property
    def effective_rig(self) -> Rig:
        """A rig that describes the whole intent except the trims."""
        return self._aim.intent.effective_rig(self._file)

    @property
    def calibration(self) -> Calibration | None:
        """The calibration in use, if any."""
        return self._calibration

    @property
    def corrected(self) -> dict[str, float]:
        """The correction for each head that has drifted, in stops by name; other heads are absent."""
        return self._balancing.corrected

    @property
    def daylight(self) -> float:
        """The ambient light over that of the calibration."""
        return self._balancing.daylight

    @property
    def history(self) -> History:
        """The orders that can be undone."""
        return self._history

    def order(self, order: LightOrder, now_s: float) -> OrderAnswer:
        """Obey an order, or raise Refusal with nothing changed. The light moves with the next `tick`."""
        if isinstance(order, SubjectReport):
            return self._report(order, now_s)
        if isinstance(order, Undo):
            return self._take_back(order, now_s)
        if isinstance(order, Identify):
            return self._identify(order, now_s)
        # The place in the intent is where the tracker has moved the subject since it was put by hand.
        before = replace(self._aim.intent, place=self._subject.place)
        change = TRANSITIONS[type(order)].change(self._context(before), order)
        time_s = self._read_clock(now_s)
        changed = before.changed_from(change.intent)
        self._before_change()
        self._history.add(Undoable(order, changed, self._solution.codes))
        self._aim.intent = before
        if isinstance(order, Move):
            self._subject.put(change.intent.place, time_s)
        self._change(change, changed.keys(), time_s, self._solution.codes)
        return self._obeyed(order, now_s, change.note, changed)

    def events(self, events: Iterable[Event], now_s: float) -> None:
        """Apply several events together; the light reacts once, to all of them."""
        self._before_change()
        self._last_s, self._time_s = now_s, self._clock.peek(now_s, self._fader.moving)
        before = self._policy
        found: dict[int, int] = {}
        for event in events:
            if isinstance(event, RemediesFound):
                self._advice.answer(event)
            elif isinstance(event, CalibrationAged):
                self._balancing.age(event)
            elif isinstance(event, LightEvent):
                self._learn(event)
            elif isinstance(event, HeadsLeave):
                self._leave(event, now_s)
            else:
                self._health.take_in(event, now_s, self._time_s, self._fader.codes)
                found |= found_code(event, self.scene, self._fader.codes)
        if self._policy == before and not found:
            return
        time_s = self._read_clock(now_s)
        self._fader.start_from(found, time_s)
        if self._policy == before:
            self._aim.as_ordered(time_s)
        else:
            self._apply_policy(time_s)

    def event(self, event: Event, now_s: float) -> None:
        """Apply one event."""
        self.events((event,), now_s)

    def tick(self, now_s: float) -> Codes | None:
        """Advance to now; return the codes of all heads if any changed, else None."""
        self._snapshot = None
        time_s = self._read_clock(now_s)
        if self._solution.is_due(time_s):
            self._before_change()
            self._aim.pursue(time_s)
        if not self._aim.step(time_s):
            return None
        self._light_changed_s = now_s
        return self._fader.codes

    def wake_in(self, now_s: float) -> float | None:
        """Seconds until the next tick is due; None when nothing moves, and what is known of it stays."""
        moves_in = self._aim.wake_in(self._clock.peek(now_s, self._fader.moving))
        if not self.grows_unsure:
            return moves_in
        learns_in = min(max(self._last_s + UNSURE_STEP_S - now_s, 0.0), UNSURE_STEP_S)
        return learns_in if moves_in is None else min(moves_in, learns_in)

    @property
    def grows_unsure(self) -> bool:
        """True while a report is overdue, and its head's light so less sure with every tick."""
        overdue = self._health.overdue(self._fader.codes, self._time_s)
        return any(one.share < 1 for one in overdue)

    def have_left(self, heads: Iterable[str]) -> bool:
        """True once these heads are out or cannot be controlled."""
        fader, places = self._fader, map(self.scene.index, heads)
        return all(fader.codes[i] == 0 or fader.stuck[i] for i in places)

    def remember(self) -> HoldMemory:
        """The data that a restart resumes from."""
        intent = replace(self._aim.intent, place=self._subject.place)
        return remember(self.scene, intent, self._fader.codes, self._solution.codes, self.corrected)

    def snapshot(self) -> State:
        """The state that every door shows, built once and reused until something changes.

        Remedies are those found so far; see `remedy_question`.
        """
        if self._snapshot is None:
            beside = Bookkeeping(
                remedies=self._advice.remedies_at(self._subject.place),
                waits=self._fader.waits,
                drivers=self._health.drivers,
                calibrated_at=self._calibrated_at,
                undo=self._history.last,
                last_order=self._last_order,
                light_changed_at=self.light_changed_at,
                notes=self._notes,
            )
            self._snapshot = state_of(self._light_at(self._fader.codes, self._fader.goal), beside)
        return self._snapshot

    def remedy_question(self, now_s: float) -> RemedyQuestion | None:
        """The question for `balance.remedies`, to be answered with `RemediesFound`; None if there is none.

        Nothing is asked during a fade, or of a tracked subject that has not stayed at its place for a while.
        """
        time_s = self._clock.peek(now_s, self._fader.moving)
        if self._fader.moving or self._subject.stays_s(time_s) < ADVISED_AFTER_S:
            return None
        question, place = None, self._subject.place
        if curable(limits_of_light(self._light_at(self._fader.codes, self._fader.goal))):
            believed = corrected_calibration(self._calibration, self.corrected, self._balancing.daylight)
            question = RemedyQuestion(self.effective_rig, place, believed)
        shown = self._advice.remedies_at(place)
        asked = self._advice.ask(question)
        if self._advice.remedies_at(place) != shown:
            self._snapshot = None
        return asked

    def ageing(self, unix_s: float) -> Callable[[], CalibrationAged]:
        """Return what finds how sure the light is at a Unix time [s]; it may be called on any thread."""
        return self._balancing.ageing(unix_s)

    def still_asks(self, question: RemedyQuestion) -> bool:
        """Return true while `remedy_question` lacks this answer; may be called on any thread."""
        return self._advice.is_open(question, self._subject.place)

    def _read_clock(self, now_s: float) -> float:
        self._last_s, self._time_s = now_s, self._clock.read(now_s, self._fader.moving)
        return self._time_s

    def _before_change(self) -> None:
        """Drop the cached state, after wording the last order's note, which describes
        the light before the change."""
        _ = self._answer.note
        self._snapshot = self._judged = None

    def _obeyed(
        self, order: LightOrder, now_s: float, note: str | None, before: Mapping[str, Any]
    ) -> OrderAnswer:
        codes, goal = self._fader.codes, self._fader.goal
        self._last_obeyed = order, now_s + self._unix_s
        self._answer = OrderAnswer(lambda: note_after(self._light_at(codes, goal), note, before))
        return self._answer

    @property
    def _last_order(self) -> LastOrder | None:
        """The last order that was obeyed, in a few words, and its Unix time [s]."""
        if self._last_obeyed is None:
            return None
        order, at = self._last_obeyed
        return LastOrder(do=phrase_of(order), at=at)

    def _judge(self, present: PresentLight) -> JudgedLight:
        if self._judged is None or self._judged.codes != present.lasting:
            self._judged = judged_light(present)
        return self._judged

    def _light_at(self, codes: Codes, goal: Codes) -> PresentLight:
        aim = self._aim
        return PresentLight(
            balancing=self._balancing,
            intent=aim.intent,
            target=aim.target,
            solution=self._solution,
            subject=self._subject,
            health=self._health.heads,
            time_s=self._time_s,
            unix_s=self._unix_s,
            identifying=None if aim.dip is None else self.scene.names[aim.dip.head],
            codes=codes,
            goal=goal,
            lasting=goal if aim.dip is None else aim.codes,
            judge=self._judge,
        )

    @property
    def _policy(self) -> HeadPolicy:
        return head_policy(self._health.heads, self._aim.when_lost)

    def _apply_policy(self, time_s: float) -> None:
        """Control the heads that the policy allows, and no others."""
        self._fader.stuck = ~np.array(self._policy.led)
        self._balancing.count_on(self._policy)
        if self.acts and self._aim.when_lost == "solve":
            self._solution.take(self._aim.target, self._solution.codes)
        self._aim.as_ordered(time_s)

    def _learn(self, event: LightEvent) -> None:
        """Apply a change of the light; the codes follow at the pace and speed of
        following, and kept levels stay."""
        self._balancing.learn(event)
        if self.acts:
            self._solution.light_changed()

    def _leave(self, event: HeadsLeave, now_s: float) -> None:
        leaving = frozenset(map(self.scene.index, event.heads))
        self._aim.intent = replace(self._aim.intent, leaving=leaving)
        self._aim.as_ordered(self._read_clock(now_s))

    def _report(self, order: SubjectReport, now_s: float) -> OrderAnswer:
        place = place_of(self._file, order, self._subject.why_not)
        self._before_change()
        self._subject.report(place, self._read_clock(now_s))
        if self.acts:
            self._solution.subject_reported(self._aim.is_too_bright(self._fader.goal))
        return OrderAnswer()

    def _take_back(self, order: Undo, now_s: float) -> OrderAnswer:
        last = self._history.take_back()
        self._before_change()
        time_s = self._read_clock(now_s)
        self._aim.intent = replace(self._aim.intent, place=self._subject.place)
        if "place" in last.before:
            self._subject.put(last.before["place"], time_s)
        intent = replace(self._aim.intent, **last.before)
        changed = intent.changed_from(self._aim.intent)
        self._change(IntentChange(intent), changed.keys(), time_s, last.untrimmed)
        return self._obeyed(order, now_s, f"undone: {last.do}", last.before)

    def _identify(self, order: Identify, now_s: float) -> OrderAnswer:
        dip, note = dip_of(self._context(replace(self._aim.intent, place=self._subject.place)), order)
        self._before_change()
        self._aim.show(dip, self._read_clock(now_s))
        return self._obeyed(order, now_s, note, {})

    def _change(self, change: IntentChange, changed: Set[str], time_s: float, present: Codes) -> None:
        """Put an intent with these `changed` fields in force; without codes of its own it is solved near the
        present ones."""
        intent = change.intent
        if changed & TARGET_FIELDS:
            self._aim.put_in_force(intent, change.ordered or intent.rig(self._file))
            self._balancing.count_on(self._policy)
        else:
            self._aim.put_in_force(intent, None)
        if self.acts and changed & SOLVE_FIELDS:
            self._solution.take(self._aim.target, present)
        if change.untrimmed is not None:
            solved, self._solution.codes = self._solution.codes, change.untrimmed
            if self._aim.is_too_bright(self._aim.codes):
                # Light that is too much for the face may be wanted; no goal goes as far.
                self._solution.codes = solved
        self._aim.as_ordered(time_s)

    def _context(self, intent: Intent) -> OrderContext:
        aim = self._aim
        return OrderContext(
            scene=self.scene,
            intent=intent,
            untrimmed=self._solution.codes,
            working=lambda: self._health.working,
            beneath=lambda: aim.codes_for(replace(intent, alone=None)),
            present=lambda: aim.present,
            levels_now=aim.levels_now,
            measured_now=lambda target: self._balancing.measure(
                self._subject.place, target, self._health.known(aim.present), self._health.working
            ),
            why_not_at=self._subject.why_not,
        )
