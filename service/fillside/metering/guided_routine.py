"""One guided routine at a time: its place is kept, its heads are shown, its readings are weighed."""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Mapping, Sequence

from pydantic import ValidationError

from fillside.background.worker_process import WorkerError
from fillside.balance.judgement.deviations import stops_words
from fillside.belief.evidence import OWN_HEAD, Reading, TapeMeasure
from fillside.metering.calibrations import Calibrator, StoredFit
from fillside.metering.drift import Drift
from fillside.metering.metered_studio import MeteredStudio
from fillside.metering.readings import keep, says_of_light, strike, sure_words, taken_words
from fillside.metering.routine import routine as acts
from fillside.metering.routine.checks import CheckReading, check_result, taped_result
from fillside.metering.routine.prompts import SAME_PLACE_M, nearer_words
from fillside.metering.routine.routine import Kind, Routine
from fillside.metering.routine.steps import (
    Asks,
    Step,
    StudioKnowledge,
    check_to_take,
    items_of,
    may_read,
    reading_to_take,
    step_of,
    to_come,
)
from fillside.orders.answers import Refusal
from fillside.orders.light import All, Show
from fillside.orders.metering import Act
from fillside.rig.tables.model import Rig
from fillside.storage.records import metering as kept
from fillside.storage.rows import LINEUP_TAPE
from fillside.storage.store import Store

log = logging.getLogger(__name__)


