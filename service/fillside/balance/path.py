"""A role's heads at one common output, as a polyline through the metered quantities.

Within a role heads run at one output until one meets a limit; the rest then take over. So a role has one
free number, its common output, and every metered quantity is piecewise linear in it, with a bend where a
head leaves its least or meets its most. All searches below work on the bends: there is nothing to iterate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Path:
    """`common` (k,) rising common outputs; `lux` (rows, k) what the role adds to each row there [lux]."""

    heads: npt.NDArray[np.intp]
    least: FloatArray
    most: FloatArray
    common: FloatArray
    lux: FloatArray

    def outputs_at(self, common: float) -> FloatArray:
        """The outputs (heads,) at a common output."""
        value: FloatArray = np.minimum(np.maximum(common, self.least), self.most)
        return value

    def lux_at(self, common: FloatArray) -> FloatArray:
        """The rows (rows, n) at common outputs (n,) inside the path."""
        knots = self.common
        if len(knots) == 1:
            return np.repeat(self.lux, len(common), axis=1)
        segment = knots[1:-1].searchsorted(common, side="right")
        share = (common - knots[segment]) / (knots[segment + 1] - knots[segment])
        start = self.lux[:, segment]
        value: FloatArray = start + share * (self.lux[:, segment + 1] - start)
        return value


def role_path(matrix: FloatArray, heads: npt.NDArray[np.intp], least: FloatArray, most: FloatArray) -> Path:
    """The path of some heads; `matrix` is (rows, all heads) [lux], `least` and `most` (all heads,)."""
    low, high = least[heads], most[heads]
    if len(heads) == 0:
        return Path(heads, low, high, np.zeros(1), np.zeros((len(matrix), 1)))
    per_head = matrix[:, heads]
    bends = np.concatenate((low, high))
    order = np.argsort(bends, kind="stable")
    common = bends[order]
    slope = np.cumsum(np.concatenate((per_head, -per_head), axis=1)[:, order], axis=1)
    lux = np.empty_like(slope)
    lux[:, 0] = per_head @ low
    lux[:, 1:] = lux[:, :1] + np.cumsum(slope[:, :-1] * (common[1:] - common[:-1]), axis=1)
    first = np.concatenate(([True], common[1:] > common[:-1]))
    return Path(heads, low, high, common[first], lux[:, first])


def rising(values: FloatArray) -> FloatArray:
    """The values made strictly rising, so that they can be looked up in; flat stretches rise by a hair."""
    hair = 1e-13 * max(1.0, abs(float(values[0])), abs(float(values[-1])))
    value: FloatArray = np.maximum.accumulate(values) + hair * np.arange(len(values))
    return value


def first_zero(values: FloatArray) -> float | None:
    """Where a polyline given at 0, 1, 2, … first is zero, as a position along it; None if it never is.

    >>> first_zero(np.array([-3.0, -1.0, 1.0]))
    1.5
    """
    if values[0] == 0:
        return 0.0
    other_side = values <= 0 if values[0] > 0 else values >= 0
    if not other_side.any():
        return None
    at = int(np.argmax(other_side))
    before, after = float(values[at - 1]), float(values[at])
    return at - 1 + before / (before - after)


def first_above_zero(values: FloatArray) -> float | None:
    """Where a polyline that starts at or below zero leaves it upward; None if it never does."""
    above = values > 0
    if not above.any():
        return None
    at = int(np.argmax(above))
    if at == 0:
        return 0.0
    before, after = float(values[at - 1]), float(values[at])
    return at - 1 - before / (after - before)


def along(values: FloatArray, position: float) -> float:
    """The value of a polyline given at 0, 1, 2, … at a position along it."""
    start = min(int(position), len(values) - 1)
    if start == len(values) - 1:
        return float(values[-1])
    return float(values[start] + (position - start) * (values[start + 1] - values[start]))
