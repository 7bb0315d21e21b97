"""Monotone cubic interpolation after Fritsch and Carlson, and its inverse.

Reference: F. N. Fritsch, R. E. Carlson, "Monotone piecewise cubic interpolation", SIAM Journal on Numerical
Analysis 17 (1980), 238-246.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def monotone_slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    """Return the slopes that make the cubic Hermite interpolant of a rising table monotone.

    Each slope starts as the mean of its neighbouring secants: 0 beside a flat interval, the secant itself at
    an end. If the two slopes of an interval, divided by its secant, lie outside the circle of radius 3, both
    are scaled back onto it.

    Parameters:
        x: strictly rising, two or more.
        y: never falling, as many as `x`.

    >>> monotone_slopes([0.0, 1.0, 2.0], [0.0, 0.0, 1.0])
    [0.0, 0.0, 1.0]
    """
    secants = [(b - a) / (q - p) for (p, q), (a, b) in zip(_pairs(x), _pairs(y), strict=True)]
    inner = [(a + b) / 2 if a > 0 and b > 0 else 0.0 for a, b in itertools.pairwise(secants)]
    slopes = [secants[0], *inner, secants[-1]]
    for k, secant in enumerate(secants):
        if secant == 0:
            slopes[k] = slopes[k + 1] = 0.0
            continue
        length = math.hypot(slopes[k], slopes[k + 1]) / secant
        if length > 3:
            slopes[k] *= 3 / length
            slopes[k + 1] *= 3 / length
    return slopes


class MonotoneCubic:
    """A smooth, never falling function through a rising table, and its inverse.

    `x` rises strictly and `y` never falls; both have the same length, two or more, which the caller ensures.
    Outside the table the function keeps its end values.
    """

    def __init__(self, x: tuple[float, ...], y: tuple[float, ...]) -> None:
        self.x, self.y = np.array(x), np.array(y)
        self.slopes = np.array(monotone_slopes(x, y))

    def __call__(self, x: FloatArray) -> FloatArray:
        k = np.clip(np.searchsorted(self.x, x, side="right") - 1, 0, len(self.x) - 2)
        width = self.x[k + 1] - self.x[k]
        low, high = self.y[k], self.y[k + 1]
        share = np.clip((x - self.x[k]) / width, 0.0, 1.0)
        first, last = self.slopes[k] * width, self.slopes[k + 1] * width
        rise = high - low
        bend = first + last - 2 * rise
        value = low + share * (first + share * (3 * rise - 2 * first - last + share * bend))
        kept: FloatArray = np.where(share < 1, np.minimum(np.maximum(value, low), high), high)
        return kept

    def smallest(self, y: FloatArray) -> FloatArray:
        """Return the smallest x at which the function equals each y; y must lie within the table."""
        found = [self._smallest(value) for value in y.ravel().tolist()]
        return np.array(found, dtype=np.float64).reshape(y.shape)

    def _smallest(self, y: float) -> float:
        k = int(np.searchsorted(self.y, y, side="left")) - 1
        if k < 0:
            return float(self.x[0])
        if y == self.y[k + 1]:
            return float(self.x[k + 1])
        left, width, low, high = (
            float(v) for v in (self.x[k], self.x[k + 1] - self.x[k], self.y[k], self.y[k + 1])
        )
        first, last = float(self.slopes[k]) * width, float(self.slopes[k + 1]) * width
        return left + width * _share_at(y - low, high - low, first, last)


def _share_at(wanted: float, rise: float, first: float, last: float) -> float:
    """Return the point in 0..1 at which the cubic from 0 to `rise` with these end slopes equals `wanted`.

    Newton's method, kept within a bracket.
    """
    quadratic, cubic = 3 * rise - 2 * first - last, first + last - 2 * rise
    low, high, share = 0.0, 1.0, wanted / rise
    for _ in range(200):
        miss = share * (first + share * (quadratic + share * cubic)) - wanted
        if miss == 0:
            return share
        low, high = (share, high) if miss < 0 else (low, share)
        slope = first + share * (2 * quadratic + share * 3 * cubic)
        step = share - miss / slope if slope > 0 else -1.0
        if not low < step < high:
            step = (low + high) / 2
        if abs(step - share) <= 1e-16 or high - low <= 1e-16:
            return step
        share = step
    return share


def _pairs(values: Sequence[float]) -> list[tuple[float, float]]:
    return list(itertools.pairwise(values))
