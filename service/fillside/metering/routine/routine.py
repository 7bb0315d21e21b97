"""The guided routines as state machines: calibrating a rig, and lining it up before a shoot.

Theory. A routine goes through stages in order; each stage asks for ticks or for readings and ends when it has
them, or when the person goes on without:

    calibrate   prepare -> warm -> read -> verify -> done
    lineup      prepare -> verify -> done
    round       read -> done

`prepare` wants every caution ticked, the camera on manual among them. `warm` wants two readings two minutes
apart that agree. `read` takes what is asked until the light is known well enough; the light of the room alone
is asked for by `go`, since the studio goes dark for it. How many readings that takes is said when the stage
begins, and it ends there at the latest, with what is known by then; `more` goes on from there, two readings
at a time. In a round each head is read once. `verify` holds wanted against metered. A routine that is left
keeps its place; nothing here knows a clock, a light or a meter.
"""

from __future__ import annotations

import math
from typing import Literal

from pydantic import BaseModel, ConfigDict

from fillside.metering.routine.checks import CheckResult
from fillside.metering.routine.warmth import WARM_AFTER_S, is_warm
from fillside.orders.answers import Refusal
from fillside.orders.metering import Act

Kind = Literal["calibrate", "lineup", "round"]
Stage = Literal["prepare", "warm", "read", "verify", "done"]

STAGES: dict[Kind, tuple[Stage, ...]] = {
    "calibrate": ("prepare", "warm", "read", "verify", "done"),
    "lineup": ("prepare", "verify", "done"),
    "round": ("read", "done"),
}
ACTS: dict[Stage, tuple[Act, ...]] = {
    "prepare": ("tick", "go", "leave"),
    "warm": ("skip", "repeat", "leave"),
    "read": ("go", "skip", "repeat", "finish", "leave"),
    "verify": ("skip", "repeat", "finish", "more", "leave"),
    "done": ("start", "more"),
}
"""What may be done in each stage, beside handing in the reading that is asked for; `more` where readings are
of a calibration."""
MORE = 2
"""Readings that `more` asks for."""


