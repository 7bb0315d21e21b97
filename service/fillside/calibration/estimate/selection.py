"""Which readings to believe, and what kind of dimmer a head has: the explanation that is most probable.

Readings of a head that fit badly have a few possible explanations: a slip of the pen or of the level, a
dimmer that is logarithmic, a lamp that cannot burn low, a dimmer of no family. Each is fitted and given its
probability (Laplace's approximation of the evidence, D. J. C. MacKay, Neural Computation 4, 1992, times a
probability before the readings); the best is kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.gauss_newton import FitProblem, Point, most_likely
from fillside.calibration.estimate.model import Model, Shapes
from fillside.calibration.estimate.observations import Observations
from fillside.calibration.estimate.priors import FIGURES, LIT_FLOOR

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SLIP_PROBABILITY, SLIP_STOPS = 0.03, 1.2
"""How often a reading is a slip, and how far off slips are, as a standard deviation."""
LOG_PROBABILITY, LOG_PROBABILITY_SAID, BENT_PROBABILITY = 0.02, 0.8, 0.05
FEWEST_TO_DOUBT = 4
"""With fewer readings of a head none is left out: too little would speak against it."""
_LARGE_RESIDUAL, _LARGE_COST = 2.7, 1.6
_SOME_FLOOR = 2.6
"""From where a lit floor is looked for: a few hundredths of full light; from none the way up is too flat."""
_FEW = 8
"""Up to so many readings of a head, slips are looked for in every combination."""
_CLEARLY = 0.3
"""By how much, as a logarithm, an explanation must be more probable than the one at hand to replace it."""
_ROUNDS, _WORST, _ROUGHLY = 8, 2, 0.02
"""How often explanations are changed, how many of the worst are doubted at once, how finely fitted."""


@dataclass(frozen=True)
class Explanation:
    """One explanation of all readings: shapes, which readings count, the unknowns then most likely."""

    shapes: Shapes
    counts: BoolArray
    z: FloatArray


def explain(model: Model, seen: Observations, sd: FloatArray, first: Explanation) -> Explanation:
    """The most probable explanation, head by head, starting from the plain one that was fitted first."""
    best = first
    for head in range(model.heads):
        own = seen.quantities.involves(head)
        if own.any():
            best = _HeadSelection(model, seen.of(own), sd[own], own, head).settle(best)
    return best


@dataclass(frozen=True)
class _HeadSelection:
    """The readings of one head, and the explanations they may have."""

    model: Model
    seen: Observations
    sd: FloatArray
    own: BoolArray
    head: int

    def settle(self, first: Explanation) -> Explanation:
        """The most probable explanation that is found from the first."""
        best = first
        question = self._question(best)
        point = question.at(best.z)
        score, known = self._log_probability(question, point), {self._key(best)}
        for _ in range(_ROUNDS):
            new = [one for one in self._others(best, point) if self._key(one) not in known]
            if not new or not self._strange(self._question(best), point):
                break
            known.update(self._key(one) for one in new)
            better = max((self._tried(one) for one in new), key=lambda tried: tried[0])
            if better[0] <= score + _CLEARLY:
                break
            score, best, point = better
        if self._is_simple(best) or not FEWEST_TO_DOUBT <= len(self.seen) <= _FEW:
            return best
        return max(((score, best), *map(self._scored, self._slips_alone(first))), key=lambda t: t[0])[1]

    def _is_simple(self, one: Explanation) -> bool:
        """Whether an explanation has one thing out of the ordinary at most."""
        left_out = int((~one.counts[self.own]).sum())
        not_as_labelled = one.shapes.logarithmic[self.head] != self.model.beliefs.says_log[self.head]
        return bool(left_out + not_as_labelled + 2 * one.shapes.bent[self.head] <= 1)

    def _slips_alone(self, first: Explanation) -> Iterator[Explanation]:
        """The first explanation with as many slips as there may be, every way: two can hide each other."""
        places, z = np.flatnonzero(self.own), first.z.copy()
        z[self.model.head_block(self.head)] = 0.0
        for left_out in combinations(places, self._most_left_out):
            counts = first.counts.copy()
            counts[list(left_out)] = False
            yield replace(first, counts=counts, z=z)

    def _scored(self, one: Explanation) -> tuple[float, Explanation]:
        return self._tried(one)[:2]

    @property
    def _most_left_out(self) -> int:
        return len(self.seen) // 3 if len(self.seen) >= FEWEST_TO_DOUBT else 0

    def _key(self, one: Explanation) -> tuple[bool, ...]:
        shapes, floor = one.shapes, one.z[self.model.head_block(self.head).start + LIT_FLOOR]
        own = (shapes.logarithmic[self.head], shapes.bent[self.head], floor == _SOME_FLOOR)
        return (*map(bool, own), *one.counts[self.own].tolist())

    def _question(self, one: Explanation) -> FitProblem:
        return FitProblem(self.model, one.shapes, self.seen, self.sd, one.counts[self.own])

    def _strange(self, question: FitProblem, point: Point) -> bool:
        block = self.model.head_block(self.head)
        count = int(question.counts.sum())
        off = ((self.seen.stops - point.expected) / self.sd)[question.counts]
        cost = float(off @ off + point.z[block] @ point.z[block])
        strange = float(np.abs(studentised(question, point)).max(initial=0.0)) > _LARGE_RESIDUAL
        return strange or cost > count + _LARGE_COST * math.sqrt(2 * count)

    def _others(self, best: Explanation, point: Point) -> list[Explanation]:
        """Explanations one change away."""
        log, bent = bool(best.shapes.logarithmic[self.head]), bool(best.shapes.bent[self.head])
        found = [self._shaped(best, not log, bent), self._shaped(best, log, not bent)]
        found += [self._with_lit_floor(best)] * (not log)
        places = np.flatnonzero(self.own)
        counted = best.counts[places]
        off = np.abs(studentised(self._question(best), point)) * counted
        may_leave_out = (~counted).sum() < self._most_left_out
        worst = np.argsort(-off)[: _WORST if may_leave_out else 0]
        for place in (*places[worst], *places[~counted]):
            counts = best.counts.copy()
            counts[place] = not counts[place]
            found.append(replace(best, counts=counts))
        return found

    def _shaped(self, best: Explanation, log: bool, bent: bool) -> Explanation:
        logs, bends = best.shapes.logarithmic.copy(), best.shapes.bent.copy()
        logs[self.head], bends[self.head] = log, bent
        z = best.z.copy()
        block = self.model.head_block(self.head)
        z[block.start + FIGURES : block.stop] = 0.0
        return replace(best, shapes=Shapes(logs, bends), z=z)

    def _with_lit_floor(self, best: Explanation) -> Explanation:
        z = best.z.copy()
        z[self.model.head_block(self.head).start + LIT_FLOOR] = _SOME_FLOOR
        return replace(best, z=z)

    def _tried(self, one: Explanation) -> tuple[float, Explanation, Point]:
        question = self._question(one)
        point = most_likely(question, one.z, self.model.head_block(self.head), _ROUGHLY)
        return self._log_probability(question, point), replace(one, z=point.z), point

    def _log_probability(self, question: FitProblem, point: Point) -> float:
        """Logarithm of the probability of readings and explanation together, but for a common constant."""
        block = self.model.head_block(self.head)
        off = (self.seen.stops - point.expected)[~question.counts]
        slip = -0.5 * (off / SLIP_STOPS) ** 2 - math.log(SLIP_STOPS) + math.log(SLIP_PROBABILITY)
        _, spread = np.linalg.slogdet(question.information(point)[block, block])
        counted = np.log(self.sd[question.counts]).sum()
        return float(-0.5 * (point.cost + spread) - counted + slip.sum()) + self._before(question.shapes)

    def _before(self, shapes: Shapes) -> float:
        stated = bool(self.model.beliefs.says_log[self.head])
        log = LOG_PROBABILITY_SAID if stated else LOG_PROBABILITY
        return math.log(log if shapes.logarithmic[self.head] else 1 - log) + math.log(
            BENT_PROBABILITY if shapes.bent[self.head] else 1 - BENT_PROBABILITY
        )


def studentised(question: FitProblem, point: Point) -> FloatArray:
    """Residuals of the readings (m,), each over the uncertainty it would have had without that reading."""
    share = _own_share(question, point)
    spread = np.where(question.counts, 1 - share, 1 + share)
    return np.asarray((question.seen.stops - point.expected) / question.sd / np.sqrt(spread))


def foretold_sd(question: FitProblem, point: Point) -> FloatArray:
    """Standard uncertainty (m,) [stops] with which the other readings foretell each, its own counted."""
    share = _own_share(question, point)
    counted = 1 / (1 - np.where(question.counts, share, 0.0))
    return np.asarray(question.sd * np.sqrt(np.where(question.counts, counted, 1 + share)))


def _own_share(question: FitProblem, point: Point) -> FloatArray:
    """How much of what is expected of each reading (m,) comes from itself, below 1; for one that does not
    count the variance of what is expected of it over its own."""
    covariance = np.linalg.inv(question.information(point))
    rows = point.slopes / question.sd[:, None]
    share = np.einsum("mk,kl,ml->m", rows, covariance, rows)
    return np.asarray(np.where(question.counts, np.minimum(share, 0.999), share))
