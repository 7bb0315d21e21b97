"""The studio as a state machine: orders, events and ticks with their times go in, wire codes come out.

Nothing here reads a clock or waits. Whoever owns a `Hold` hands in orders and events with their times and
calls `tick` when `wake_in` says so; the same calls give the same codes, so a day can be replayed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from fillside.balance.solver.rounding import Codes
from fillside.hold.fading.identify import SPEED_STOPS_S, Dip, dip_of, with_code
from fillside.hold.fading.light import TOO_BRIGHT_STOPS_S, Fader
from fillside.hold.intent.balancing import Balancing
from fillside.hold.intent.corrections import corrected_calibration
from fillside.hold.intent.intent import SOLVE_FIELDS, WISH_FIELDS, Intent, KeptLevels
from fillside.hold.intent.levels import wanted_codes
from fillside.hold.machine.advice import Advice
from fillside.hold.machine.answer import Obeyed
from fillside.hold.machine.changes import CHANGES, Moment, place_of
from fillside.hold.machine.clock import Clock
from fillside.hold.machine.events import Event, HeadsLeave, LightEvent, RemediesFound, RemedyQuestion
from fillside.hold.machine.history import History, Undoable
from fillside.hold.memory.changed_wires import still_leaving, taken_over
from fillside.hold.memory.remembered import Remembered, remember, resume
from fillside.hold.memory.undo_history import orders_again
from fillside.hold.snapshot.current_solution import CurrentSolution
from fillside.hold.snapshot.health import Reckoning, StudioHealth, found_code, reckoning
from fillside.hold.snapshot.judged_light import ShownLight, note_after
from fillside.hold.snapshot.state import DoorView, LastOrder, State, drivers_now, metered, state_of
from fillside.hold.tracking.pace import Pace
from fillside.hold.tracking.subject import TrackedSubject
from fillside.orders.light import Identify, Move, SubjectReport, Undo
from fillside.orders.model import LightOrder
from fillside.orders.registry import phrase_of
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import Rig


class Hold:
    """Holds a rig's light. Times are seconds of any one clock.

    `stored` is what `remember` gave before the last stop, None on a first start; `unix_s` is the Unix time at
    which that clock shows 0, for the times in the state.
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
    ) -> None:
        self._file, self._calibration, self._calibrated_at = rig, calibration, calibrated_at
        self._unix_s, self._clock = unix_s, Clock(now_s)
        self._balancing = Balancing(scene(rig, calibration), calibration)
        resumed = resume(stored, self._balancing.scene)
        self._balancing.correct(resumed.corrected)
        self._scene = self._balancing.scene
        earlier, notes = orders_again(resumed, self._scene)
        self._notes = (*resumed.notes, *notes)
        self._wanted = resumed.wanted
        self._wish = self._wanted.wish(rig)
        pace = Pace(rig.hold.dead_band_stops)
        self._subject = TrackedSubject(rig, pace.allowance_m, resumed.wanted.place, "file", 0.0)
        self._standing = CurrentSolution(self._balancing, self._subject, pace)
        self._health = StudioHealth(self._scene, now_s)
        self._light = Fader(self._scene, resumed.codes, 0.0)
        self._history, self._advice = History(earlier), Advice()
        self._ordered_until_s = -math.inf
        self._unhurried_stops_s: float | None = None
        self._dip: Dip | None = None
        self._last_order: LastOrder | None = None
        self._light_changed_s: float | None = None
        self._standing.take(self._wish, resumed.untrimmed)
        self._aim_as_ordered(0.0)

    def renewed(
        self, rig: Rig, calibration: Calibration | None, calibrated_at: str | None, now_s: float
    ) -> Hold:
        """The hold of a changed rig file or a new calibration, going on from this one's light and wishes.

        The first frame is the present one, from which it fades; levels that are kept stay as they are. What
        happened to wires is carried over, orders can be taken back while the rig is the same.
        """
        over = taken_over(self._file, rig)
        kept = self.remember().under(self._calibration, calibration).rewired(over).model_dump(mode="json")
        new = Hold(
            rig, kept, now_s, calibration=calibration, calibrated_at=calibrated_at, unix_s=self._unix_s
        )
        left = still_leaving(self._scene.names, self._wanted.leaving, over, new._scene.names)
        new._wanted = replace(new._wanted, leaving=left)
        new._health.take_over(self._health)
        new._reckon(0.0)
        if new._scene.names == self._scene.names:
            new._light.go_on_from(self._light, self._clock.peek(now_s, self._light.moving))
            if new._scene.full_scales == self._scene.full_scales:
                new._history = self._history
        new._last_order, new._light_changed_s = self._last_order, self._light_changed_s
        return new

    @property
    def settled(self) -> bool:
        """Whether the light rests where it is to be."""
        return not self._light.moving

    @property
    def history(self) -> History:
        """The orders that can be taken back."""
        return self._history

    @property
    def scene(self) -> Scene:
        """The rig as numbers, by which codes are light."""
        return self._scene

    @property
    def rig_wanted(self) -> Rig:
        """A rig that says by itself all that is wanted but the trims."""
        return self._wanted.effective_rig(self._file)

    @property
    def codes(self) -> Codes:
        """The wire codes of now, one a head in the rig's order, 0 for a head without a wire."""
        return self._light.codes

    def order(self, order: LightOrder, now_s: float) -> Obeyed:
        """Obey an order, or raise Refusal with nothing changed. The light moves with the next `tick`."""
        if isinstance(order, SubjectReport):
            return self._report(order, now_s)
        if isinstance(order, Undo):
            return self._take_back(now_s)
        if isinstance(order, Identify):
            return self._identify(order, now_s)
        # A place told by hand is wanted as the tracker has moved it since.
        before = replace(self._wanted, place=self._subject.place)
        change = CHANGES[type(order)](self._moment(before), order)
        time_s = self._clock.read(now_s, self._light.moving)
        changed = before.changed_from(change.wanted)
        self._history.add(Undoable(phrase_of(order), changed, self._standing.codes))
        self._wanted = before
        if isinstance(order, Move):
            self._subject.tell(change.wanted.place, time_s)
        self._change(change.wanted, time_s, self._standing.codes, change.untrimmed)
        self._last_order = LastOrder(do=phrase_of(order), at=now_s + self._unix_s)
        return Obeyed(note=note_after(self._shown(), change.note, changed))

    def event(self, event: Event, now_s: float) -> None:
        """Take in what happened without an order."""
        self.events((event,), now_s)

    def events(self, events: Iterable[Event], now_s: float) -> None:
        """Take in several things at once; the light goes on from all of them together."""
        before = self._reckoning
        found: dict[int, int] = {}
        for event in events:
            if isinstance(event, RemediesFound):
                self._advice.answer(event)
            elif isinstance(event, LightEvent):
                self._light_is_another(event)
            elif isinstance(event, HeadsLeave):
                self._leave(event, now_s)
            else:
                self._health.heard(event, now_s)
                found |= found_code(event, self._scene, self._light.codes)
        if self._reckoning == before and not found:
            return
        time_s = self._clock.read(now_s, self._light.moving)
        self._light.found(found, time_s)
        if self._reckoning == before:
            self._aim_as_ordered(time_s)
        else:
            self._reckon(time_s)

    @property
    def _reckoning(self) -> Reckoning:
        return reckoning(self._health.heads, self._when_lost)

    def _reckon(self, time_s: float) -> None:
        """From now on lead the heads that can be led and no others."""
        self._light.stuck = ~np.array(self._reckoning.led)
        self._balancing.count_on(self._reckoning)
        if self.acts and self._when_lost == "solve":
            self._standing.take(self._wish, self._standing.codes)
        self._aim_as_ordered(time_s)

    def _light_is_another(self, event: LightEvent) -> None:
        """The light goes along at the pace and speed of following; what is kept stays."""
        self._balancing.learn(event)
        self._scene = self._balancing.scene
        if self.acts:
            self._standing.light_changed()

    def _leave(self, event: HeadsLeave, now_s: float) -> None:
        self._wanted = replace(self._wanted, leaving=frozenset(map(self._scene.index, event.heads)))
        self._aim_as_ordered(self._clock.read(now_s, self._light.moving))

    def have_left(self, heads: Iterable[str]) -> bool:
        """Whether these heads are out, or cannot be led."""
        light, places = self._light, map(self._scene.index, heads)
        return all(light.codes[i] == 0 or light.stuck[i] for i in places)

    def tick(self, now_s: float) -> Codes | None:
        """Go on to now; the codes of all heads if any changed, else None."""
        time_s = self._clock.read(now_s, self._light.moving)
        if self._standing.is_due(time_s):
            self._pursue(time_s)
        changed = self._light.step(time_s)
        if self._unhurried_stops_s is not None and not self._is_too_bright(self._light.codes):
            self._aim(self._unhurried_stops_s)
        if self._dip is not None and self._dip.is_done(time_s, self._light.moving):
            self._take(self._dip.next, time_s)
        if not changed:
            return None
        self._light_changed_s = now_s
        return self._light.codes

    def wake_in(self, now_s: float) -> float | None:
        """Seconds until the next tick is due; None when nothing moves."""
        time_s = self._clock.peek(now_s, self._light.moving)
        if self._dip is not None and not self._light.moving:
            return 0.0
        due = (self._standing.due_in(time_s), self._light.wake_in(time_s))
        return min((wait for wait in due if wait is not None), default=None)

    @property
    def calibration(self) -> Calibration | None:
        """What the light is held by, None without a calibration."""
        return self._calibration

    @property
    def corrected(self) -> dict[str, float]:
        """By how many stops heads that have drifted are asked for more; of the others nothing."""
        return self._balancing.corrected

    def remember(self) -> Remembered:
        """What a restart resumes from."""
        wanted = replace(self._wanted, place=self._subject.place)
        return remember(self._scene, wanted, self._light.codes, self._standing.codes, self.corrected)

    def state(self, now_s: float) -> State:
        """What every door shows. Remedies are those found so far; see `remedy_question`."""
        moment = self._shown()
        light = metered(moment)
        at = self._light_changed_s
        told = DoorView(
            remedies=self._advice.remedies if light.in_the_way else (),
            waits=self._light.waits,
            drivers=drivers_now(self._health.drivers, self._unix_s),
            calibrated_at=self._calibrated_at,
            undo=self._history.last,
            last_order=self._last_order,
            light_changed_at=None if at is None else at + self._unix_s,
            notes=self._notes,
        )
        return state_of(moment, light, told)

    def remedy_question(self) -> RemedyQuestion | None:
        """What to ask `balance.remedies`, answered by `RemediesFound`; None while nothing is to be asked."""
        if self._light.moving:
            return None
        if not metered(self._shown()).in_the_way:
            return self._advice.ask(None)
        believed = corrected_calibration(self._calibration, self.corrected)
        return self._advice.ask(RemedyQuestion(self.rig_wanted, self._subject.place, believed))

    @property
    def acts(self) -> bool:
        """Whether the balance acts on the light."""
        return self._wanted.acts

    @property
    def _when_lost(self) -> str:
        return self._wanted.rig(self._file).balance.when_lost

    def _report(self, order: SubjectReport, now_s: float) -> Obeyed:
        place = place_of(self._file, order, self._subject.why_not)
        time_s = self._clock.read(now_s, self._light.moving)
        self._subject.report(place, time_s)
        if self.acts:
            self._standing.heard(self._is_too_bright(self._light.goal))
        return Obeyed()

    def _take_back(self, now_s: float) -> Obeyed:
        last = self._history.take_back()
        time_s = self._clock.read(now_s, self._light.moving)
        self._wanted = replace(self._wanted, place=self._subject.place)
        if "place" in last.before:
            self._subject.tell(last.before["place"], time_s)
        self._change(replace(self._wanted, **last.before), time_s, last.untrimmed, None)
        self._last_order = LastOrder(do="undo", at=now_s + self._unix_s)
        return Obeyed(note=note_after(self._shown(), f"undone: {last.do}", last.before))

    def _change(self, wanted: Intent, time_s: float, present: Codes, untrimmed: Codes | None) -> None:
        """From now on want this; `untrimmed` codes are taken as they are, else chosen beside the present
        ones."""
        changed = wanted.changed_from(self._wanted).keys()
        self._wanted, self._dip = wanted, None
        if changed & WISH_FIELDS:
            self._wish = wanted.wish(self._file)
            self._balancing.count_on(self._reckoning)
        if self.acts and changed & SOLVE_FIELDS:
            self._standing.take(self._wish, present)
        if untrimmed is not None:
            self._standing.codes = untrimmed
        self._aim_as_ordered(time_s)

    def _pursue(self, time_s: float) -> None:
        """Go after the subject, if the balance acts and the pace says so."""
        if not self.acts:
            self._standing.rest()
        elif self._standing.pursue(self._wish, time_s, self._is_too_bright(self._codes_for(self._wanted))):
            follows = time_s >= self._ordered_until_s
            self._aim(self._file.hold.follow_speed_stops_s if follows else self._order_speed)

    @property
    def _order_speed(self) -> float:
        return self._file.hold.order_speed

    def _aim_as_ordered(self, time_s: float) -> None:
        """Fade at the speed of orders; what is followed meanwhile keeps to that speed."""
        self._aim(self._order_speed)
        self._ordered_until_s = time_s + self._light.left_s

    def _aim(self, speed_stops_s: float) -> None:
        goal = self._codes_for(self._wanted)
        if self._dip is not None:
            goal, speed_stops_s = self._dip.over(goal), min(speed_stops_s, SPEED_STOPS_S)
        hurries = speed_stops_s < TOO_BRIGHT_STOPS_S and self._is_too_bright(self._light.codes)
        self._unhurried_stops_s = speed_stops_s if hurries else None
        self._light.aim(goal, TOO_BRIGHT_STOPS_S if hurries else speed_stops_s)

    def _is_too_bright(self, codes: Codes) -> bool:
        """Whether the balance acts, and codes are more than the subject's face may get."""
        return self.acts and self._balancing.is_too_bright(self._subject.place, self._wish, codes)

    def _identify(self, order: Identify, now_s: float) -> Obeyed:
        dip, note = dip_of(self._moment(replace(self._wanted, place=self._subject.place)), order)
        self._take(dip, self._clock.read(now_s, self._light.moving))
        self._last_order = LastOrder(do=phrase_of(order), at=now_s + self._unix_s)
        return Obeyed(note=note)

    def _take(self, dip: Dip | None, time_s: float) -> None:
        """Begin a step of a dip; None ends it."""
        self._dip = dip
        if dip is not None:
            self._aim_as_ordered(time_s)
            self._dip = replace(dip, until_s=self._ordered_until_s)

    @property
    def _present(self) -> Codes:
        """The codes of the light now, as if no head dipped to show itself."""
        codes, dip = self._light.steady_codes, self._dip
        return codes if dip is None else with_code(codes, dip.head, self._codes_for(self._wanted)[dip.head])

    def _codes_for(self, wanted: Intent) -> Codes:
        return wanted_codes(self._balancing, wanted, self._wish, self._standing.codes, self._standing.place)

    def _moment(self, wanted: Intent) -> Moment:
        return Moment(
            scene=self._scene,
            wanted=wanted,
            working=self._health.working,
            untrimmed=self._standing.codes,
            beneath=self._codes_for(replace(wanted, alone=None)),
            present=self._present,
            levels_now=self._levels_now,
            measured_now=lambda wish: self._balancing.measure(
                self._subject.place, wish, self._health.known(self._present), self._health.working
            ),
            why_not_at=self._subject.why_not,
        )

    def _levels_now(self) -> KeptLevels:
        """What freeze or dark keeps aside: the balance's own levels, or those of the middle of a fade."""
        if self._light.moving and self._wanted.alone is None:
            return KeptLevels(self._present, self._wanted.trims, self._standing.codes, self._subject.place)
        return KeptLevels(self._standing.codes, {}, self._standing.codes, self._standing.place)

    def _shown(self) -> ShownLight:
        return ShownLight(
            balancing=self._balancing,
            wanted=self._wanted,
            wish=self._wish,
            standing=self._standing,
            subject=self._subject,
            health=self._health.heads,
            unix_s=self._unix_s,
            identifying=None if self._dip is None else self._scene.names[self._dip.head],
            codes=self._light.codes,
            goal=self._light.goal,
            lasting=self._light.goal if self._dip is None else self._codes_for(self._wanted),
        )