class WarmReading(BaseModel):
    """A reading of the whole light while lamps warm up; `at` is Unix time [s]."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    at: float
    lux: float


class Routine(BaseModel):
    """The place that a routine has reached.

    `readings` are the numbers of the readings taken for the calibration, in a round of the heads `read`;
    `verified` those of its checks. `dark`: the studio was asked to be dark for the next one. The stage that
    reads ends with `ends_at` readings, as was said when it began; if `asked_for_more`, not before.
    """

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    kind: Kind
    began: float
    stage: Stage = "prepare"
    ticked: tuple[str, ...] = ()
    warm: tuple[WarmReading, ...] = ()
    readings: tuple[int, ...] = ()
    read: tuple[str, ...] = ()
    checked: tuple[CheckResult, ...] = ()
    verified: tuple[int, ...] = ()
    passed_over: tuple[str, ...] = ()
    dark: bool = False
    left: bool = False
    ends_at: int | None = None
    asked_for_more: bool = False

    def next_stage(self) -> Routine:
        """The same routine at its next stage."""
        stages = STAGES[self.kind]
        return self.model_copy(
            update={"stage": stages[stages.index(self.stage) + 1], "dark": False, "left": False}
        )

    @property
    def acts(self) -> tuple[Act, ...]:
        """The acts that this stage allows."""
        return tuple(act for act in ACTS[self.stage] if act != "more" or self.kind == "calibrate")

    @property
    def has_all_it_said(self) -> bool:
        """True once as many readings were taken as was said when the stage began."""
        return self.ends_at is not None and len(self.readings) >= self.ends_at

    def may(self, act: Act) -> None:
        """Raise Refusal unless the act fits the stage."""
        if act == "resume":
            if not self.left:
                raise Refusal("not_now", "the routine is under way already")
            return
        if self.left and act != "finish":
            raise Refusal("not_now", "the routine is left; resume it first")
        if act not in self.acts:
            fits = ", ".join((*self.acts, *(("resume",) if self.left else ())))
            raise Refusal("not_now", f'"{act}" does not fit here; what does: {fits}')

    def may_start_over(self) -> None:
        """Raise Refusal where starting anew would lose readings."""
        if self.kind == "calibrate" and self.readings and self.stage != "done":
            count = len(self.readings)
            so_far = "1 reading" if count == 1 else f"{count} readings"
            raise Refusal(
                "not_now", f"a calibration with {so_far} is under way; resume it, or finish it first"
            )


def start(kind: Kind, now: float) -> Routine:
    """A routine that begins at a Unix time [s]."""
    return Routine(kind=kind, began=now, stage=STAGES[kind][0])


def ticked(routine: Routine, item: str, known: tuple[str, ...]) -> Routine:
    """Tick one caution; KeyError for one that is not asked."""
    if item not in known:
        raise KeyError(item)
    return routine.model_copy(update={"ticked": tuple(dict.fromkeys((*routine.ticked, item)))})


def go(routine: Routine, known: tuple[str, ...]) -> Routine:
    """Go on from the cautions, once all are ticked; in the stage that reads, into the dark."""
    if routine.stage == "read":
        return routine.model_copy(update={"dark": True})
    missing = [item for item in known if item not in routine.ticked]
    if missing:
        raise Refusal("not_now", f"not ticked yet: {', '.join(missing)}")
    return routine.next_stage()


def warm_up(routine: Routine, lux: float, now: float) -> tuple[Routine, str]:
    """A warm-up reading taken [lux] at a Unix time [s]; the routine after it, and what that means.

    Warm is what changes by at most 0.05 stop in two minutes, whatever the lamp (common practice, no source).
    """
    if lux <= 0:
        raise Refusal("not_now", "no light was read; the lamps are to be on for this")
    last = routine.warm[-1] if routine.warm else None
    taken = routine.model_copy(update={"warm": (*routine.warm, WarmReading(at=now, lux=lux))})
    if last is None:
        return taken, "Noted. The same reading again in two minutes."
    wait_s = last.at + WARM_AFTER_S - now
    if wait_s > 0:
        raise Refusal("not_now", f"the second reading wants two minutes between; {wait_s:.0f} s are left")
    drift = math.log2(lux / last.lux)
    if is_warm(last.lux, lux, now - last.at):
        return taken.next_stage(), f"Warm: {drift:+.2f} stop in two minutes."
    return taken, f"Not warm yet: {drift:+.2f} stop in two minutes. Once more in two minutes."


def took(routine: Routine, number: int, head: str = "") -> Routine:
    """Take a calibration reading, kept under this number; in a round, that of a head."""
    read = (*routine.read, head) if routine.kind == "round" else ()
    return routine.model_copy(update={"readings": (*routine.readings, number), "read": read, "dark": False})


def without(routine: Routine, number: int) -> Routine:
    """The routine without a reading, by its number."""
    place = routine.readings.index(number)
    left, read = list(routine.readings), list(routine.read)
    del left[place], read[place : place + 1]
    return routine.model_copy(update={"readings": tuple(left), "read": tuple(read)})


def announced(routine: Routine, to_come: int) -> Routine:
    """The routine with the number of readings that it takes at most, unless that was said before."""
    if routine.ends_at is not None:
        return routine
    return routine.model_copy(update={"ends_at": len(routine.readings) + to_come})


def more(routine: Routine) -> Routine:
    """Go back for two more readings; the checks are made again by what those say."""
    ends_at = len(routine.readings) + MORE
    # Checks are named by two words, or "exposure"; heads by one, and the room's own light by none.
    passed_over = tuple(what for what in routine.passed_over if " " not in what and what != "exposure")
    update = {"stage": "read", "ends_at": ends_at, "asked_for_more": True, "checked": ()}
    return routine.model_copy(update={**update, "passed_over": passed_over})


def passed_over(routine: Routine, what: str) -> Routine:
    """Leave out what is asked for: a head by its name, the room's own light by no name, or a check."""
    return routine.model_copy(update={"passed_over": (*routine.passed_over, what), "dark": False})


def took_check(routine: Routine, one: CheckResult, number: int | None = None) -> Routine:
    """Take a verification reading; with its number it counts for a calibration too."""
    counted = (*routine.verified, number) if routine.kind == "calibrate" and number else routine.verified
    return routine.model_copy(update={"checked": (*routine.checked, one), "verified": counted})


def without_last(routine: Routine) -> tuple[Routine, int | None]:
    """The routine without its last reading, to take it again; the number of the one to strike, if kept."""
    if routine.stage == "warm" and routine.warm:
        return routine.model_copy(update={"warm": routine.warm[:-1]}), None
    if routine.stage == "read" and routine.readings:
        return without(routine, routine.readings[-1]), routine.readings[-1]
    if routine.stage == "verify" and routine.checked:
        last = routine.verified[-1] if routine.verified else None
        left = {"checked": routine.checked[:-1], "verified": routine.verified[:-1]}
        return routine.model_copy(update=left), last
    raise Refusal("not_now", "there is no reading to take again")
