"""The steps of the guided routines: what each asks for, in words and as data."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from pydantic import BaseModel, ConfigDict

from fillside.belief.observations import exposure_facing
from fillside.belief.result.charts import LearnedCurve, learned_curve
from fillside.belief.result.expanded_uncertainty import around, expanded
from fillside.metering.routine.check_verdict import NO_CALIBRATION, CheckVerdict, verdict
from fillside.metering.routine.checks import CheckReading, ExpectedBalance
from fillside.metering.routine.prompts import (
    alone_words,
    dark_words,
    flag_words,
    flagged,
    half_way_words,
    known_words,
    lit_words,
    measuring_words,
    must_stay_on,
    names_of,
    place_words,
    receptor_words,
)
from fillside.metering.routine.routine import Kind, Routine, Stage
from fillside.metering.routine.warmth import WARM_AFTER_S
from fillside.orders.metering import Act
from fillside.rig.calibration import Calibration, SuggestedReading
from fillside.rig.checks.cautions import camera_advice, cautions_of
from fillside.rig.tables.model import Point, Rig


class Tick(BaseModel):
    """A caution to be ticked before light is metered."""

    model_config = ConfigDict(frozen=True)

    item: str
    says: str
    ticked: bool


class Asks(BaseModel):
    """The reading that is asked for; `head` is empty with all heads out, `level` has one number a head.

    With the unit m it is a tape measure from `at` to the middle of the head's lit face."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    head: str
    level: str
    at: Point
    receptor: Literal["flat", "dome"]
    facing: str
    expected_lux: float | None
    sigma_stops: float | None
    unit: Literal["lux", "m"] = "lux"
    expected_m: float | None = None


class Step(BaseModel):
    """The place of a routine, its question, and the acts that it allows.

    `of` counts all readings or checks, done and to come; in the stage that reads it never rises above what
    was said when that began. `lit` are the levels of the heads to be on meanwhile (None: the light as it is
    held), `flag` the heads that burn all the same and are kept from the meter by hand. Before the Unix time
    `wait_until` [s] no reading is taken. `curve` is the dimming of the head in question as known so far.
    """

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    routine: Kind
    stage: Stage
    number: int
    of: int
    title: str
    says: tuple[str, ...]
    ticks: tuple[Tick, ...] = ()
    asks: Asks | None = None
    lit: dict[str, float] | None = None
    flag: tuple[str, ...] = ()
    wait_until: float | None = None
    may: tuple[Act, ...] = ()
    left: bool = False
    ratio_sigma_stops: float | None = None
    exposure_sigma_stops: float | None = None
    face_sigma_stops: float | None = None
    curve: LearnedCurve | None = None
    verdict: CheckVerdict | None = None

    @property
    def waits_for_dark(self) -> bool:
        """True while the lamps are still on before a reading of the room's own light."""
        return self.stage == "read" and "go" in self.may


@dataclass(frozen=True)
class StudioKnowledge:
    """The basis of a step: the rig, the latest fit of this routine, and the calibration in use.

    `taken` counts this routine's readings by head.
    """

    rig: Rig
    latest: Calibration | None = None
    used: Calibration | None = None
    taken: Mapping[str, int] = field(default_factory=dict)

    @property
    def best(self) -> Calibration | None:
        """The latest fit once it rests on readings of a head; before that, the calibration in use."""
        if self.latest is None or (not self.taken and self.used is not None):
            return self.used
        return self.latest

    @cached_property
    def held(self) -> ExpectedBalance:
        """The balance as the best calibration holds it; some milliseconds of work, once."""
        return ExpectedBalance(self.rig, self.best, self.rig.start)


def items_of(routine: Routine, rig: Rig) -> dict[str, str]:
    """Sentences to be ticked first, by a short word."""
    found: dict[str, str] = {}
    if routine.kind == "calibrate":
        found = {caution.key: caution.says for caution in cautions_of(rig) if caution.metering}
    found["camera-on-manual"] = " ".join(camera_advice(rig))
    return found


def step_of(routine: Routine, known: StudioKnowledge) -> Step:
    """The step that a routine is at."""
    step = _STAGES[routine.stage](routine, known)
    may = tuple(act for act in routine.acts if act != "go" or _goes(routine, step))
    return step.model_copy(update={"left": routine.left, "may": may})


