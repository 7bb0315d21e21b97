"""The most likely studio and how sure it is: readings and beliefs weighed together.

The unknowns are standard normal before any evidence, and what was seen errs normally with a covariance N. The
mode of the posterior is found by damped Gauss-Newton steps, and the posterior is taken to be normal about it
(Laplace's method): with slopes R of what was seen, its covariance is I - R'(R R' + N)^-1 R. That is the form
of a Kalman update, in the space of what was seen, which is smaller than that of the unknowns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.belief.forward.model import PER_HEAD, Figures, Model
from fillside.belief.forward.priors import (
    AMBIENT,
    ROOM,
    STAND,
    TAPE_SD_M,
    WINDOW_GROWTH,
    WINDOW_X,
)
from fillside.belief.observations import Observations, stops, stops_slopes

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_TRIES, _LONGEST, SETTLED = 60, 2.5, 3e-4
"""Most steps tried, the longest in any unknown [sd], and a gain in squared misfit too small to go on for."""
SECANT_SD, _TURNS = 1.7, 3
"""Standard deviations to which the secant of a skewed unknown is taken, and rounds that settle its spread."""
_DAMPED, _STIFFEST = 0.05, 1e6
"""The least damping where a step did not keep its promise, and that at which to give up."""


@dataclass(frozen=True)
class InverseProblem:
    """Observations (m) of a model, tape measures the last, with errors of covariance `noise` (m, m)."""

    model: Model
    seen: Observations
    noise: FloatArray

    @cached_property
    def values(self) -> FloatArray:
        """Observed values: stops of readings, and how far stands are from the file [m]."""
        return np.concatenate([self.seen.stops, [metres for _, _, metres in self.seen.tapes]])

    @cached_property
    def weight(self) -> FloatArray:
        """The inverse of the noise (m, m)."""
        return np.asarray(np.linalg.inv(self.noise))

    def at(self, z: FloatArray) -> Point:
        """The expectation in the studio that `z` (size,) describes."""
        there = self.model.figures(z)
        lux, slopes = self.model.lux_and_slopes(there, self.seen.quantities)
        expected, rows = stops(lux), stops_slopes(lux, slopes)
        for head, after, _ in self.seen.tapes:
            row = tape_row(self.model, head, after)
            expected, rows = np.append(expected, row @ z), np.concatenate([rows, row[None]])
        off = self.values - expected
        return Point(there, expected, rows, float(off @ self.weight @ off + z @ z))


@dataclass(frozen=True)
class Point:
    """A studio that was tried: its figures, the expected observations, their slopes (m, size), and the
    misfit."""

    figures: Figures
    expected: FloatArray
    rows: FloatArray
    misfit: float

    @property
    def z(self) -> FloatArray:
        """The unknowns (size,)."""
        return self.figures.z


def tape_row(model: Model, head: int, after: Sequence[bool]) -> FloatArray:
    """Slopes (size,) of how far a head's stand is from where the file puts it [m], after some of the
    steps."""
    row = np.zeros(model.size)
    row[model.head_block(head).start + STAND] = TAPE_SD_M
    row[model.index_of_step(0) :] = model.by_step("moved")[head] * after
    return row


def most_likely(problem: InverseProblem, start: FloatArray) -> Point:
    """The unknowns at which evidence and beliefs together are most likely, from a start nearby."""
    best = problem.at(start)
    if not len(problem.values):
        return problem.at(np.zeros_like(start))
    damping = 0.0
    for _ in range(_TRIES):
        step, promised = _step(problem, best, damping)
        tried = problem.at(best.z + step)
        gain = best.misfit - tried.misfit
        if gain > 0:
            best = tried
        kept = gain / max(promised, 1e-300)
        damping = max(8 * damping, _DAMPED) if kept < 0.25 else damping / 8 if kept > 0.75 else damping
        if promised < SETTLED or damping > _STIFFEST:
            break
    return best


def _step(problem: InverseProblem, point: Point, damping: float) -> tuple[FloatArray, float]:
    """A step of Levenberg and Marquardt from a point (size,), and the gain in misfit that it promises."""
    off = problem.values - point.expected
    uphill = point.rows.T @ (problem.weight @ off) - point.z
    wide = 1 + damping
    spread = problem.noise + point.rows @ point.rows.T / wide
    step = (uphill - point.rows.T @ np.linalg.solve(spread, point.rows @ uphill) / wide) / wide
    step = step * min(1.0, _LONGEST / max(float(np.abs(step).max()), 1e-12))
    seen = point.rows @ step
    return step, float(2 * step @ uphill - step @ step - seen @ problem.weight @ seen)


@dataclass(frozen=True)
class Skewed:
    """Unknowns `which` (k,) whose quantities grow with them as e^(`growth` z), `growth` (k,).

    A tangent at next to nothing makes little of much that may be there. They count by the secant to
    `SECANT_SD` standard deviations up instead, and so much more than by the tangent.
    """

    which: IntArray
    growth: FloatArray

    @classmethod
    def of(cls, model: Model) -> Skewed:
        """Room light and ambient light, a window's included."""
        rooms = np.arange(model.heads, dtype=np.intp) * PER_HEAD + ROOM
        sky = [model.index_of_shared(u) for u in (AMBIENT, WINDOW_X, WINDOW_X + 1, WINDOW_X + 2)]
        growth = [model.prior.ambient_lux[1], *(WINDOW_GROWTH,) * 3]
        return cls(np.append(rooms, sky), np.append(model.prior.log_room[1], growth))

    def secants(self, sd: FloatArray) -> FloatArray:
        """Secant over tangent (k,) of unknowns whose standard deviations are (k,)."""
        way = SECANT_SD * self.growth * np.maximum(sd, 1e-6)
        return np.asarray(np.expm1(way) / way)