class GuidedRoutine:
    """`step` is what is asked now, None when no routine is under way.

    Whoever calls sees to it that one call is over before the next.
    """

    def __init__(self, store: Store, studio: MeteredStudio, calibrator: Calibrator, drift: Drift) -> None:
        self._store, self._studio, self._calibrator = store, studio, calibrator
        self._drift = drift
        self._routine: Routine | None = None
        self._latest: StoredFit | None = None
        self._check: CheckReading | None = None
        self._shown: dict[str, float] | None = None
        self._knows: StudioKnowledge | None = None
        self.step: Step | None = None

    async def open(self) -> None:
        """Take up a routine that was under way when the last run ended; it waits to be resumed."""
        if self._routine is not None:
            return
        self._routine = _stored(await asyncio.to_thread(kept.load_routine, self._store))
        try:
            await self._look()
        except Exception as error:  # whatever it stumbles over, it is kept data that does not fit
            log.warning("a routine that was under way does not fit this rig any more: %r", error)
            self._routine = self.step = None
        if self._routine is not None and self._studio.now().only_some_heads:
            await self._studio.order(All(do="all"))

    @property
    def asked(self) -> Asks | None:
        """The reading that is asked for; None when a reading is not the routine's."""
        return None if self.step is None or self.step.left else self.step.asks

    def asks_tape(self, head: str | None) -> bool:
        """True if a tape measure of that head, or of any for None, is asked for."""
        asked = self.asked
        return asked is not None and asked.unit == "m" and head in (None, asked.head)

    @property
    def readings(self) -> tuple[int, ...]:
        """The numbers of the readings of a routine that is under way, but for those of a round: each of them
        counts at once."""
        routine = self._routine
        return () if routine is None or routine.kind == "round" else routine.readings

    async def act(self, kind: Kind, act: Act, item: str | None, now: float) -> str:
        """Go on in a routine; KeyError (with what would be right) for an unknown item."""
        if act == "start":
            return await self._start(kind, now)
        routine = self._routine
        if routine is None or routine.kind != kind:
            raise Refusal("not_now", f"no {kind} routine is under way; start one")
        routine.may(act)
        if act == "tick":
            await self._tick(routine, item)
            return "ticked"
        await self._moved(routine, act)
        await self._go_on()
        return "" if self.step is None else self.step.title

    async def _start(self, kind: Kind, now: float) -> str:
        if self._routine is not None:
            self._routine.may_start_over()
        self._latest = None
        self._go_to(acts.start(kind, now))
        await self._calibrator.begin()
        await self._go_on()
        return "begun" if kind == "round" else "begun; tick the cautions first"

    async def _tick(self, routine: Routine, item: str | None) -> None:
        items = tuple(items_of(routine, self._rig))
        try:
            self._go_to(acts.ticked(routine, item or "", items))
        except KeyError:
            raise KeyError(f"what can be ticked: {', '.join(items)}") from None
        await self._look()

    async def _moved(self, routine: Routine, act: Act) -> None:
        if act == "go":
            if routine.stage == "read" and (self.asked is None or self.asked.head):
                raise Refusal("not_now", '"go" does not fit here; the light is ready for the reading')
            self._go_to(acts.go(routine, tuple(items_of(routine, self._rig))))
        elif act == "leave":
            self._go_to(routine.model_copy(update={"left": True, "dark": False}))
        elif act == "resume":
            self._go_to(routine.model_copy(update={"left": False}))
        elif act == "repeat":
            await self._repeat(routine)
        elif act == "more":
            self._go_to(acts.more(routine))
        elif act == "finish":
            self._go_to(routine.next_stage())
        else:
            self._go_to(await self._passed_over(routine))

    async def _repeat(self, routine: Routine) -> None:
        back, number = acts.without_last(routine)
        if number is not None:
            await strike(self._store, number, "taken again")
        self._go_to(back)
        if number is not None and routine.kind == "round":
            await self._weigh_round(())
        elif number is not None:
            await self._weigh()

    async def _passed_over(self, routine: Routine) -> Routine:
        if routine.stage == "warm":
            return routine.next_stage()
        if routine.stage == "read":
            asked = reading_to_take(routine, self._known())
            after = acts.passed_over(routine, "" if asked is None else asked.head or "")
            self._go_to(after)
            if routine.kind != "round":
                await self._weigh()
            return after
        return routine if self._check is None else acts.passed_over(routine, self._check.name)

    async def ready(self) -> None:
        """Raise Refusal unless the light is what the reading asked for wants, and rests."""
        step, now = self.step, self._studio.now()
        assert step is not None, "a reading is asked for"
        if step.waits_for_dark:
            raise Refusal("not_now", "the lamps are still on: go on into the dark first")
        if not now.settled:
            raise Refusal("not_now", "the light is still moving; read once it rests")
        if not now.is_as_asked(step.lit, self._rig):
            self._shown = None
            await self._show()
            raise Refusal(
                "not_now", "the light is not as this reading wants it; it goes there now, if it can"
            )

    async def take(self, reading: Reading | TapeMeasure, now: float, who: str) -> str:
        """Take in the reading or tape measure that is asked for, at a Unix time [s]; returns the note on
        it."""
        routine = self._routine
        assert routine is not None, "a reading is asked for"
        if isinstance(reading, TapeMeasure):
            note = await self._checked(routine, reading, who)
        elif routine.stage == "read":
            note = await self._read(routine, reading, who)
        elif routine.stage == "warm":
            note = await self._warmed(routine, reading, now, who)
        else:
            note = await self._checked(routine, reading, who)
            if routine.kind == "lineup":
                await self._drift.lined_up(reading, now)
        await self._go_on()
        return note

    async def _read(self, routine: Routine, reading: Reading, who: str) -> str:
        if routine.kind == "round":
            return await self._read_round(routine, reading, who)
        number = await keep(self._store, reading, "calibrate", who)
        self._go_to(acts.took(routine, number))
        trouble = await self._weigh()
        remark = None if self._latest is None else self._latest.remark
        if trouble:
            return f"reading {number} taken; {trouble}"
        return taken_words(number, remark)

    async def _read_round(self, routine: Routine, reading: Reading, who: str) -> str:
        """Take in a reading of a round, which counts at once with all that is known already."""
        await self._calibrator.take_in()
        number = await keep(self._store, reading, "calibrate", who)
        self._go_to(acts.took(routine, number, reading.heads[0]))
        try:
            fitted = await self._weigh_round([number])
        except WorkerError as error:
            log.error("the readings cannot be weighed: %s", error)
            return f"reading {number} taken; it is kept, but could not be weighed"
        return f"{taken_words(number, fitted.remark)}{sure_words(fitted.calibration)}"

    async def _weigh_round(self, newest: Sequence[int]) -> StoredFit:
        fitted = await self._calibrator.fit(self._rig, await self._calibrator.numbers_with(newest))
        if says_of_light(fitted.calibration):
            await self._calibrator.adopt(self._rig, fitted.calibration, fitted.numbers)
        else:
            await self._calibrator.go_back(self._rig, None)
        return fitted

    async def _warmed(self, routine: Routine, reading: Reading, now: float, who: str) -> str:
        after, note = acts.warm_up(routine, self._lux(reading), now)
        await keep(self._store, reading, "warm-up", who)
        self._go_to(after)
        return note

    async def _checked(self, routine: Routine, seen: Reading | TapeMeasure, who: str) -> str:
        check = self._check
        assert check is not None, "a step that asks has a check"
        if isinstance(seen, TapeMeasure):
            if math.dist(seen.at, check.at) > SAME_PLACE_M:
                raise Refusal("not_now", "that is a tape from another place than this check wants")
            await keep(self._store, seen, LINEUP_TAPE, who)
            self._go_to(acts.took_check(routine, taped_result(check, seen.distance_m)))
            return nearer_words(seen.distance_m - (check.expected_m or 0.0))
        if check.what == "tape":
            # Whoever has no tape reads the meter once more.
            routine = acts.passed_over(routine, check.name)
            check = check.model_copy(update={"what": "again", "expected_m": None})
        if not _as_wanted(seen, check):
            raise Refusal("not_now", "that is another place, receptor or direction than this check wants")
        number = await keep(self._store, seen, "verify" if routine.kind == "calibrate" else "lineup", who)
        one = check_result(check, self._lux(seen))
        self._go_to(acts.took_check(routine, one, number))
        way = "over" if one.off_stops > 0 else "under"
        difference = f"{stops_words(abs(one.off_stops))} {way} what was expected"
        return difference if one.good else f"{difference}: that is off"

    def _lux(self, reading: Reading) -> float:
        return reading.lux(self._rig.meter.constant_of(reading.receptor))

    async def struck(self, number: int) -> bool:
        """Drop a reading that was struck; returns true if it was of a routine that is still under way."""
        routine = self._routine
        if routine is None or routine.stage == "done" or number not in routine.readings:
            return False
        self._go_to(acts.without(routine, number))
        await (self._weigh_round(()) if routine.kind == "round" else self._weigh())
        await self._go_on()
        return True

    async def told(self) -> None:
        """Weigh the readings of this routine anew with news of a head."""
        routine = self._routine
        if routine is None or not routine.readings or routine.stage == "done":
            return
        if routine.kind != "round":
            await self._weigh()
        await self._go_on()

    async def _weigh(self) -> str:
        """Fit this routine's readings; returns the trouble in words, if any."""
        routine = self._routine
        assert routine is not None, "a routine is under way"
        only = may_read(routine, self._rig) if routine.passed_over else None
        try:
            numbers = (*routine.readings, *routine.verified)
            self._latest = await self._calibrator.fit(self._rig, numbers, only)
        except WorkerError as error:
            log.error("the readings cannot be weighed: %s", error)
            return "it is kept, but could not be weighed"
        return ""

    async def _go_on(self) -> None:
        """Enter the next stage where one has all it wants, and show its heads."""
        routine = self._routine
        assert routine is not None, "a routine is under way"
        if not routine.left:
            if routine.kind == "calibrate" and self._latest is None and routine.stage in ("read", "verify"):
                await self._weigh()
            if routine.stage == "read" and self._latest is not None:
                self._go_to(routine := acts.announced(routine, to_come(routine, self._known())))
            if routine.stage == "read" and reading_to_take(routine, self._known()) is None:
                self._go_to(routine := routine.next_stage())
            if routine.stage == "verify":
                await self._verifying(routine)
        await self._look()
        await self._show()

    async def _verifying(self, routine: Routine) -> None:
        """Use the new calibration from here on, and end the routine once all is checked."""
        used = self._calibrator.used
        if routine.kind == "calibrate" and not routine.checked:
            await self._adopt_unless(() if used is None else used.readings)
        known = self._known()
        if await asyncio.to_thread(lambda: check_to_take(routine, known.held)) is not None:
            return
        if routine.verified:
            await self._weigh()
            await self._adopt_unless(())
        self._go_to(routine.next_stage())

    async def _adopt_unless(self, used: Sequence[int]) -> None:
        """Use the latest fit, if it rests on readings and on other ones than those in use."""
        latest = self._latest
        if latest is not None and latest.numbers and latest.numbers != tuple(used):
            await self._calibrator.adopt(self._rig, latest.calibration, latest.numbers)

    async def _show(self) -> None:
        """Put on the heads that the step wants, if that is a change."""
        lit = None if self.step is None or self.step.left else self.step.lit
        if lit == self._shown:
            return
        self._shown = lit
        dimmable = {head.name for head in self._rig.heads if not head.dimming.fixed}
        shown = {name: level for name, level in (lit or {}).items() if name in dimmable}
        try:
            await self._studio.order(All(do="all") if lit is None else Show(do="show", heads=shown))
        except Refusal as refusal:
            log.warning("a step of the routine cannot be shown: %s", refusal)
            if self.step is not None:
                says = (f"This light cannot be had: {refusal}.", *self.step.says)
                self.step = self.step.model_copy(update={"says": says})

    def _go_to(self, routine: Routine) -> None:
        """Move the routine on; that is stored before anything that is handed in later."""
        self._routine = routine
        kept.save_routine(self._store, routine.model_dump(mode="json"))

    async def _look(self) -> None:
        """Work out what is asked, on a thread: some milliseconds that the light need not wait."""
        routine = self._routine
        if routine is None:
            self.step = self._check = None
            return
        known = self._known()
        self.step = await asyncio.to_thread(step_of, routine, known)
        verifies = routine.stage == "verify"
        self._check = await asyncio.to_thread(check_to_take, routine, known.held) if verifies else None

    @property
    def _rig(self) -> Rig:
        return self._studio.rig

    def _known(self) -> StudioKnowledge:
        """The basis of the next step: the same object while nothing changed, since it keeps results."""
        latest = None if self._latest is None else self._latest.calibration
        taken: Mapping[str, int] = {} if self._latest is None else self._latest.taken
        rig, used = self._rig, self._calibrator.calibration
        known = self._knows
        if known is None or known.latest is not latest or known.used is not used or known.rig != rig:
            known = self._knows = StudioKnowledge(rig, latest, used, taken)
        return known


def _stored(body: Mapping[str, object] | None) -> Routine | None:
    """A kept routine, to be resumed; None for one that is done or that this Fillside cannot read."""
    if body is None or body.get("stage") == "done":
        return None
    try:
        return Routine.model_validate({**body, "left": True, "dark": False})
    except ValidationError as error:
        log.warning("a routine that was under way cannot be read: %s", error)
        return None


def _as_wanted(reading: Reading, check: CheckReading) -> bool:
    faced = check.head if reading.facing == OWN_HEAD and check.head in reading.heads else reading.facing
    there = math.dist(reading.at, check.at) <= SAME_PLACE_M
    return there and faced == check.facing and reading.receptor == check.receptor