def _goes(routine: Routine, step: Step) -> bool:
    """True where `go` leads on: from the cautions, or into the dark for the room's own light."""
    dark = step.asks is not None and not step.asks.head and not routine.dark
    return routine.stage == "prepare" or (routine.stage == "read" and dark)


def _prepare(routine: Routine, known: StudioKnowledge) -> Step:
    items = items_of(routine, known.rig)
    ticks = tuple(Tick(item=k, says=v, ticked=k in routine.ticked) for k, v in items.items())
    return Step(
        routine=routine.kind,
        stage="prepare",
        number=len([t for t in ticks if t.ticked]),
        of=len(ticks),
        title="Before any light is metered",
        says=(
            "Read each and tick it. Local codes and people licensed for it come before anything said here.",
        ),
        ticks=ticks,
    )


def _warm(routine: Routine, known: StudioKnowledge) -> Step:
    meter, place = known.rig.meter, known.rig.start
    last = routine.warm[-1] if routine.warm else None
    facing = exposure_facing(known.rig)
    says = ["All lamps are on as they are held.", place_words(known.rig, place)]
    says.append(receptor_words(meter.receptor, facing, ""))
    if last is not None:
        says.append(f"The last one was {last.lux:.0f} lx; lamps are warm when two minutes change it little.")
    return Step(
        routine=routine.kind,
        stage="warm",
        number=len(routine.warm) + 1,
        of=max(2, len(routine.warm) + 1),
        title="Are the lamps warm?",
        says=tuple(says),
        asks=Asks(
            head="",
            level="",
            at=place,
            receptor=meter.receptor,
            facing=facing,
            expected_lux=None if last is None else last.lux,
            sigma_stops=None,
        ),
        wait_until=None if last is None else last.at + WARM_AFTER_S,
    )


def _read(routine: Routine, known: StudioKnowledge) -> Step:
    asked = reading_to_take(routine, known)
    assert asked is not None, "a routine with nothing to read is at its next stage"
    weighed = known.used if routine.kind == "round" else known.latest
    following = SuggestedReading() if weighed is None else weighed.next or SuggestedReading()
    head, at = asked.head or "", asked.at or known.rig.start
    shown = _Shown.of(known, {head: float(asked.level)} if head else {})
    near_lamps = " ".join(one.says for one in cautions_of(known.rig) if one.key in _NEAR_LAMPS)
    if not head:
        shown = shown.dark(known.rig, routine.dark)
    return Step(
        routine=routine.kind,
        stage="read",
        number=len(routine.readings) + 1,
        of=_of(routine, known),
        title=f"Meter {head}" if head else "Meter the room",
        says=(
            *([alone_words(known.rig, head, asked.level, shown.flag)] if head else ()),
            *shown.says,
            place_words(known.rig, at),
            receptor_words(asked.receptor, asked.facing, head),
            *((near_lamps,) if routine.kind == "round" else ()),
        ),
        asks=Asks(
            head=head,
            level=f"{asked.level:g}" if head else "",
            at=at,
            receptor="dome" if asked.receptor == "dome" else "flat",
            facing=asked.facing,
            expected_lux=asked.expected_lux,
            sigma_stops=asked.sigma_stops,
        ),
        lit=shown.lit,
        flag=shown.flag,
        ratio_sigma_stops=following.ratio_sigma_stops,
        exposure_sigma_stops=following.exposure_sigma_stops,
        face_sigma_stops=following.face_sigma_stops,
        curve=learned_curve(known.latest, head),
    )


def reading_to_take(routine: Routine, known: StudioKnowledge) -> SuggestedReading | None:
    """The one more reading that helps most; None when one may as well stop, or when as many were taken as was
    said.

    Every head is read once at least, passed over ones aside, whatever the estimate says.
    """
    asked = None if routine.kind == "round" else _wanted(routine, known)
    if asked is not None:
        return asked
    unread = _unread(routine, known)
    return _plain_reading(known, unread[0]) if unread else None


def _wanted(routine: Routine, known: StudioKnowledge) -> SuggestedReading | None:
    """The reading that the estimate asks for; None when it has enough, or all that was said to come."""
    asked = None if known.latest is None else known.latest.next
    if asked is None or (asked.head or "") in routine.passed_over or routine.has_all_it_said:
        return None
    return None if asked.enough and not routine.asked_for_more else asked