@dataclass(frozen=True)
class Posterior:
    """The uncertainty that evidence leaves of the unknowns (size,).

    Their covariance is I - W'W, and `whitened` is W (m, size). Slopes are taken `times` (size,) as steep as
    their tangents.
    """

    whitened: FloatArray
    times: FloatArray | float = 1.0

    def variance(self, slopes: FloatArray) -> FloatArray:
        """Variance (k,) of quantities with these slopes (k, size): JCGM 100:2008, 5.2.2, equation (13)."""
        own = slopes * self.times
        known = np.square(own @ self.whitened.T).sum(axis=1)
        return np.asarray(np.maximum(np.square(own).sum(axis=1) - known, 0.0))

    def variance_alone(self, head: IntArray, by: FloatArray, by_step: FloatArray) -> FloatArray:
        """Variance (k,) of quantities of one head each (k,), with slopes in its unknowns (k, PER_HEAD) and in
        the steps (k, l); the same as `variance`, without rows that are mostly zeros."""
        at = head[:, None] * PER_HEAD + np.arange(PER_HEAD)
        steps = np.arange(self.whitened.shape[1] - by_step.shape[1], self.whitened.shape[1])
        times = np.broadcast_to(self.times, self.whitened.shape[1])
        own, stepped = by * times[at], by_step * times[steps]
        known = np.einsum("mkp,kp->mk", self.whitened[:, at], own) + self.whitened[:, steps] @ stepped.T
        every = np.square(own).sum(axis=1) + np.square(stepped).sum(axis=1)
        return np.asarray(np.maximum(every - np.square(known).sum(axis=0), 0.0))

    def covariance(self, one: FloatArray, other: FloatArray) -> FloatArray:
        """Covariance (k, l) of quantities with slopes (k, size) and (l, size)."""
        first, second = one * self.times, other * self.times
        return np.asarray(first @ second.T - (first @ self.whitened.T) @ (second @ self.whitened.T).T)


NONE_SKEWED = Skewed(np.zeros(0, dtype=np.intp), np.zeros(0))


def posterior(problem: InverseProblem, point: Point, skewed: Skewed = NONE_SKEWED) -> Posterior:
    """The posterior about a point."""
    times, spread = np.ones(point.rows.shape[1]), np.ones(len(skewed.which))
    whitened = np.zeros((0, len(times)))
    for _ in range(_TURNS):
        times[skewed.which] = skewed.secants(spread)
        rows = point.rows * times
        if len(rows):
            whitened = np.asarray(np.linalg.solve(np.linalg.cholesky(rows @ rows.T + problem.noise), rows))
        known = np.square(whitened[:, skewed.which]).sum(axis=0)
        spread = np.sqrt(np.maximum(1 - known, 1e-12))
    return Posterior(whitened, times)
