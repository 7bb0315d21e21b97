"""The state built from the light of a moment, once; and the note that an order is answered with.

Theory. What is judged is the light that is to last: the codes the light is to rest on, beside the solution
they come from. It stays the same while a fade goes there, so an order's note and the states after it share
one `JudgedLight`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from fillside.balance.judgement.reasons import JudgedLight, trims_short
from fillside.balance.judgement.verdict import CURABLE, Circumstances, LightVerdict, judge
from fillside.balance.report import LimitReport, Remedy, achieved_of, face_of, head_reports
from fillside.balance.solver.rounding import Codes
from fillside.balance.target import BalanceTarget
from fillside.hold.events import RemediesFound, RemedyQuestion
from fillside.hold.health import (
    DriverHealth,
    HeadCondition,
    head_limits,
    head_notes,
    level_reported,
    with_reported_codes,
)
from fillside.hold.intent.balancing import Balancing
from fillside.hold.intent.current_solution import CurrentSolution
from fillside.hold.intent.intent import SOLVE_FIELDS, Intent, trim_table
from fillside.hold.snapshot.state import (
    TOO_ROUGH_STOPS,
    BalanceNow,
    CameraNow,
    DriverNow,
    Goal,
    HeadNow,
    LastOrder,
    State,
    SubjectSeen,
)
from fillside.hold.tracking.subject import TrackedSubject
from fillside.rig.tables.model import Rig


@dataclass(frozen=True)
class PresentLight:
    """The light of a moment, and what it is judged by; to be used before anything else happens to the hold.

    `goal` are the codes the light goes to, `lasting` those it is to rest on: a head that shows itself, named
    by `identifying`, comes back from the one to the other. `unix_s` as in `Hold`. `judge` gives the light to
    be judged, made once as long as it stays the same.
    """

    balancing: Balancing
    intent: Intent
    target: BalanceTarget
    solution: CurrentSolution
    subject: TrackedSubject
    health: tuple[HeadCondition, ...]
    unix_s: float
    identifying: str | None
    codes: Codes
    goal: Codes
    lasting: Codes
    judge: Callable[[PresentLight], JudgedLight]

    @property
    def rig(self) -> Rig:
        """The rig as its file says."""
        return self.balancing.scene.rig

    @cached_property
    def ordered_rig(self) -> Rig:
        """The rig with ordered values in place of its file's."""
        return self.intent.rig(self.rig)

    @cached_property
    def working(self) -> tuple[bool, ...]:
        """For each head whether it can be reached."""
        return tuple(head.state != "lost" for head in self.health)

    @property
    def shown(self) -> tuple[str, ...] | None:
        """The heads that are on alone, by name; None while none is."""
        alone, names = self.intent.alone, self.balancing.scene.names
        return None if alone is None else tuple(names[i] for i, _ in alone.lit)

    @property
    def judged(self) -> JudgedLight:
        """The light that is to be judged."""
        return self.judge(self)

    @property
    def circumstances(self) -> Circumstances:
        """The circumstances that bear on that light beside the balance."""
        scene = self.balancing.scene
        return Circumstances(
            mode=self.intent.mode,
            shown=self.shown,
            unwell=head_limits(scene, self.health),
            leaving=self.intent.leaving,
            dead_band_stops=scene.rig.hold.dead_band_stops,
            fading=self.codes != self.goal,
            pending=self.solution.pending,
        )


def judged_light(now: PresentLight) -> JudgedLight:
    """The light to be judged, made anew."""
    balancing, basis = now.balancing, now.solution.basis
    rows = balancing.rows_at(now.subject.place)
    working = np.array(now.working)
    staying = np.array([i not in now.intent.leaving for i in range(len(working))])
    obeying = np.array([head.state != "disobeying" for head in now.health])
    here = basis.metering is balancing.metering and basis.rows.point == rows.point
    return JudgedLight(
        metering=balancing.metering,
        target=now.target,
        limits=balancing.limits,
        solved=basis.solved,
        solved_rows=rows if here else basis.rows,
        rows=rows,
        untrimmed=balancing.outputs(now.solution.codes),
        codes=now.lasting,
        final_outputs=balancing.outputs(with_reported_codes(now.lasting, now.health)),
        reachable=working,
        reliable=working & staying & obeying,
        trims=now.intent.trims,
    )


