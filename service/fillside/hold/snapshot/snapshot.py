"""Builds the state from the present light, once, and the note that answers an order.

Theory. The light that is judged is the lasting one: the codes at which the light will rest, together with the
solution they come from. It stays the same during a fade to them, so an order's note and the following states
share one `JudgedLight`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np

from fillside.balance.judgement.reasons import JudgedLight, trims_short
from fillside.balance.judgement.verdict import CURABLE, Circumstances, LightVerdict, judge
from fillside.balance.report import LimitReport, Remedy, achieved_of, face_of, limits_met
from fillside.balance.solver.rounding import Codes
from fillside.balance.target import BalanceTarget
from fillside.hold.events import RemediesFound, RemedyQuestion
from fillside.hold.health import (
    DriverHealth,
    HeadCondition,
    head_limits,
    head_notes,
    level_reported,
    overdue,
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
from fillside.rig.notation import OUT
from fillside.rig.tables.model import Point, Rig


@dataclass(frozen=True)
class PresentLight:
    """The present light, and everything it is judged by; valid until the next call to the hold.

    `goal` are the codes the light fades to, `lasting` those at which it will rest: a head that identifies
    itself, named by `identifying`, returns from the first to the second. `unix_s` is as in `Hold`. `judge`
    returns the judged light, cached while it stays the same.
    """

    balancing: Balancing
    intent: Intent
    target: BalanceTarget
    solution: CurrentSolution
    subject: TrackedSubject
    health: tuple[HeadCondition, ...]
    time_s: float
    unix_s: float
    identifying: str | None
    codes: Codes
    goal: Codes
    lasting: Codes
    judge: Callable[[PresentLight], JudgedLight]

    @property
    def rig(self) -> Rig:
        """The rig as in its file."""
        return self.balancing.scene.rig

    @cached_property
    def ordered_rig(self) -> Rig:
        """The rig with ordered values replacing those of its file."""
        return self.intent.rig(self.rig)

    @cached_property
    def working(self) -> tuple[bool, ...]:
        """True for each head that can be reached."""
        return tuple(head.state != "lost" for head in self.health)

    @property
    def shown(self) -> tuple[str, ...] | None:
        """The names of the heads selected by `only` or `show`; None if there are none."""
        alone, names = self.intent.alone, self.balancing.scene.names
        return None if alone is None else tuple(names[i] for i, _ in alone.lit)

    @property
    def judged(self) -> JudgedLight:
        """The lasting light and the verdict on it."""
        return self.judge(self)

    @property
    def circumstances(self) -> Circumstances:
        """The circumstances besides the balance that affect that light."""
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
    """Judge the lasting light."""
    balancing, basis = now.balancing, now.solution.basis
    rows = balancing.rows_at(now.subject.place)
    working = np.array(now.working)
    staying = np.array([i not in now.intent.leaving for i in range(len(working))])
    obeying = np.array([head.state != "disobeying" for head in now.health])
    here = basis.metering is balancing.metering and basis.rows.point == rows.point
    return JudgedLight(
        metering=balancing.metering,
        target=now.target,
        limits=balancing.limits_for(now.target),
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
    """Return the note on an order, with whatever keeps it from being met in full.

    `before` are the fields of the intent that it changed, with their earlier values. Limits are named if the
    order acts on the light: on the balance in follow, and a trim in freeze too.
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
    """The parts of a state that do not follow from the light; `remedies` are shown if they may help."""

    remedies: tuple[Remedy, ...]
    waits: bool
    drivers: Mapping[str, DriverHealth]
    calibrated_at: str | None
    undo: str | None
    last_order: LastOrder | None
    light_changed_at: float | None
    notes: tuple[str, ...]


def curable(limits: tuple[LimitReport, ...]) -> bool:
    """Return true if any limit is of a kind that a remedy may overcome."""
    return any(limit.at in CURABLE for limit in limits)


def limits_of_light(now: PresentLight) -> tuple[LimitReport, ...]:
    """Return the limits in `state_of`, without the rest of the state."""
    return judge(now.judged, now.circumstances).limits


def state_of(now: PresentLight, beside: Bookkeeping) -> State:
    """Return the whole state: the present light at the subject, and the limits that
    will apply once the fade ends."""
    scene, intent, judged = now.balancing.scene, now.intent, now.judged
    codes = with_reported_codes(now.codes, now.health)
    metered = now.balancing.measure(now.subject.place, now.target, codes, now.working)
    achieved = achieved_of(now.target, judged.target_report, metered)
    verdict = judge(judged, now.circumstances, achieved)
    doubted = overdue(now.health, codes, now.time_s)
    uncertainty = now.balancing.uncertainty(now.subject.place, now.target, codes, now.working, doubted)
    heads = _heads(now, uncertainty.own_stops)
    seen, drivers = _subject_seen(now), _drivers(beside.drivers, now.unix_s)
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
        face=face_of(metered, now.balancing.halves_ratio(now.subject.place, codes, now.working)),
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
        ticks=_ticks(verdict, uncertainty.doubted_stops, heads, drivers, seen),
        uncertainty=uncertainty.uncertainty,
        room_light=scene.room_light,
        relative_uncertainty_stops=uncertainty.relative_stops,
    )


