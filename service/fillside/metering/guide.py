"""One guided routine at a time: its place is kept, its heads are shown, its readings are weighed."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from fillside.answers import Refusal
from fillside.calibration import routine as acts
from fillside.calibration.checks import Held, checked
from fillside.calibration.readings import Reading
from fillside.calibration.routine import Act, Kind, NotNowError, Routine
from fillside.calibration.steps import (
    Asks,
    Known,
    Step,
    check_to_take,
    items_of,
    reading_to_take,
    step_of,
)
from fillside.metering.weighing import Weighing
from fillside.rig.calibrated import Calibration
from fillside.rig.model import Rig
from fillside.storage import metering as kept
from fillside.storage.store import Store

log = logging.getLogger(__name__)


class Guide:
    """`step` is what is asked now, None when no routine is under way."""

    def __init__(
        self, rig: Rig, store: Store, light: Callable[[dict[str, Any]], Awaitable[Any]], weighing: Weighing
    ) -> None:
        self.rig = rig
        self._store, self._light, self._weighing = store, light, weighing
        stored = kept.kept_routine(store)
        self._routine = None if stored is None else Routine.model_validate({**stored, "left": True})
        self._latest: Calibration | None = None
        self._taken: dict[str, int] = {}
        self._shown: dict[str, float] | None = None
        self.step: Step | None = None
        self._look()

    @property
    def asked(self) -> Asks | None:
        """The reading that is asked for; None when a reading is not the routine's."""
        return None if self.step is None or self.step.left else self.step.asks

    async def act(self, kind: Kind, act: Act, item: str | None, now: float) -> str:
        """Go on in a routine; KeyError (with what would be right) for an unknown item."""
        if act == "start":
            self._latest, self._taken = None, {}
            self._go_to(acts.start(kind, now))
            await self._show()
            return "begun; tick the cautions first"
        routine = self._routine
        if routine is None or routine.kind != kind:
            raise NotNowError(f"no {kind} routine is under way; start one")
        routine.may(act)
        if act == "tick":
            self._tick(routine, item)
            return "ticked"
        await self._moved(routine, act)
        await self._go_on()
        return "" if self.step is None else self.step.title

    def _tick(self, routine: Routine, item: str | None) -> None:
        items = tuple(items_of(routine, self.rig))
        try:
            self._go_to(acts.ticked(routine, item or "", items))
        except KeyError:
            raise KeyError(f"what can be ticked: {', '.join(items)}") from None

    async def _moved(self, routine: Routine, act: Act) -> None:
        if act == "go":
            self._go_to(acts.go(routine, tuple(items_of(routine, self.rig))))
        elif act in ("leave", "resume"):
            await self._leave_or_resume(routine, act == "leave")
        elif act == "repeat":
            back, number = acts.without_last(routine)
            if number is not None:
                await asyncio.wrap_future(kept.strike_reading(self._store, number, "taken again"))
                await self._weigh(back.readings)
            self._go_to(back)
        elif act == "finish":
            self._go_to(routine.model_copy(update={"left": False}).next_stage())
        else:
            self._go_to(self._passed_over(routine))

    async def _leave_or_resume(self, routine: Routine, leave: bool) -> None:
        if not leave and routine.kind == "calibrate" and self._latest is None:
            await self._weigh(routine.readings)
        self._go_to(routine.model_copy(update={"left": leave}))

    def _passed_over(self, routine: Routine) -> Routine:
        if routine.stage == "warm":
            return routine.next_stage()
        if routine.stage == "read":
            asked = reading_to_take(routine, self._known())
            name = "" if asked is None else str(asked["head"] or "")
        else:
            check = check_to_take(routine, self._held())
            name = "" if check is None else f"{check.what} {check.head or ''}".strip()
        return routine.model_copy(update={"passed_over": (*routine.passed_over, name)})

    async def take(self, reading: Reading, now: float, who: str) -> str:
        """Take in the reading that is asked for, at a Unix time [s]; what to say of it."""
        routine = self._routine
        assert routine is not None, "a reading is asked for"
        lux = reading.lux(self.rig.meter.constant_of(reading.receptor))
        note = await self._taken_in(routine, reading, lux, now, who)
        await self._go_on()
        return note

    async def _taken_in(self, routine: Routine, reading: Reading, lux: float, now: float, who: str) -> str:
        if routine.stage == "warm":
            after, note = acts.warm_up(routine, lux, now)
            await self._keep(reading, "warm-up", who)
            self._go_to(after)
            return note
        if routine.stage == "verify":
            check = check_to_take(routine, self._held())
            assert check is not None, "a step that asks has a check"
            await self._keep(reading, "verify" if routine.kind == "calibrate" else "lineup", who)
            one = checked(check, lux)
            self._go_to(acts.took_check(routine, one))
            return f"{one.off_stops:+.2f} stop from expected" + ("" if one.good else "; that is off")
        number = await self._keep(reading, "calibrate", who)
        routine = acts.took(routine, number)
        self._go_to(routine)
        await self._weigh(routine.readings)
        return f"reading {number} taken{self._doubt()}"

    async def _keep(self, reading: Reading, purpose: str, who: str) -> int:
        body = reading.model_dump(mode="json", exclude_none=True)
        return await asyncio.wrap_future(kept.keep_reading(self._store, who, purpose, body))

    def _doubt(self) -> str:
        """What the fit thinks of the newest reading, if it doubts it."""
        heads = {} if self._latest is None else self._latest.heads
        entries = [entry for head in heads.values() for entry in head.readings]
        newest = max(entries, key=lambda entry: int(entry.get("number", 0)), default={})
        why = newest.get("why")
        return f", but it is {why}" if why else ""

    async def struck(self, number: int) -> bool:
        """A reading was struck; whether it was this routine's."""
        routine = self._routine
        if routine is None or number not in routine.readings:
            return False
        left = tuple(own for own in routine.readings if own != number)
        self._go_to(routine.model_copy(update={"readings": left}))
        await self._weigh(left)
        await self._go_on()
        return True

    async def _weigh(self, numbers: Sequence[int]) -> None:
        self._latest, counted = await self._weighing.fit(self.rig, numbers)
        self._taken = {}
        for entry in await asyncio.to_thread(kept.readings_of, self._store, counted):
            for name in entry.body.get("heads", ()):
                self._taken[name] = self._taken.get(name, 0) + 1

    async def _go_on(self) -> None:
        """Enter what comes next where a stage has all it wants, and show its heads."""
        routine = self._routine
        assert routine is not None, "a routine is under way"
        if not routine.left:
            if routine.stage == "read" and self._latest is None:
                await self._weigh(routine.readings)
            if routine.stage == "read" and reading_to_take(routine, self._known()) is None:
                routine = routine.next_stage()
                self._go_to(routine)
            if routine.stage == "verify":
                await self._verifying(routine)
        self._look()
        await self._show()

    async def _verifying(self, routine: Routine) -> None:
        """The new calibration is used from here on, and the routine is done when all is checked."""
        if (
            routine.kind == "calibrate"
            and routine.readings
            and self._latest is not None
            and not routine.checked
        ):
            await self._weighing.adopt(self.rig, self._latest, routine.readings)
        if check_to_take(routine, self._held()) is None:
            self._go_to(routine.next_stage())

    async def _show(self) -> None:
        """Have the heads on that the step wants, if that is a change."""
        lit = None if self.step is None or self.step.left else self.step.lit
        if lit == self._shown:
            return
        self._shown = lit
        dimmable = {head.name for head in self.rig.heads if not head.dimming.fixed}
        shown = {name: level for name, level in (lit or {}).items() if name in dimmable}
        try:
            await self._light({"do": "all"} if lit is None else {"do": "show", "heads": shown})
        except Refusal as refusal:
            log.warning("a step of the routine cannot be shown: %s", refusal)

    def _go_to(self, routine: Routine) -> None:
        self._routine = None if routine.stage == "done" and routine.left else routine
        kept.keep_routine(
            self._store, None if self._routine is None else self._routine.model_dump(mode="json")
        )
        self._look()

    def _look(self) -> None:
        """Work out what is asked; between two stages, while it is being weighed, nothing is."""
        routine = self._routine
        if routine is None:
            self.step = None
            return
        known = self._known()
        if routine.stage == "read" and reading_to_take(routine, known) is None:
            return
        if routine.stage == "verify" and check_to_take(routine, self._held()) is None:
            return
        self.step = step_of(routine, known)

    def _known(self) -> Known:
        return Known(self.rig, self._latest, self._weighing.calibration, self._taken)

    def _held(self) -> Held:
        return Held(self.rig, self._known().best, self.rig.start)
