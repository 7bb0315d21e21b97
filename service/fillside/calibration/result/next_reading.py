"""The next best reading: which one more would make the held light surest, and by how much.

A reading not yet taken has a known effect on a fit that is linear about its best studio: with covariance C
of the unknowns, slopes a of the reading and its variance v, C becomes C - C a a' C / (a' C a + v) (V. V.
Fedorov, Theory of Optimal Experiments, 1972). What counts is the mean square uncertainty of the held ratio
and exposure, at the marks and about them, at the levels that hold the balance there, and a little also how
surely the other heads keep their distance to the key.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.fit import Fit
from fillside.calibration.estimate.model import Term, direction_of
from fillside.calibration.estimate.observations import (
    hand_slopes,
    meter_sd_expected,
    reading_sd,
    stops_slopes,
)
from fillside.calibration.estimate.uncertainty import LIT, balance_slopes, own_light
from fillside.calibration.result.candidates import Candidate, Place, candidates
from fillside.calibration.result.expected_levels import ExpectedLevels
from fillside.rig.tables.model import HIGHEST_M

FloatArray = NDArray[np.float64]

ABOUT_M, ABOUT_HEIGHT_M = 0.55, 0.3
"""How far about a mark the light is to be sure: a subject shifts, leans, sits and stands."""
SURE_STOPS, LITTLE_GAIN = 0.05, 0.03
"""Enough is read when ratio and exposure are held within this standard uncertainty, or when one more reading
takes less than this share off it."""
OTHER_HEADS_WEIGHT = 0.1
MOST_TO_COME = 30
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
    """What is to become sure: slopes of ratio, of exposure and of other heads' light [stops] (rows, size)."""

    ratio: FloatArray
    exposure: FloatArray
    others: FloatArray

    def parts(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return self.ratio, self.exposure, self.others


def next_reading(
    fit: Fit, levels: ExpectedLevels | None = None, only: Collection[str | None] | None = None
) -> NextReading | None:
    """The one more reading that would make the held light surest; None if there is nothing to ask for.

    `only` names the heads that may be asked for, None among them for the ambient light.
    """
    levels = ExpectedLevels(fit) if levels is None else levels
    held = [levels.at(mark) for mark in fit.model.rig.marks.values()]
    asked = list(dict.fromkeys(candidates(fit, held, only)))
    if not asked:
        return None
    aims = _aims(fit, levels, held)
    lux, rows, sd = _as_readings(fit, asked)
    less, _ = _less(rows, sd, fit.steering, aims)
    best = int(np.argmax(less[0] + less[1] + OTHER_HEADS_WEIGHT * less[2]))
    gains, spread = _less(rows[best : best + 1], sd[best : best + 1], fit.covariance, aims)
    total = [float(_mean(np.einsum("mk,kl,ml->m", p, fit.covariance, p)[None])[0]) for p in aims.parts()]
    now = [float(_mean(fit.posterior.variance(p)[None])[0]) for p in aims.parts()]
    before = [math.sqrt(value) for value in now]
    after = [
        math.sqrt(max(value * (1 - float(gain[0]) / max(of, 1e-12)), 0.0))
        for value, of, gain in zip(now, total, gains, strict=True)
    ]
    enough = _enough(before, after)
    return NextReading(
        asked=asked[best],
        expected_lux=float(lux[best]),
        expected_sigma_stops=math.sqrt(float(spread[0])),
        ratio_sigma_stops=before[0],
        exposure_sigma_stops=before[1],
        ratio_sigma_after_stops=after[0],
        exposure_sigma_after_stops=after[1],
        enough=enough,
        to_come=0 if enough else max(1, _to_come(rows, sd, fit.covariance, aims)),
    )


def _enough(before: Sequence[float], after: Sequence[float]) -> bool:
    """Whether one may as well stop, by the uncertainties of the aims before and after one more [stops]."""
    sure = max(before[:2]) < SURE_STOPS and before[2] < 2 * SURE_STOPS
    return sure or math.hypot(*after) > (1 - LITTLE_GAIN) * math.hypot(*before)


def _to_come(rows: FloatArray, sd: FloatArray, covariance: FloatArray, aims: _Aims) -> int:
    """How many readings until it is enough, if the best is always taken and shows what is expected.

    What a reading does to the covariance depends on its slopes (m, size) and variance alone, not on its
    value, so the way ahead can be gone without one.
    """
    seen = rows @ covariance
    spread = np.einsum("mk,mk->m", seen, rows) + sd**2
    shared: list[FloatArray] = [seen @ part.T for part in aims.parts()]
    left: list[FloatArray] = [np.einsum("pk,kl,pl->p", part, covariance, part) for part in aims.parts()]
    for count in range(MOST_TO_COME):
        gains = [_mean(common**2 / spread[:, None]) for common in shared]
        best = int(np.argmax(gains[0] + gains[1] + OTHER_HEADS_WEIGHT * gains[2]))
        now = [float(_mean(value)) for value in left]
        then = [max(value - float(gain[best]), 0.0) for value, gain in zip(now, gains, strict=True)]
        if _enough([math.sqrt(max(value, 0.0)) for value in now], [math.sqrt(value) for value in then]):
            return count
        with_best, own, over = seen @ rows[best], seen[best].copy(), float(spread[best])
        of_best = [common[best] for common in shared]
        left = [value - row**2 / over for value, row in zip(left, of_best, strict=True)]
        shared = [c - np.outer(with_best, row) / over for c, row in zip(shared, of_best, strict=True)]
        seen -= np.outer(with_best, own) / over
        spread -= with_best**2 / over
    return MOST_TO_COME


def _less(
    rows: FloatArray, sd: FloatArray, covariance: FloatArray, aims: _Aims
) -> tuple[list[FloatArray], FloatArray]:
    """By how much each of the readings (m,) takes the mean variances of the aims down, and the variance of
    what it should show (m,) [stops^2]."""
    seen = rows @ covariance
    spread = np.einsum("mk,mk->m", seen, rows) + sd**2
    return [_mean((seen @ part.T) ** 2 / spread[:, None]) for part in aims.parts()], spread


def _mean(values: FloatArray) -> FloatArray:
    """Mean over the last axis, 0 over nothing."""
    return np.asarray(values.sum(axis=-1) / max(values.shape[-1], 1))


def places_about(mark: Sequence[float]) -> tuple[Place, ...]:
    """A mark and places about it where the subject may come to be."""
    x, y, z = mark
    level = [(ABOUT_M, 0.0), (-ABOUT_M, 0.0), (0.0, ABOUT_M), (0.0, -ABOUT_M)]
    up, down = min(z + ABOUT_HEIGHT_M, HIGHEST_M), max(z - ABOUT_HEIGHT_M, 0.0)
    return (x, y, z), *((x + dx, y + dy, z) for dx, dy in level), (x, y, up), (x, y, down)


def _aims(fit: Fit, expected: ExpectedLevels, held: Sequence[FloatArray]) -> _Aims:
    rig = fit.model.rig
    places = [place for mark in rig.marks.values() for place in places_about(mark)]
    rows = balance_slopes(fit, places, np.array([expected.at(place) for place in places]))
    others = [i for i, head in enumerate(rig.heads) if head.rule in ("hair", "background")]
    relative = [np.zeros((0, fit.model.size))]
    for mark, levels in zip(rig.marks.values(), held, strict=True):
        lit = balance_slopes(fit, [mark], levels[None])[0, LIT]
        relative.append(own_light(fit, mark, levels)[1][others] - lit)
    return _Aims(rows[:, 0] - rows[:, 1], rows[:, 2], np.concatenate(relative))


def _as_readings(fit: Fit, asked: Sequence[Candidate]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Expected lux (m,), slopes in stops (m, size), standard uncertainty [stops] (m,) of readings to take."""
    model, rig = fit.model, fit.model.rig
    wanted = []
    for one in asked:
        terms = []
        if one.head is not None:
            number = model.beliefs.names.index(one.head)
            terms = [Term(number, one.level, one.at, one.facing, one.receptor == "dome")]
        wanted.append((terms, direction_of(rig, one.facing, one.receptor)))
    quantities = model.quantities(wanted)
    lux, slopes = model.lux_and_slopes(fit.z, fit.shapes, quantities)
    meter = np.array([meter_sd_expected(rig.meter.sigma, float(value)) for value in lux])
    hand = hand_slopes(model, fit.z, fit.shapes, quantities)
    return lux, stops_slopes(lux, slopes), reading_sd(meter, hand, fit.hand_sd_m)
