"""A role's heads at one common output, as a polyline through the metered quantities.

Within a role all heads run at one output until one meets a limit; the rest then take over. So a role has one
free number, its common output, and every metered quantity is piecewise linear in it, with a bend where a
head leaves its least or meets its most. Searches work on the bends, so nothing iterates.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

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
        """Return the outputs (heads,) at a common output."""
        value: FloatArray = np.minimum(np.maximum(common, self.least), self.most)
        return value

    @cached_property
    def _rises(self) -> FloatArray:
        """The change of each row (rows, k - 1) from one common output to the next [lux]."""
        value: FloatArray = self.lux[:, 1:] - self.lux[:, :-1]
        return value

    def lux_of(self, common: float) -> FloatArray:
        """Return the rows (rows,) at one common output inside the path."""
        knots = self.common
        if len(knots) == 1:
            return self.lux[:, 0]
        segment = 0 if len(knots) == 2 else int(knots[1:-1].searchsorted(common, side="right"))
        here = float(knots[segment])
        share = (common - here) / (float(knots[segment + 1]) - here)
        value: FloatArray = self.lux[:, segment] + share * self._rises[:, segment]
        return value

    def lux_at(self, common: FloatArray) -> FloatArray:
        """Return the rows (rows, n) at common outputs (n,) inside the path."""
        knots = self.common
        if len(knots) == 1:
            return np.repeat(self.lux, len(common), axis=1)
        segment = knots[1:-1].searchsorted(common, side="right")
        share = (common - knots[segment]) / (knots[segment + 1] - knots[segment])
        value: FloatArray = self.lux[:, segment] + share * self._rises[:, segment]
        return value


def role_path(matrix: FloatArray, heads: npt.NDArray[np.intp], least: FloatArray, most: FloatArray) -> Path:
    """Return the path of some heads; `matrix` is (rows, all heads) [lux], `least` and `most` (all heads,)."""
    low, high = least[heads], most[heads]
    if len(heads) == 0:
        return Path(heads, low, high, np.zeros(1), np.zeros((len(matrix), 1)))
    per_head = matrix[:, heads]
    if len(heads) == 1:
        common = np.concatenate((low, high)) if high[0] > low[0] else low
        return Path(heads, low, high, common, per_head * common)
    bends = np.concatenate((low, high))
    order = bends.argsort(kind="stable")
    common = bends[order]
    slope = np.concatenate((per_head, -per_head), axis=1)[:, order].cumsum(axis=1)
    lux = np.empty_like(slope)
    lux[:, 0] = per_head @ low
    lux[:, 1:] = (slope[:, :-1] * (common[1:] - common[:-1])).cumsum(axis=1)
    lux[:, 1:] += lux[:, :1]
    first = _first_of_each(common)
    if first.all():
        return Path(heads, low, high, common, lux)
    return Path(heads, low, high, common[first], lux[:, first])


def distinct(values: FloatArray) -> FloatArray:
    """Return the distinct values in ascending order; `numpy.unique` without its overhead."""
    values = np.sort(values)
    return values[_first_of_each(values)]


def _first_of_each(ordered: FloatArray) -> npt.NDArray[np.bool_]:
    first = np.empty(len(ordered), dtype=bool)
    first[0] = True
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return first


def rising(values: FloatArray, scale: float = 1.0) -> FloatArray:
    """Return the values made strictly rising for interpolation; flat stretches rise by a tiny amount.

    `scale` is the magnitude of the numbers they are compared with.
    """
    hair = 1e-13 * max(scale, abs(float(values[0])), abs(float(values[-1])))
    value: FloatArray = np.maximum.accumulate(values) + hair * np.arange(len(values))
    return value
