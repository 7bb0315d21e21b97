"""The most likely studio: readings and beliefs weighed together, by damped Gauss-Newton steps.

The unknowns are standard normal before any reading, so the fit is a ridge regression made again at each
step: minimise |(y - f(z)) / sd|^2 + |z|^2 (Bayes' theorem for normal errors and normal beliefs).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.model import Model, Shapes
from fillside.calibration.estimate.observations import (
    Observations,
    hand_slopes,
    reading_sd,
    stops,
    stops_slopes,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_TRIES, _LONGEST, _STIFFEST, SETTLED = 80, 2.0, 1e9, 2e-4
"""Most steps tried, the longest in any unknown [sd], the damping at which to give up, and a gain in squared
misfit that is too small to go on for."""


@dataclass(frozen=True)
class Point:
    """A studio that was tried: unknowns, what readings should be [stops], slopes, and the weighed misfit."""

    z: FloatArray
    expected: FloatArray
    slopes: FloatArray
    cost: float


@dataclass(frozen=True)
class FitProblem:
    """A question to the solver: model, shapes, observations, their uncertainty [stops], which ones count."""

    model: Model
    shapes: Shapes
    seen: Observations
    sd: FloatArray
    counts: BoolArray

    def cost(self, z: FloatArray, expected: FloatArray) -> float:
        off = ((self.seen.stops - expected) / self.sd)[self.counts]
        return float(off @ off + z @ z)

    def at(self, z: FloatArray) -> Point:
        lux, slopes = self.model.lux_and_slopes(z, self.shapes, self.seen.quantities)
        expected = stops(lux)
        return Point(z, expected, stops_slopes(lux, slopes), self.cost(z, expected))

    def information(self, point: Point) -> FloatArray:
        """Inverse covariance of the unknowns (size, size)."""
        rows = (point.slopes / self.sd[:, None])[self.counts]
        return np.asarray(rows.T @ rows + np.eye(len(point.z)))


def most_likely(
    question: FitProblem, start: FloatArray, free: slice | None = None, settled: float = SETTLED
) -> Point:
    """The unknowns at which readings and beliefs together are most likely, from a start nearby.

    With `free`, only those unknowns move. The last step is the one that promises to gain less than
    `settled` in squared misfit. Damping is Levenberg's and Marquardt's, by the share of the promise kept.
    """
    best, damping = question.at(start), 1e-3
    moving = slice(None) if free is None else free
    for _ in range(_TRIES):
        curvature = question.information(best)[moving, moving]
        off = np.where(question.counts, (question.seen.stops - best.expected) / question.sd**2, 0.0)
        uphill = (best.slopes.T @ off - best.z)[moving]
        step = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), uphill)
        step = step * min(1.0, _LONGEST / max(float(np.abs(step).max()), 1e-12))
        promised = float(2 * step @ uphill - step @ curvature @ step)
        z = best.z.copy()
        z[moving] += step
        tried = question.at(z)
        kept = (best.cost - tried.cost) / max(promised, 1e-300)
        damping *= 4.0 if kept < 0.25 else 0.2 if kept > 0.75 else 1.0
        if kept > 0:
            best = tried
        if abs(promised) < settled or damping > _STIFFEST:
            break
    return best


def uncertainty_of(
    model: Model, z: FloatArray, shapes: Shapes, seen: Observations, hand_sd_m: float
) -> FloatArray:
    """Standard uncertainty of the readings [stops], meter and hand, in the studio that `z` describes."""
    return reading_sd(seen.meter_sd, hand_slopes(model, z, shapes, seen.quantities), hand_sd_m)