def _heads(now: PresentLight, own_stops: Sequence[float | None]) -> tuple[HeadNow, ...]:
    balancing, light, scene = now.balancing, now.judged, now.balancing.scene
    # Joint rounding may leave a head one code short of its limit, so at rest the solution decides.
    met = balancing.outputs(now.codes)
    if now.intent.acts:
        met = np.where(np.array(now.codes) == np.array(now.lasting), light.unrounded, met)
    outputs, goals = balancing.outputs(now.codes), _goals(now)
    columns = (
        outputs.tolist(),
        scene.dimmers.levels_from_codes(now.codes).tolist(),
        scene.wires(now.codes),
        (light.rows.own_lux * balancing.outputs(with_reported_codes(now.codes, now.health))).tolist(),
        limits_met(balancing.limits_for(now.target), outputs, met),
    )
    return tuple(
        HeadNow(
            name=scene.names[i],
            role=scene.roles[i],
            output=output,
            level=level,
            wire=wire,
            lux=lux,
            uncertainty_stops=own_stops[i],
            at_limit=at_limit,
            goal=goals[i],
            settled=now.codes[i] == now.goal[i],
            works=health.state != "lost",
            state=health.state,
            since=health.since_s + now.unix_s,
            says_level=level_reported(scene.full_scales[i], health.code),
            answers=health.answers,
            confirmed=health.confirmed,
        )
        for i, (health, output, level, wire, lux, at_limit) in enumerate(
            zip(now.health, *columns, strict=True)
        )
    )


def _goals(now: PresentLight) -> list[Goal]:
    scene = now.balancing.scene
    outputs, levels = now.balancing.outputs(now.goal), scene.dimmers.levels_from_codes(now.goal)
    ends = zip(outputs.tolist(), levels.tolist(), scene.wires(now.goal), strict=True)
    return [Goal(output=output, level=level, wire=wire) for output, level, wire in ends]


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
        relative={role: _stops_or_out(target, role, metering.role_rules[role]) for role in roles},
        against={role: target.reference(role, metering.role_rules[role]) for role in roles},
    )


def _stops_or_out(target: BalanceTarget, role: str, rule: str) -> float | Literal["out"]:
    stops = target.relative_stops(role, rule)
    return OUT if stops is None else stops


def _subject_seen(now: PresentLight) -> SubjectSeen:
    """Return the source of the subject's place, and whether the tracker is steady enough to follow."""
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
    doubted_stops: tuple[float, float],
    heads: tuple[HeadNow, ...],
    drivers: Mapping[str, DriverNow],
    seen: SubjectSeen,
) -> dict[str, bool]:
    """Return the ticks; light over a faulty wire, or at a place that is poorly known, gets none.

    `doubted_stops` is how far heads that do not answer, or do not obey, may move the ratio and the exposure.
    """
    well = all(head.state == "ok" for head in heads)
    wires = well and all(driver.state == "ok" and not driver.notices for driver in drivers.values())
    found = verdict.ticks_in_doubt(*doubted_stops)
    return {**found, "balance": found["balance"] and well and not seen.too_rough, "wires": wires}


SAME_PLACE_M = 0.1
"""A move of the subject by less than this leaves the remedies valid, as they move
lamps and set the camera."""
ADVISED_AFTER_S = 1.0
"""The time for which a tracked subject stays at a place before remedies are looked for there: for one that
walks they would be out of date before they are found."""


class Advice:
    """The open question and the latest answer."""

    def __init__(self) -> None:
        self._question: RemedyQuestion | None = None
        self._found: tuple[Remedy, ...] | None = None

    def ask(self, question: RemedyQuestion | None) -> RemedyQuestion | None:
        """Pose a question (None if nothing is in the way); return it while it lacks an answer."""
        if question is None or self._question is None or not _same(question, self._question):
            self._question, self._found = question, None
        return self._question if self._found is None else None

    def answer(self, found: RemediesFound) -> None:
        """Record an answer; ignore one to any question but the open one."""
        if self._question is not None and found.question == self._question:
            self._found = found.remedies

    def is_open(self, question: RemedyQuestion, place: Point) -> bool:
        """Return true while a question lacks an answer and is that of a subject at a place [m]."""
        return question is self._question and self._found is None and _is_near(place, question)

    def remedies_at(self, place: Point) -> tuple[Remedy, ...]:
        """Return the remedies found for a subject at a place [m]."""
        if self._question is None or self._found is None or not _is_near(place, self._question):
            return ()
        return self._found


def _is_near(place: Point, question: RemedyQuestion) -> bool:
    return math.dist(place, question.subject) <= SAME_PLACE_M


def _same(one: RemedyQuestion, other: RemedyQuestion) -> bool:
    same = _is_near(one.subject, other) and one.calibration == other.calibration
    return same and one.rig == other.rig