def _unread(routine: Routine, known: StudioKnowledge) -> list[str]:
    """The heads that nothing was read of yet; in a round since it began."""
    read = routine.read if routine.kind == "round" else [name for name, count in known.taken.items() if count]
    done = {*read, *routine.passed_over}
    return [name for name in _metered_heads(known.rig) if name not in done]


def _of(routine: Routine, known: StudioKnowledge) -> int:
    """The number of readings when the stage ends: as was said when it began, or fewer."""
    of = len(routine.readings) + to_come(routine, known)
    least = len(routine.readings) + max(1, len(_unread(routine, known)))
    if routine.ends_at is None:
        return of
    return max(least, routine.ends_at if routine.asked_for_more else min(of, routine.ends_at))


def to_come(routine: Routine, known: StudioKnowledge) -> int:
    """About how many readings are still to be taken, the one that is asked for among them."""
    if routine.kind == "round":
        return len(_unread(routine, known))
    wanted = _wanted(routine, known) or SuggestedReading()
    return max(1, len(_unread(routine, known)), int(wanted.to_come))


def may_read(routine: Routine, rig: Rig) -> tuple[str | None, ...]:
    """The heads that may still be asked for, None among them for the room's own light."""
    names = [name for name in _metered_heads(rig) if name not in routine.passed_over]
    return (*names, *((None,) if "" not in routine.passed_over else ()))


def _plain_reading(known: StudioKnowledge, name: str) -> SuggestedReading:
    check = known.held.alone(known.held.scene.index(name))
    level = min(max(check.lit[name], 0.1), 1.0)
    return SuggestedReading(head=name, level=round(level, 2), at=check.at, expected_lux=check.expected_lux)


def _metered_heads(rig: Rig) -> list[str]:
    """The heads that are metered, key and fill first."""
    names = [head.name for head in rig.heads if head.rule != "work"]
    return sorted(names, key=lambda name: _ORDER.get(rig.head(name).rule, len(_ORDER)))


_ORDER = {"key": 0, "fill": 1}


_NEAR_LAMPS = ("hot-lamps", "glare")
"""Cautions that are told in a round, which has no stage for ticking them."""


def _verify(routine: Routine, known: StudioKnowledge) -> Step:
    asked = check_to_take(routine, known.held)
    assert asked is not None, "a routine with nothing to check is done"
    undone = _undone(routine, known.held)
    shown = _Shown.of(known, asked.lit)
    by_tape = asked.what == "tape"
    return Step(
        routine=routine.kind,
        stage="verify",
        number=len(routine.checked) + 1,
        of=len(routine.checked) + len(undone) + (asked not in undone),
        title=_TITLES[asked.what].format(
            head=asked.head or "the exposure", alone="" if shown.flag else " alone"
        ),
        says=(
            *(_known_so_far(routine, known) if not routine.checked else ()),
            *((NO_CALIBRATION,) if known.best is None and not routine.checked else ()),
            *((lit_words(known.rig, list(asked.lit), shown.flag), *shown.says) if not by_tape else ()),
            *_where_words(known.rig, asked),
        ),
        asks=Asks(
            head=str(asked.head) if by_tape else "+".join(asked.lit),
            level="" if by_tape else "+".join(f"{level:g}" for level in asked.lit.values()),
            at=asked.at,
            receptor=asked.receptor,
            facing=asked.facing,
            unit="m" if by_tape else "lux",
            expected_lux=None if by_tape else asked.expected_lux,
            expected_m=asked.expected_m,
            sigma_stops=None if by_tape else asked.sigma_stops,
        ),
        lit=shown.lit,
        flag=shown.flag,
    )


def _where_words(rig: Rig, asked: CheckReading) -> tuple[str, ...]:
    """Directions for the meter and its receptor, or for the tape."""
    if asked.what == "tape":
        return (measuring_words(rig, asked.at, str(asked.head)),)
    is_near = asked.what == "near"
    where = half_way_words(rig, asked.at, str(asked.head)) if is_near else place_words(rig, asked.at)
    return where, receptor_words(asked.receptor, asked.facing, asked.head or "")