def note_after(now: PresentLight, note: str | None, before: Mapping[str, Any]) -> str | None:
    """The note on an order, and what keeps the order from being met in full.

    `before` are the fields of the intent that it changed, with their earlier values. Limits are named where
    the order acts on the light by itself: the balance in follow, trims in a freeze too.
    """
    intent = now.intent
    found: list[LimitReport] = []
    if intent.acts and SOLVE_FIELDS & before.keys():
        limits = judge(now.judged, now.circumstances).limits
        found = [limit for limit in limits if limit.at != "colour"]
    elif "trims" in before and intent.alone is None and intent.mode != "dark":
        trims, then = intent.trims, before["trims"]
        roles = [role for role in {**trims, **then} if trims.get(role, 0.0) != then.get(role, 0.0)]
        found = list(trims_short(now.judged, roles, frozen=intent.mode == "freeze"))
    if not found:
        return note
    reached = f"not reached: {'; '.join(dict.fromkeys(limit.says for limit in found))}"
    return reached if note is None else f"{note}; {reached}"


@dataclass(frozen=True)
class Bookkeeping:
    """The parts of a state that do not follow from the light; `remedies` are shown where they may help."""

    remedies: tuple[Remedy, ...]
    waits: bool
    drivers: Mapping[str, DriverHealth]
    calibrated_at: str | None
    undo: str | None
    last_order: LastOrder | None
    light_changed_at: float | None
    notes: tuple[str, ...]


def curable(limits: tuple[LimitReport, ...]) -> bool:
    """True where anything is in the way that a remedy might help against."""
    return any(limit.at in CURABLE for limit in limits)


def state_of(now: PresentLight, beside: Bookkeeping) -> State:
    """The whole state: the light at the subject now, its limits as they will be once the fade has landed."""
    scene, intent, judged = now.balancing.scene, now.intent, now.judged
    codes = with_reported_codes(now.codes, now.health)
    metered = now.balancing.measure(now.subject.place, now.target, codes, now.working)
    achieved = achieved_of(now.target, judged.target_report, metered)
    verdict = judge(judged, now.circumstances, achieved)
    seen, heads, drivers = _subject_seen(now), _heads(now), _drivers(beside.drivers, now.unix_s)
    uncertainty = now.balancing.uncertainty(now.subject.place, now.target, now.codes, now.working)
    alone = None if intent.alone is None else intent.alone.head
    return State(
        rig=scene.rig.rig.name,
        mode=intent.mode,
        alone=None if alone is None else scene.names[alone],
        shown=now.shown,
        identifying=now.identifying,
        subject=now.subject.place,
        subject_seen=seen,
        target=judged.target_report,
        achieved=achieved,
        face=face_of(metered),
        heads=heads,
        settled=now.codes == now.goal,
        waits=beside.waits,
        limits=verdict.limits,
        remedies=beside.remedies if curable(verdict.limits) else (),
        balance=_balance(now),
        camera=CameraNow(**now.ordered_rig.camera.model_dump(include=set(CameraNow.model_fields))),
        trims=trim_table(intent.trims),
        drivers=drivers,
        calibrated_at=beside.calibrated_at,
        undo=beside.undo,
        last_order=beside.last_order,
        light_changed_at=beside.light_changed_at,
        notes=beside.notes + _notes_on(seen) + head_notes(scene, now.health),
        ticks=_ticks(verdict, heads, drivers, seen),
        uncertainty=uncertainty.uncertainty,
        relative_uncertainty_stops=uncertainty.relative_stops,
    )


def _heads(now: PresentLight) -> tuple[HeadNow, ...]:
    balancing, light = now.balancing, now.judged
    # Joint rounding may leave a head at its limit one code away from it: where it rests, the solution counts.
    met = balancing.outputs(now.codes)
    if now.intent.acts:
        met = np.where(np.array(now.codes) == np.array(now.lasting), light.unrounded, met)
    present = head_reports(balancing.scene, balancing.limits, light.rows, now.codes, met)
    goal = head_reports(balancing.scene, balancing.limits, light.rows, now.goal)
    lux = light.rows.own_lux * balancing.outputs(with_reported_codes(now.codes, now.health))
    return tuple(
        HeadNow.model_construct(
            **{**head.__dict__, "lux": float(lux[i])},
            goal=Goal(output=to.output, level=to.level, wire=to.wire),
            settled=now.codes[i] == now.goal[i],
            works=health.state != "lost",
            state=health.state,
            since=health.since_s + now.unix_s,
            says_level=level_reported(balancing.scene.full_scales[i], health.code),
            answers=health.answers,
            confirmed=health.confirmed,
        )
        for i, (head, to, health) in enumerate(zip(present, goal, now.health, strict=True))
    )


