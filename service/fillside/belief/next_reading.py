"""The next best reading: which one more would make the held light surest, and by how much.

A reading not yet taken has a known effect on a belief that is linear about its best studio: with covariance C
of the unknowns, slopes a of the reading and its variance v, C becomes C - C a a' C / (a' C a + v) (V. V.
Fedorov, Theory of Optimal Experiments, 1972). What counts is the mean square uncertainty of the held ratio
and exposure, at the marks and about them, at the levels that hold the balance there, and a little also how
surely the other heads keep their distance to the key.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fillside.balance.rows import EXPOSURE, LIT, SHADOW
from fillside.belief.belief import Belief
from fillside.belief.candidates import Candidate, Place, candidates
from fillside.belief.model import Term, Wanted
from fillside.belief.observations import (
    hand_slopes,
    meter_sd_expected,
    model_sd,
    own_sd,
    stops_slopes,
)
from fillside.belief.result.expected_levels import ExpectedLevels
from fillside.belief.result.intervals import Intervals, own_light
from fillside.rig.tables.model import HIGHEST_M

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

ABOUT_M, ABOUT_HEIGHT_M = 0.55, 0.3
"""Distances about a mark within which the light is to be sure: a subject shifts, leans, sits and stands."""
SURE_STOPS, LITTLE_GAIN = 0.05, 0.03
"""Enough is read when ratio and exposure are held within this standard uncertainty, or when one more reading
takes less than this share off it."""
OTHER_HEADS_WEIGHT = 0.1
MOST_TO_COME, _LOOKED_AT = 30, 200
"""So far ahead readings are counted; more than that nobody takes."""


@dataclass(frozen=True)
class NextReading:
    """The reading that would help most, and standard uncertainties about the marks [stops] now and after it.

    `expected_lux` is what it should show, within `expected_sigma_stops`. `enough` says that one may as well
    stop before it; `to_come` estimates how many are to be taken until then, this one among them.
    """

    asked: Candidate
    expected_lux: float
    expected_sigma_stops: float
    ratio_sigma_stops: float
    exposure_sigma_stops: float
    ratio_sigma_after_stops: float
    exposure_sigma_after_stops: float
    enough: bool
    to_come: int


@dataclass(frozen=True)
class _Aims:
    """All that is to become sure: slopes (rows, size) of ratio, exposure and other heads' light [stops]."""

    ratio: FloatArray
    exposure: FloatArray
    others: FloatArray

    def parts(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return self.ratio, self.exposure, self.others


def next_reading(
    belief: Belief,
    intervals: Intervals | None = None,
    levels: ExpectedLevels | None = None,
    only: Collection[str | None] | None = None,
) -> NextReading | None:
    """The one more reading that would make the held light surest; None if there is nothing to ask for.

    `only` names the heads that may be asked for, None among them for the ambient light. `intervals` and
    `levels`, where they are at hand, are those of the belief.
    """
    levels = ExpectedLevels(belief) if levels is None else levels
    intervals = Intervals(belief.rig, None, belief) if intervals is None else intervals
    held = [levels.at(mark) for mark in belief.rig.marks.values()]
    asked = list(dict.fromkeys(candidates(belief, held, only)))
    if not asked:
        return None
    aims = _aims(belief, intervals, levels, held)
    asked = _foremost(belief, asked, aims)
    found = _Foreseen.of(belief, asked, aims)
    best = found.best
    before, after = found.sure(), found.with_best().sure()
    enough = _enough(before, after)
    return NextReading(
        asked=asked[best],
        expected_lux=float(found.lux[best]),
        expected_sigma_stops=math.sqrt(float(found.spread[best])),
        ratio_sigma_stops=before[0],
        exposure_sigma_stops=before[1],
        ratio_sigma_after_stops=after[0],
        exposure_sigma_after_stops=after[1],
        enough=enough,
        to_come=0 if enough else max(1, _to_come(found)),
    )


def _enough(before: Sequence[float], after: Sequence[float]) -> bool:
    """Return true if one may as well stop, by the aims' uncertainties before and after one more [stops]."""
    sure = max(before[:2]) < SURE_STOPS and before[2] < 2 * SURE_STOPS
    return sure or math.hypot(*after) > (1 - LITTLE_GAIN) * math.hypot(*before)


def _to_come(found: _Foreseen) -> int:
    """The number of readings until it is enough, if the best is always taken and shows what is expected.

    What a reading does to the covariance depends on its slopes and variance alone, not on its value, so the
    way ahead can be gone without one.
    """
    for count in range(MOST_TO_COME):
        then = found.with_best()
        if _enough(found.sure(), then.sure()):
            return count
        found = then
    return MOST_TO_COME


@dataclass(frozen=True)
class _Foreseen:
    """Readings to take (m), what they share with one another and with the aims [stops^2], and what is left
    unknown of the aims.

    `of_aim` says of each aim (p,) whether it is of ratio, exposure or other heads (0, 1, 2).
    """

    lux: FloatArray
    alike: FloatArray
    noise: FloatArray
    shared: FloatArray
    left: FloatArray
    of_aim: IntArray

    @classmethod
    def of(cls, belief: Belief, asked: Sequence[Candidate], aims: _Aims) -> _Foreseen:
        lux, rows, sd = _as_readings(belief, asked)
        parts, after = aims.parts(), belief.posterior
        wanted = np.concatenate(parts)
        return cls(
            lux,
            after.covariance(rows, rows),
            sd**2,
            after.covariance(rows, wanted),
            after.variance(wanted),
            np.repeat(np.arange(len(parts)), [len(part) for part in parts]),
        )

    @property
    def spread(self) -> FloatArray:
        """Variance of what each should show (m,) [stops^2]."""
        return np.asarray(np.diag(self.alike) + self.noise)

    @property
    def gains(self) -> FloatArray:
        """By how much each takes the mean variance of the held light down (m,), other heads a little."""
        less = self.shared**2 / self.spread[:, None]
        weights = (1.0, 1.0, OTHER_HEADS_WEIGHT)
        means = [w * _mean(less[:, self.of_aim == kind]) for kind, w in enumerate(weights)]
        return np.asarray(np.sum(means, axis=0))

    @property
    def best(self) -> int:
        return int(np.argmax(self.gains))

    def sure(self) -> list[float]:
        """Standard uncertainties of ratio, exposure and other heads about the marks [stops]."""
        return [math.sqrt(float(_mean(self.left[self.of_aim == kind][None])[0])) for kind in range(3)]

    def with_best(self) -> _Foreseen:
        """The forecast once the best of them is taken."""
        best, over = self.best, float(self.spread[self.best])
        own, of_aims = self.alike[:, best], self.shared[best]
        return replace(
            self,
            alike=self.alike - np.outer(own, own) / over,
            shared=self.shared - np.outer(own, of_aims) / over,
            left=np.maximum(self.left - of_aims**2 / over, 0.0),
        )


def _foremost(belief: Belief, asked: Sequence[Candidate], aims: _Aims) -> list[Candidate]:
    """The readings that gain most, some at a time, since a rig of hundreds of heads has tens of thousands."""
    if len(asked) <= _LOOKED_AT:
        return list(asked)
    gains = [
        _Foreseen.of(belief, asked[first : first + _LOOKED_AT], aims).gains
        for first in range(0, len(asked), _LOOKED_AT)
    ]
    kept = np.sort(np.argsort(-np.concatenate(gains), kind="stable")[:_LOOKED_AT])
    return [asked[i] for i in kept.tolist()]


def _mean(values: FloatArray) -> FloatArray:
    """Mean over the last axis, 0 over nothing."""
    return np.asarray(values.sum(axis=-1) / max(values.shape[-1], 1))


def places_about(mark: Sequence[float]) -> tuple[Place, ...]:
    """A mark and places about it where the subject may come to be."""
    x, y, z = mark
    level = [(ABOUT_M, 0.0), (-ABOUT_M, 0.0), (0.0, ABOUT_M), (0.0, -ABOUT_M)]
    up, down = min(z + ABOUT_HEIGHT_M, HIGHEST_M), max(z - ABOUT_HEIGHT_M, 0.0)
    return (x, y, z), *((x + dx, y + dy, z) for dx, dy in level), (x, y, up), (x, y, down)


def _aims(
    belief: Belief, intervals: Intervals, expected: ExpectedLevels, held: Sequence[FloatArray]
) -> _Aims:
    rig = belief.rig
    rows = []
    for mark in rig.marks.values():
        for place in places_about(mark):
            rows.append(intervals.log2_slopes(place, expected.at(place))[[LIT, SHADOW, EXPOSURE]])
    lit, shadow, exposure = np.array(rows).transpose(1, 0, 2)
    others = [i for i, head in enumerate(rig.heads) if head.rule in ("hair", "background")]
    relative = [np.zeros((0, belief.model.size))]
    for mark, levels in zip(rig.marks.values(), held, strict=True):
        key = intervals.log2_slopes(mark, levels)[LIT]
        relative.append(own_light(belief, mark, levels)[1][others] - key)
    return _Aims(lit - shadow, exposure, np.concatenate(relative))


def _as_readings(belief: Belief, asked: Sequence[Candidate]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Expected lux (m,), slopes in stops (m, size), standard uncertainty [stops] (m,) of readings to take."""
    model, there = belief.model, belief.figures
    wanted = []
    for one in asked:
        dome, terms = one.receptor == "dome", list[Term]()
        if one.head is not None:
            terms.append(Term(model.names.index(one.head), one.level, one.at, one.facing, dome))
        wanted.append(Wanted(tuple(terms), one.at, one.facing, dome, metered=True))
    quantities = model.quantities(wanted)
    lux, slopes = model.lux_and_slopes(there, quantities)
    meter = meter_sd_expected(belief.rig.meter.sigma, lux)
    hand, coarse = hand_slopes(model, there, quantities), model_sd(model, there, quantities, lux)
    return lux, stops_slopes(lux, slopes), own_sd(meter, hand, belief.hand_sd_m, coarse)
