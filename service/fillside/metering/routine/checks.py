"""Wanted against metered: the readings that show whether a calibration still holds, and what else parts the
stories behind them."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from functools import cached_property
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.belief.belief import Belief
from fillside.belief.evidence import OWN_HEAD, Reading, TapeMeasure, seconds_of
from fillside.belief.observations import exposure_facing
from fillside.belief.result.restoring import known_belief
from fillside.belief.since.changes import DECIDED, Judgement, NewEvidence, Seen, judge, worth_asking
from fillside.rig.calibration import CalibratedAmbient, Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Point, Rig

GOOD_STOPS = 0.15
"""Half the smallest step of a camera's dials; more in a held quantity can be seen side by side."""
MOST_STOPS = 0.3
"""However little is known, more than this is not what was wanted."""
SIGMAS = 2.5
"""How many standard uncertainties a reading may stray: of three readings one then errs once in thirty."""
NEARER, NEAREST_M = 0.5, 0.5
"""At which part of the distance a second reading is taken, to tell distance from level, and the least
distance: a stand that moved shows there about twice as much."""
_SECONDS: dict[str, float] = {"tape": 25.0, "near": 45.0}
_SECONDS_AGAIN = 15.0
"""What a person takes for a question; common practice, no source."""
_MOST_ALIKE, _MOST_OF_HEAD = 3, 6
"""Most readings of one kind, and of one head in all."""
_WORTH_NATS, _LIKELY = 0.01, 0.03
"""What tells less of the stories is not asked, and from which probability on a story is one to ask about."""
_DAY_S = 86_400.0

What = Literal["head", "near", "again", "tape", "exposure", "background"]


class CheckReading(BaseModel):
    """One reading to hold against what is expected; `lit` are levels by head, all others out.

    `what` is "head" (that head alone, flat, facing it), "near" (the same nearer to it), "again" (one more),
    "tape" (how far it is, `expected_m`), "exposure" or "background". `sigma_stops` is the standard
    uncertainty of what a meter shows against the expectation.
    """

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    what: What
    head: str | None
    lit: dict[str, float]
    at: Point
    receptor: Literal["flat", "dome"]
    facing: str
    expected_lux: float
    sigma_stops: float
    expected_m: float | None = None

    @property
    def name(self) -> str:
        """The check in a word or two, the same for the same one."""
        return f"{self.what} {self.head or ''}".strip()


