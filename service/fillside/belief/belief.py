"""The belief of a studio: its most likely state, how sure that is, and what to make of each reading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.belief.daylight import Sky, sky_of
from fillside.belief.evidence import Evidence, Reading
from fillside.belief.forward.model import Figures, Model, model_of
from fillside.belief.forward.priors import (
    INTENSITY,
    INTENSITY_SD_STOPS,
    SHARED,
    WINDOW_GROWTH,
    WINDOW_LUX,
    WINDOW_X,
)
from fillside.belief.hypotheses import SLIP_STOPS, Residuals, residuals, wrong_readings
from fillside.belief.observations import (
    DARK_LUX,
    HAND_PROBABILITIES,
    HAND_SD_M,
    HAND_SDS_M,
    MEASURED_SD_M,
    Observations,
    age_covariance,
    ages_days,
    hand_slopes,
    model_sd,
    observations,
    own_sd,
    steps_of,
)
from fillside.belief.posterior import (
    InverseProblem,
    Point,
    Posterior,
    Skewed,
    most_likely,
    posterior,
)
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_BEARINGS, _FIRST_SD_STOPS = 6, 0.08
_ROUNDS, _DOUBTS = 2, 3
"""Rounds in which the spreads of readings are settled in the studio that they give, and in which readings are
doubted and the studio is found anew without them."""


@dataclass(frozen=True)
class Belief:
    """All that is known of a rig's studio.

    Attributes:
        evidence: all of it, in order.
        problem: the evidence as numbers.
        point: the most likely studio.
        wrong: which readings (m,) are taken for slips.
        sd: standard uncertainty of each reading alone (m,) [stops], were it no slip.
        hand_sd_m: how far off, on each axis, the places of these readings seem to be [m].
        stated_stops: heads whose light is stated to be so sure [stops], without a reading behind it.
    """

    evidence: Evidence
    problem: InverseProblem
    point: Point
    wrong: BoolArray
    sd: FloatArray
    hand_sd_m: float
    stated_stops: Mapping[int, float] = field(default_factory=dict)

    @property
    def model(self) -> Model:
        return self.problem.model

    @property
    def rig(self) -> Rig:
        return self.problem.model.rig

    @property
    def z(self) -> FloatArray:
        """The most likely unknowns (size,)."""
        return self.point.z

    @property
    def figures(self) -> Figures:
        """The figures of the most likely unknowns."""
        return self.point.figures

    @property
    def sky(self) -> Sky | None:
        """The daylight for which the studio is believed, if a sensor told of it."""
        return sky_of(self.evidence, self.rig)

    @property
    def readings(self) -> tuple[Reading, ...]:
        return self.evidence.readings

    @property
    def expected_stops(self) -> FloatArray:
        """The expectation of the readings (m,), on the scale of `stops`."""
        return self.point.expected[: len(self.readings)]

    @property
    def off_stops(self) -> FloatArray:
        """The readings (m,) over their expectation [stops]."""
        return self.problem.seen.stops[: len(self.readings)] - self.expected_stops

    @cached_property
    def was_read(self) -> BoolArray:
        """True for heads (n,) with a reading that counts."""
        sound = [r for r, wrong in zip(self.readings, self.wrong, strict=True) if not wrong]
        read = {name for reading in sound for name in reading.heads}
        return np.array([name in read for name in self.model.names])

    @cached_property
    def posterior(self) -> Posterior:
        """The uncertainty of the unknowns; a head whose light is stated with its uncertainty has just
        that."""
        found = posterior(self.problem, self.point, Skewed.of(self.model))
        if not self.stated_stops:
            return found
        times = np.array(found.times * np.ones(self.model.size))
        for head, stops in self.stated_stops.items():
            times[self.model.head_block(head)] = 0.0
            times[self.model.head_block(head).start + INTENSITY] = stops / INTENSITY_SD_STOPS
        return replace(found, times=times)

    @cached_property
    def residuals(self) -> Residuals:
        """Each reading (m,) against what the others foretell."""
        return residuals(self.problem, self.point, self.sd)


def believe(
    evidence: Evidence | Sequence[Reading],
    rig: Rig,
    now_s: float | None = None,
    near: Belief | None = None,
) -> Belief:
    """Weigh evidence and the rig file's labels into the most likely studio; with none, the labels alone.

    `now_s` is the Unix time for which the studio is believed [s], by default that of the newest evidence.
    `near` is a belief of the same rig by most of the evidence; from there it is not far, and so found sooner.
    """
    told = evidence if isinstance(evidence, Evidence) else Evidence(tuple(evidence))
    model = model_of(rig, steps_of(told, rig))
    seen = observations(told, model, now_s)
    if near is not None and near.z.size == model.size:
        start, hand_m, rounds = near.z, near.hand_sd_m, 1
    else:
        start, hand_m, rounds = _under_the_sky(told, model, now_s), HAND_SD_M, _ROUNDS
    problem, point, sd = _settled(model, seen, start, hand_m, rounds)
    wrong = np.zeros(len(problem.values), dtype=np.bool_)
    heads = tuple(frozenset(model.names.index(name) for name in reading.heads) for reading in told.readings)
    for _ in range(_DOUBTS):
        doubted = wrong_readings(problem, point, heads)
        if (doubted == wrong).all():
            break
        wrong = doubted
        point = most_likely(_doubting(problem, wrong), point.z)
    steady, _ = _problem(model, seen, point, 0.0)
    hand_m = _hand_sd(_doubting(steady, wrong), point, seen)
    problem, sd = _problem(model, seen, point, hand_m)
    problem = _doubting(problem, wrong)
    point = most_likely(problem, point.z)
    count = len(told.readings)
    return Belief(told, problem, point, wrong[:count], sd[:count], hand_m)


def known(
    evidence: Evidence,
    rig: Rig,
    z: FloatArray,
    hand_m: float,
    wrong: Sequence[bool],
    now_s: float | None = None,
) -> Belief:
    """Rebuild the belief that the same evidence once gave, at its unknowns z (size,); nothing is fitted
    anew."""
    model = model_of(rig, steps_of(evidence, rig))
    seen = observations(evidence, model, now_s)
    slips = np.zeros(len(seen) + len(seen.tapes), dtype=np.bool_)
    slips[: len(wrong)] = wrong
    bare = InverseProblem(model, seen, np.eye(len(slips))).at(z)
    problem, sd = _problem(model, seen, bare, hand_m)
    problem = _doubting(problem, slips)
    return Belief(evidence, problem, problem.at(z), slips[: seen.readings], sd[: seen.readings], hand_m)


def later(belief: Belief, now_s: float) -> Belief:
    """The belief about the same studio at another Unix time [s]: less sure as its evidence ages."""
    problem, seen = belief.problem, belief.problem.seen
    count = len(seen)
    days, skies = ages_days(belief.evidence, problem.model, count - seen.readings, now_s)
    grown = replace(seen, days=days, daylight_days=skies)
    by_age = [_age_noise(problem.model, belief.point, one) for one in (seen, grown)]
    noise = problem.noise.copy()
    noise[:count, :count] += by_age[1] - by_age[0]
    return replace(belief, problem=InverseProblem(problem.model, grown, noise))


def _under_the_sky(evidence: Evidence, model: Model, now_s: float | None) -> FloatArray:
    """Unknowns (size,) to start from: where a window is, by the readings with all heads out alone.

    Light from one side can be explained by a window here or there, so several places are tried.
    """
    dark = Evidence(tuple(reading for reading in evidence.readings if not reading.heads))
    start = np.zeros(model.size)
    if not dark.readings:
        return start
    seen = observations(dark, model_of(model.rig), now_s, sky_of(evidence, model.rig))
    problem = InverseProblem(
        model_of(model.rig), seen, np.diag(np.hypot(seen.meter_sd, _FIRST_SD_STOPS) ** 2)
    )
    place = problem.model.index_of_shared(WINDOW_X)
    brightest = float(np.exp2(problem.seen.stops.max()))
    tried = [problem.at(np.zeros(problem.model.size))]
    for azimuth in np.arange(_BEARINGS) * (2 * np.pi / _BEARINGS):
        z = np.zeros(problem.model.size)
        z[place : place + 2] = (
            np.arcsinh(brightest / WINDOW_LUX * np.array([np.cos(azimuth), np.sin(azimuth)])) / WINDOW_GROWTH
        )
        tried.append(problem.at(z))
    found = min((most_likely(problem, one.z) for one in tried), key=lambda one: one.misfit)
    first = model.index_of_shared(0)
    start[first : first + SHARED] = problem.model.shared(found.z)
    return start


def _settled(
    model: Model, seen: Observations, start: FloatArray, hand_m: float, rounds: int
) -> tuple[InverseProblem, Point, FloatArray]:
    """The most likely studio, found in turn with the errors of readings in it."""
    sized = len(seen) + len(seen.tapes)
    point = InverseProblem(model, seen, np.eye(sized)).at(start)
    for _ in range(rounds):
        problem, sd = _problem(model, seen, point, hand_m)
        point = most_likely(problem, point.z)
    problem, sd = _problem(model, seen, point, hand_m)
    return problem, point, sd


def _problem(
    model: Model, seen: Observations, point: Point, hand_m: float
) -> tuple[InverseProblem, FloatArray]:
    """The evidence with its errors about a studio, and the standard uncertainties of readings (m,)."""
    count = len(seen)
    lux = model.lux(point.figures, seen.quantities)
    coarse = model_sd(model, point.figures, seen.quantities, lux)
    sd = own_sd(seen.meter_sd, hand_slopes(model, point.figures, seen.quantities), hand_m, coarse)
    sd[seen.readings :] = seen.meter_sd[seen.readings :]
    noise = np.zeros((count + len(seen.tapes),) * 2)
    noise[:count, :count] = np.diag(sd**2) + _age_noise(model, point, seen)
    places = np.arange(count, len(noise))
    noise[places, places] = MEASURED_SD_M**2
    return InverseProblem(model, seen, noise), sd


def _age_noise(model: Model, point: Point, seen: Observations) -> FloatArray:
    """Covariance of the observations by age and sky (m, m), about a point."""
    lux = model.lux(point.figures, seen.quantities)
    ambient = model.ambient_lux(point.figures, seen.quantities) / (lux + DARK_LUX)
    return age_covariance(seen, model, point.rows[: len(seen)], ambient)


def _doubting(problem: InverseProblem, wrong: BoolArray) -> InverseProblem:
    """The problem with the variance of a slip added for wrong readings."""
    if not wrong.any():
        return problem
    return InverseProblem(problem.model, problem.seen, problem.noise + np.diag(SLIP_STOPS**2 * wrong))


def _hand_sd(steady: InverseProblem, point: Point, seen: Observations) -> float:
    """Return the unsteadiness of this hand [m]: the mean of `HAND_SDS_M` by the probability of the readings.

    The readings' probability under each is that of a linear model about `point` with the unknowns integrated
    out, as for the hypotheses. `steady` is the problem of a hand that does not err.
    """
    if not seen.readings:
        return HAND_SD_M
    slopes = np.zeros(len(steady.values))
    slopes[: seen.readings] = hand_slopes(steady.model, point.figures, seen.quantities)[: seen.readings]
    off = steady.values - point.expected + point.rows @ point.z
    spread = point.rows @ point.rows.T + steady.noise
    scores = []
    for sd_m in HAND_SDS_M:
        root = np.linalg.cholesky(spread + np.diag((sd_m * slopes) ** 2))
        whitened = np.linalg.solve(root, off)
        scores.append(-0.5 * whitened @ whitened - np.log(np.diag(root)).sum())
    weight = HAND_PROBABILITIES * np.exp(np.array(scores) - max(scores))
    return float(weight @ HAND_SDS_M / weight.sum())
