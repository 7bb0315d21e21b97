"""A calibration from readings: the most likely studio, how sure it is, and what to make of each reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.model import PER_HEAD, Direction, Model, Shapes, model_of
from fillside.calibration.observations import (
    HAND_PROBABILITIES,
    HAND_SD_M,
    HAND_SDS_M,
    ambient_direction,
    hand_slopes,
    observations,
    reading_sd,
)
from fillside.calibration.priors import BOUNCE
from fillside.calibration.readings import Reading
from fillside.calibration.selection import Explanation, explain
from fillside.calibration.solving import Point, Weighed, most_likely, uncertainty_of
from fillside.rig.model import Rig

FloatArray = NDArray[np.float64]

SECANT_SD, STEERING_SECANT_SD = 1.7, 1.0
"""How many standard deviations up the secant of a skewed unknown is taken: to say how sure the light is, and
to choose what to read next, where the likely counts for more than the possible."""
_SECANT_TURNS = 4


@dataclass(frozen=True)
class Fit:
    """What readings say of a rig: the most likely unknowns and their covariance.

    `hand_sd_m` is how far off, on each axis, the places of these readings seem to be.
    """

    readings: tuple[Reading, ...]
    question: Weighed
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

    @cached_property
    def covariance(self) -> FloatArray:
        """Covariance of the unknowns (size, size), for saying how sure a light is."""
        return self._covariance(SECANT_SD)

    @cached_property
    def steering(self) -> FloatArray:
        """Covariance of the unknowns (size, size), for choosing the next reading."""
        return self._covariance(STEERING_SECANT_SD)

    def _covariance(self, secant_sd: float) -> FloatArray:
        """Bounce is believed in by its logarithm and may be far more than it is likeliest to be, so the slope
        at the likeliest gives place to the secant toward more: in what readings tell of it, in what they tell
        of all else, and in what is said of the light.
        """
        information = self.question.information(self.point)
        prior = np.eye(len(information))
        bounce = np.arange(self.model.heads) * PER_HEAD + BOUNCE
        widened, spread = np.ones(len(information)), np.ones(len(bounce))
        for _ in range(_SECANT_TURNS):
            way = secant_sd * spread * self.model.beliefs.sd[:, BOUNCE]
            widened[bounce] = np.expm1(way) / way
            sides = np.outer(widened, widened)
            covariance = np.linalg.inv((information - prior) * sides + prior)
            spread = np.sqrt(np.diag(covariance)[bounce])
        return np.asarray(covariance * sides)


def fit(readings: Sequence[Reading], rig: Rig, directions: Sequence[Direction] = ()) -> Fit:
    """Weigh readings and the rig file's labels into the most likely studio; with none, the labels alone.

    `directions` of ambient light are known to the fit beside those that the readings and the balance need.
    """
    model = model_of(rig, [*directions, *(ambient_direction(rig, reading) for reading in readings)])
    seen = observations(readings, model)
    plain = np.zeros(model.heads, dtype=np.bool_)
    shapes, counts, z = Shapes(plain, plain), np.ones(len(seen), dtype=np.bool_), np.zeros(model.size)
    for _ in range(2):
        sd = uncertainty_of(model, z, shapes, seen, HAND_SD_M)
        z = most_likely(Weighed(model, shapes, seen, sd, counts), z).z
    best = explain(model, seen, sd, Explanation(shapes, counts, z))
    hand = hand_slopes(model, best.z, best.shapes, seen.quantities)
    question = Weighed(model, best.shapes, seen, sd, best.counts)
    steady_m = hand_sd(question, question.at(best.z), hand)
    question = replace(question, sd=reading_sd(seen.meter_sd, hand, steady_m))
    return Fit(tuple(readings), question, most_likely(question, best.z), steady_m)


def hand_sd(question: Weighed, point: Point, hand: FloatArray) -> float:
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
