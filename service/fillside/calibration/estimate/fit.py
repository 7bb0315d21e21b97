"""A calibration from readings: the most likely studio, how sure it is, and what to make of each reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.gauss_newton import FitProblem, Point, most_likely, uncertainty_of
from fillside.calibration.estimate.model import PER_HEAD, Direction, Model, Shapes, model_of
from fillside.calibration.estimate.observations import (
    HAND_PROBABILITIES,
    HAND_SD_M,
    HAND_SDS_M,
    ambient_direction,
    hand_slopes,
    observations,
    reading_sd,
)
from fillside.calibration.estimate.posterior import Posterior, Skewed, posterior
from fillside.calibration.estimate.priors import BOUNCE, EXPONENT, WRONG_TOGETHER
from fillside.calibration.estimate.selection import Explanation, explain
from fillside.calibration.readings import Reading
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SECANT_SD, STEERING_SECANT_SD = 1.7, 1.0
"""How many standard deviations up the secant of a skewed unknown is taken: to say how sure the light is, and
to choose what to read next, where the likely counts for more than the possible."""


@dataclass(frozen=True)
class Fit:
    """What readings say of a rig: the most likely unknowns and their covariance.

    `hand_sd_m` is how far off, on each axis, the places of these readings seem to be.
    """

    readings: tuple[Reading, ...]
    question: FitProblem
    point: Point
    hand_sd_m: float

    @property
    def model(self) -> Model:
        return self.question.model

    @property
    def shapes(self) -> Shapes:
        return self.question.shapes

    @property
    def z(self) -> FloatArray:
        return self.point.z

    @property
    def readings_counted(self) -> tuple[Reading, ...]:
        """The readings that were not left out."""
        return tuple(r for r, counts in zip(self.readings, self.question.counts, strict=True) if counts)

    @cached_property
    def was_read(self) -> BoolArray:
        """Which heads (n,) some reading that counts is of."""
        read = {name for reading in self.readings_counted for name in reading.heads}
        return np.array([name in read for name in self.model.beliefs.names])

    @cached_property
    def covariance(self) -> FloatArray:
        """Covariance of the unknowns (size, size), as far as the readings say it."""
        return self.posterior.matrix()

    @cached_property
    def steering(self) -> FloatArray:
        """Covariance of the unknowns (size, size), for choosing the next reading."""
        return self._posterior(STEERING_SECANT_SD).matrix()

    @cached_property
    def posterior(self) -> Posterior:
        """How sure the unknowns are, for saying how sure a light is."""
        return self._posterior(SECANT_SD)

    def _posterior(self, secant_sd: float) -> Posterior:
        question, beliefs = self.question, self.model.beliefs
        rows = (self.point.slopes / question.sd[:, None])[question.counts]
        first = np.arange(self.model.heads) * PER_HEAD
        skewed = Skewed(
            np.append(first + BOUNCE, self.model.heads * PER_HEAD),
            np.append(beliefs.sd[:, BOUNCE], self.model.ambient.whole_sd),
            secant_sd,
        )
        is_open = np.array([curve is None for curve in beliefs.certain_curves], dtype=np.bool_)
        return posterior(rows, skewed, (first + EXPONENT)[is_open], WRONG_TOGETHER)


def fit(readings: Sequence[Reading], rig: Rig, directions: Sequence[Direction] = ()) -> Fit:
    """Weigh readings and the rig file's labels into the most likely studio; with none, the labels alone.

    `directions` of ambient light are known to the fit beside those that the readings and the balance need.
    """
    model = model_of(rig, [*directions, *(ambient_direction(rig, reading) for reading in readings)])
    seen = observations(readings, model)
    plain = np.zeros(model.heads, dtype=np.bool_)
    shapes, counts, z = (
        Shapes(model.beliefs.says_log, plain),
        np.ones(len(seen), dtype=np.bool_),
        np.zeros(model.size),
    )
    for _ in range(2):
        sd = uncertainty_of(model, z, shapes, seen, HAND_SD_M)
        z = most_likely(FitProblem(model, shapes, seen, sd, counts), z).z
    best = explain(model, seen, sd, Explanation(shapes, counts, z))
    hand = hand_slopes(model, best.z, best.shapes, seen.quantities)
    question = FitProblem(model, best.shapes, seen, sd, best.counts)
    steady_m = hand_sd(question, question.at(best.z), hand)
    question = replace(question, sd=reading_sd(seen.meter_sd, hand, steady_m))
    return Fit(tuple(readings), question, most_likely(question, best.z), steady_m)


def hand_sd(question: FitProblem, point: Point, hand: FloatArray) -> float:
    """How unsteady this hand is [m]: the mean over `HAND_SDS_M` of what the readings make probable.

    The readings' probability under each is that of a linear model about `point` with the unknowns integrated
    out: normal with covariance slopes slopes' + diag(sd^2).
    """
    counts = question.counts
    rows = point.slopes[counts]
    off = (question.seen.stops - point.expected)[counts] + rows @ point.z
    scores = []
    for sd_m in HAND_SDS_M:
        sd = reading_sd(question.seen.meter_sd, hand, float(sd_m))[counts]
        root = np.linalg.cholesky(rows @ rows.T + np.diag(sd**2))
        whitened = np.linalg.solve(root, off)
        scores.append(-0.5 * whitened @ whitened - np.log(np.diag(root)).sum())
    weight = HAND_PROBABILITIES * np.exp(np.array(scores) - max(scores))
    return float(weight @ HAND_SDS_M / weight.sum())