def _balance(now: PresentLight) -> BalanceNow:
    target, table = now.target, now.ordered_rig.balance
    metering = now.balancing.metering
    roles = metering.relative_roles
    return BalanceNow(
        ratio=target.ratio,
        ratio_stops=float(np.log2(target.quotient)),
        read_as=target.read_as,
        exposure=table.exposure,
        exposure_stops=now.intent.exposure_stops,
        exposure_lux=target.exposure_lux,
        protect=target.protect,
        most_over=target.most_over,
        most_under=target.most_under,
        most_lux=target.most_lux,
        when_lost=table.when_lost,
        relative={role: target.relative_stops(role, metering.role_rules[role]) for role in roles},
        against={role: target.reference(role, metering.role_rules[role]) for role in roles},
    )


def _subject_seen(now: PresentLight) -> SubjectSeen:
    """The source of the subject's place, and whether it can be followed."""
    subject = now.subject
    mark = next((name for name, point in now.rig.marks.items() if point == subject.place), None)
    jitter = subject.jitter_m
    stops = None
    if jitter is not None:
        stops = subject.passing_m * now.balancing.steepness_stops_m(subject.place)
    return SubjectSeen(
        source=subject.source,
        mark=mark,
        jitter_m=jitter,
        jitter_stops=stops,
        too_rough=stops is not None and stops > TOO_ROUGH_STOPS,
    )


def _drivers(drivers: Mapping[str, DriverHealth], unix_s: float) -> dict[str, DriverNow]:
    return {
        name: DriverNow(
            state=health.state, since=health.since_s + unix_s, note=health.note, notices=health.notices
        )
        for name, health in drivers.items()
    }


def _notes_on(seen: SubjectSeen) -> tuple[str, ...]:
    if not seen.too_rough or seen.jitter_m is None:
        return ()
    return (
        f"the tracker jitters by {100 * seen.jitter_m:.0f} cm (standard deviation), {seen.jitter_stops:.2f} "
        "stop in the light after a walk: too rough to hold the ratio within 0.1 stop",
    )


def _ticks(
    verdict: LightVerdict,
    heads: tuple[HeadNow, ...],
    drivers: Mapping[str, DriverNow],
    seen: SubjectSeen,
) -> dict[str, bool]:
    """The ticks; there is none for light over a wire that is not well or at a place that is not well
    known."""
    well = all(head.state == "ok" for head in heads)
    wires = well and all(driver.state == "ok" and not driver.notices for driver in drivers.values())
    found = verdict.ticks
    return {**found, "balance": found["balance"] and well and not seen.too_rough, "wires": wires}


SAME_PLACE_M = 0.1
"""Remedies are moves of lamps and settings of cameras; a subject that went a hand's breadth does not change
them."""


class Advice:
    """The question that is open, and the latest answer."""

    def __init__(self) -> None:
        self._question: RemedyQuestion | None = None
        self._found: tuple[Remedy, ...] | None = None

    def ask(self, question: RemedyQuestion | None) -> RemedyQuestion | None:
        """Pose a question (None where nothing is in the way); return the one that still lacks an answer."""
        if question is None or self._question is None or not _same(question, self._question):
            self._question, self._found = question, None
        return self._question if self._found is None else None

    def answer(self, found: RemediesFound) -> None:
        """Take an answer in; one to another question than the open one is ignored."""
        if self._question is not None and found.question == self._question:
            self._found = found.remedies

    @property
    def remedies(self) -> tuple[Remedy, ...]:
        """The remedies found for the open question."""
        return self._found or ()


def _same(one: RemedyQuestion, other: RemedyQuestion) -> bool:
    near = math.dist(one.subject, other.subject) <= SAME_PLACE_M
    return near and one.rig == other.rig and one.calibration == other.calibration