class CheckResult(BaseModel):
    """A check with what was read, in lux, or by a tape in metres."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    check: CheckReading
    read_lux: float
    off_stops: float
    read_m: float | None = None

    @property
    def most_stops(self) -> float:
        """The most by which the reading may be off: as little as can be seen or, within reason, be known."""
        return max(GOOD_STOPS, min(SIGMAS * self.check.sigma_stops, MOST_STOPS))

    @property
    def good(self) -> bool:
        """True if the reading is within `most_stops` of what was expected."""
        return abs(self.off_stops) <= self.most_stops

    @property
    def seen(self) -> Seen:
        """The check as evidence."""
        check = self.check
        if self.read_m is not None:
            return TapeMeasure(head=str(check.head), at=check.at, distance_m=self.read_m)
        names, levels = tuple(check.lit), tuple(check.lit.values())
        return Reading(
            heads=names,
            levels=levels,
            at=check.at,
            value=self.read_lux,
            receptor=check.receptor,
            facing=check.facing,
        )


def check_result(check: CheckReading, read_lux: float) -> CheckResult:
    """A check with what was read [lux]."""
    off = math.log2(max(read_lux, 1e-3) / max(check.expected_lux, 1e-3))
    return CheckResult(check=check, read_lux=read_lux, off_stops=round(off, 4))


def taped_result(check: CheckReading, read_m: float) -> CheckResult:
    """A check with what was measured [m]."""
    return CheckResult(check=check, read_lux=0.0, off_stops=0.0, read_m=read_m)


class ExpectedBalance:
    """The balance as a calibration holds it at a place: levels, and what a meter should show.

    Heads that cannot be dimmed have level 1. `report` says how near to what is wanted that is believed to be.
    """

    def __init__(self, rig: Rig, calibration: Calibration | None, at: Point) -> None:
        self.rig, self.at, self.calibration = rig, at, calibration
        self.scene = scene(rig, calibration)
        target = target_from_rig(rig)
        solution = BalanceSolver(self.scene).solve(at, target)
        self._out_roles = target.out_roles
        self.rows, self.report, self.outputs = solution.rows, solution.report, solution.outputs
        levels = self.scene.dimmers.levels_from_codes(solution.codes)
        self.levels = dict(zip(self.scene.names, levels.tolist(), strict=True))
        self._judged: tuple[tuple[CheckResult, ...], Judgement] | None = None
        self._asked: tuple[tuple[object, ...], CheckReading | None] | None = None

    @cached_property
    def belief(self) -> Belief:
        """The studio that the calibration knows, in the light without heads that the scene has."""
        key, fill, camera = self.scene.ambient
        told = self.calibration
        if told is not None and told.ambient is None and any(self.scene.ambient):
            ambient = CalibratedAmbient(toward_key=key, toward_fill=fill, toward_camera=camera)
            told = told.model_copy(update={"ambient": ambient})
        return known_belief(self.rig, told)

    def checks(self, background: bool) -> tuple[CheckReading, ...]:
        """Each key and fill head alone, then the exposure, then the background if wanted and not put out."""
        found = self._checks
        return found if background else tuple(one for one in found if one.what != "background")

    @cached_property
    def _checks(self) -> tuple[CheckReading, ...]:
        rules = self.scene.rules
        asked: list[tuple[What, str | None, Reading]] = [
            ("head", self.scene.names[i], self._alone(i))
            for rule in ("key", "fill")
            for i, own in enumerate(rules)
            if own == rule
        ]
        if asked:
            lit = dict(self._lit(("key", "fill")))
            exposure = _reading(lit, self.at, exposure_facing(self.rig), self.rig.meter.receptor)
            asked.append(("exposure", None, exposure))
        for head, (rule, role) in enumerate(zip(rules, self.scene.roles, strict=True)):
            if rule == "background" and role not in self._out_roles:
                lit = dict(self._lit(("key", "fill", "hair", "background")))
                x, y, z = (float(v) for v in self.scene.aims[head])
                asked.append(("background", self.scene.names[head], _reading(lit, (x, y, z), "camera")))
                break
        return self._expected(asked)

    def alone(self, head: int, at: Point | None = None) -> CheckReading:
        """One head alone at its held level, flat receptor facing it, at the subject or elsewhere."""
        what: What = "head" if at is None else "near"
        return self._expected([(what, self.scene.names[head], self._alone(head, at))])[0]

    def nearer(self, head: int) -> CheckReading:
        """The check of one head alone from nearer by, on the line to it."""
        return self.alone(head, _nearer(self.at, self.rig.heads[head].position))

    def _alone(self, head: int, at: Point | None = None) -> Reading:
        name = self.scene.names[head]
        return _reading({name: self.levels[name]}, self.at if at is None else at, name)

    def _lit(self, rules: tuple[str, ...]) -> Iterator[tuple[str, float]]:
        for name, rule in zip(self.scene.names, self.scene.rules, strict=True):
            if rule in rules:
                yield name, self.levels[name]

    def _expected(self, asked: Sequence[tuple[What, str | None, Seen]]) -> tuple[CheckReading, ...]:
        """Checks with the values expected of them."""
        evidence = NewEvidence(self.belief, (), [one for _, _, one in asked])
        sigma = np.sqrt(np.diag(evidence.foretold + evidence.errors))
        found = []
        for (what, head, one), shown, sd in zip(asked, evidence.expected, sigma.tolist(), strict=True):
            if isinstance(one, TapeMeasure):
                check = self.alone(self.scene.index(one.head))
                changed = {"what": what, "at": one.at, "expected_m": float(shown)}
                found.append(check.model_copy(update=changed))
                continue
            assert isinstance(one, Reading), "a person reads a meter or a tape"
            found.append(
                CheckReading(
                    what=what,
                    head=head,
                    lit=dict(zip(one.heads, one.levels, strict=True)),
                    at=one.at,
                    receptor=one.receptor,
                    facing=one.facing,
                    expected_lux=float(shown),
                    sigma_stops=sd,
                )
            )
        return tuple(found)

    def judged(self, done: Sequence[CheckResult], began_s: float = 0.0) -> Judgement:
        """The stories behind what was read since the calibration, at a Unix time [s]."""
        key = tuple(done)
        if self._judged is None or self._judged[0] != key:
            seen = [one.seen for one in done]
            self._judged = key, judge(NewEvidence(self.belief, seen, days=self._days(began_s)))
        return self._judged[1]

    def _days(self, began_s: float) -> float:
        then = [s for one in self.belief.readings if (s := seconds_of(one.time)) is not None]
        return max(began_s - max(then), 0.0) / _DAY_S if then else 0.0

    def to_ask(
        self, done: Sequence[CheckResult], passed_over: Collection[str] = (), began_s: float = 0.0
    ) -> CheckReading | None:
        """The cheapest question that parts the stories behind what was read; None once one of them is
        decided. The last answer is kept."""
        key = tuple(done), tuple(passed_over), began_s
        if self._asked is None or self._asked[0] != key:
            seen = [one.seen for one in done]
            self._asked = key, self._question(seen, passed_over, self._days(began_s)) if seen else None
        return self._asked[1]

    def _question(
        self, seen: Sequence[Seen], passed_over: Collection[str], days: float
    ) -> CheckReading | None:
        judgement = judge(NewEvidence(self.belief, seen, days=days), DECIDED)
        if judgement.decided:
            return None
        ways = [
            one
            for one in self._ways(seen, judgement)
            if f"{one[0]} {one[1] or ''}".strip() not in passed_over
        ]
        if not ways:
            return None
        evidence = NewEvidence(self.belief, seen, [one for _, _, one in ways], days)
        told = worth_asking(evidence, judge(evidence, DECIDED))
        best = int(np.argmax(told / np.array([_SECONDS.get(what, _SECONDS_AGAIN) for what, _, _ in ways])))
        return self._expected([ways[best]])[0] if told[best] > _WORTH_NATS else None

    def _ways(self, seen: Sequence[Seen], judgement: Judgement) -> Iterator[tuple[What, str | None, Seen]]:
        """Questions that may still be asked, of the heads and readings that likely stories are about."""
        likely = [t.story for t in judgement.told if t.story is not None and t.probability > _LIKELY]
        for head in dict.fromkeys(s.of for s in likely if s.kind in ("lamp", "stand") and s.of is not None):
            yield from self._of_head(head, seen)
        for story in likely:
            one = seen[story.of] if story.kind == "slip" and story.of is not None else None
            if isinstance(one, Reading) and len(one.heads) > 1 and _count(one, seen) < _MOST_ALIKE:
                yield "again", None, one

    def _of_head(self, head: int, seen: Sequence[Seen]) -> Iterator[tuple[What, str | None, Seen]]:
        """Questions about a head that was read alone: a tape; the same reading again; one as for the
        calibration, which shows best what has changed; and one nearer to the head."""
        name = self.scene.names[head]
        alone = [one for one in seen if isinstance(one, Reading) and one.heads == (name,)]
        if not alone:
            return
        first = alone[0]
        if not any(isinstance(one, TapeMeasure) and one.head == name for one in seen):
            yield "tape", name, TapeMeasure(head=name, at=first.at, distance_m=1.0)
        if len(alone) >= _MOST_OF_HEAD:
            return
        then = [
            one.model_copy(update={"facing": name})
            for one in self.belief.readings
            if one.heads == (name,) and one.facing in (OWN_HEAD, name) and one.at == first.at
        ]
        near = first.model_copy(update={"at": _nearer(first.at, self.rig.heads[head].position)})
        for one in {_setting(one): one for one in (first, *then, near)}.values():
            if _count(one, alone) < _MOST_ALIKE:
                yield "again" if one.at == first.at else "near", name, one


def _reading(
    lit: dict[str, float], at: Point, facing: str, receptor: Literal["flat", "dome"] = "flat"
) -> Reading:
    levels = tuple(lit.values())
    return Reading(heads=tuple(lit), levels=levels, at=at, value=1.0, receptor=receptor, facing=facing)


def _setting(reading: Reading) -> tuple[object, ...]:
    return reading.heads, reading.levels, reading.at, reading.receptor


def _count(reading: Reading, seen: Sequence[Seen]) -> int:
    """The number of readings alike."""
    return sum(isinstance(one, Reading) and _setting(one) == _setting(reading) for one in seen)


def _nearer(at: Point, head: Point) -> Point:
    """A place on the line from a place to a head, nearer to it [m]."""
    start, source = np.array(at), np.array(head)
    far = math.dist(at, head)
    step = max(far - max(NEARER * far, NEAREST_M), 0.0) / max(far, 1e-9)
    x, y, z = (float(round(v, 2)) for v in start + step * (source - start))
    return x, y, z