def _known_so_far(routine: Routine, known: StudioKnowledge) -> tuple[str, ...]:
    """A line on how well a calibration knows the light, and on what more readings would bring."""
    if routine.kind != "calibrate" or known.latest is None or not known.taken:
        return ()
    return known_words(known.latest.next)


_TITLES = {
    "head": "Check {head}{alone}",
    "near": "Check {head} again, nearer to it",
    "again": "Check {head} again",
    "tape": "How far is {head} now?",
    "exposure": "Check the exposure",
    "background": "Check the background",
}


def check_to_take(routine: Routine, held: ExpectedBalance) -> CheckReading | None:
    """The next check; None when all are done.

    In a line-up what is not as it was calibrated is asked about until it is clear what became of it.
    """
    if routine.kind == "lineup" and held.calibration is not None:
        question = held.to_ask(routine.checked, routine.passed_over, routine.began)
        if question is not None:
            return question
    return next(iter(_undone(routine, held)), None)


def _undone(routine: Routine, held: ExpectedBalance) -> list[CheckReading]:
    """The checks that are still to be made, the second looks nearer to a head aside."""
    done = {*(c.check.name for c in routine.checked), *routine.passed_over}
    return [check for check in held.checks(background=routine.kind == "lineup") if check.name not in done]


def _done(routine: Routine, known: StudioKnowledge) -> Step:
    if routine.kind == "round":
        return _round_done(routine, known)
    result = verdict(known.held, routine.checked, routine.kind == "lineup", routine.began)
    advice = () if result.go or routine.kind == "lineup" else (_MORE,)
    return Step(
        routine=routine.kind,
        stage="done",
        number=len(routine.checked),
        of=len(routine.checked),
        title="Go" if result.go else "Not a go",
        says=(*result.says, *advice, *_known_so_far(routine, known)),
        verdict=result,
    )


def _round_done(routine: Routine, known: StudioKnowledge) -> Step:
    """The last step of a round: what is known after each head was read once."""
    heads = {} if known.used is None else known.used.heads
    sure = {name: heads[name].sigma_stops for name in _metered_heads(known.rig) if name in heads}
    says = [
        f"The light of {name} is known to {around(expanded(sigma))}."
        for name, sigma in sure.items()
        if sigma is not None
    ]
    if unread := _unread(routine, known) + list(routine.passed_over):
        says.append(f"Not read: {names_of(dict.fromkeys(unread))}.")
    following = SuggestedReading() if known.used is None else known.used.next or SuggestedReading()
    count = len(routine.readings)
    return Step(
        routine=routine.kind,
        stage="done",
        number=count,
        of=count,
        title="Each head read" if not unread else "The round is over",
        says=tuple(says),
        ratio_sigma_stops=following.ratio_sigma_stops,
        exposure_sigma_stops=following.exposure_sigma_stops,
    )


_MORE = "What is off wants more readings, or one that was taken is wrong; strike it or calibrate again."


@dataclass(frozen=True)
class _Shown:
    """The light that a reading wants: levels on the wire (None: as it is held), and what burns besides."""

    lit: dict[str, float] | None
    flag: tuple[str, ...]
    says: Sequence[str]

    @classmethod
    def of(cls, known: StudioKnowledge, wanted: Mapping[str, float]) -> _Shown:
        rig = known.rig
        burning = flagged(rig, wanted)
        heads = [rig.head(name) for name in burning]
        steady = [head.name for head in heads if must_stay_on(head) and not head.dimming.fixed]
        lit = {**wanted, **{name: known.held.levels[name] for name in steady}}
        return cls(lit, burning, flag_words(rig, burning))

    def dark(self, rig: Rig, asked: bool) -> _Shown:
        """The light for a reading of the room: dark only once that is asked for."""
        work = {head.name: 0.0 for head in rig.heads if head.rule == "work" and not head.dimming.fixed}
        says = dark_words(rig, self.flag, asked)
        if not asked:
            return _Shown(None, (), [says, *self.says])
        return _Shown({**work, **(self.lit or {})}, self.flag, [says, *self.says])


_STAGES: dict[Stage, Callable[[Routine, StudioKnowledge], Step]] = {
    "prepare": _prepare,
    "warm": _warm,
    "read": _read,
    "verify": _verify,
    "done": _done,
}
