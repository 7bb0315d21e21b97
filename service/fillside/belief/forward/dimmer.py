"""A dimmer of any rising shape: the stated curve, whose slope may stray.

Output is o(l) = C(l) / C(1) with C(l) = integral from 0 to l of e^h, beyond the onset that the stated curve
has, so it rises with the level whatever the logarithm h of its slope is (J. O. Ramsay, Estimating smooth
monotone functions, J. R. Statist. Soc. B 60, 1998). h is that of the stated curve plus a Gaussian process: in
proportion to ln l, which turns one power law into another; in proportion to l, which turns a power law into a
logarithmic one; smooth bends; and losses at either end, which are dead zones and early fullness. The spreads
are common practice, no source: no label tells more than where to begin, and two readings at different levels
tell more than any label.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.dimming import DimmingCurve

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

KNOT_LEVELS = np.array(
    [0, 0.015, 0.03, 0.05, 0.08, 0.12, 0.17, 0.24, 0.32, 0.42, 0.52, 0.62, 0.72, 0.82, 0.9, 0.95, 0.975, 1.0]
)
"""Levels at which h may stray; between them it does so in straight lines."""
KNOTS = len(KNOT_LEVELS)
_LAW, _LAW_FROM = 0.7, 0.03
_TREND = 3.0
_BEND, _BEND_REACH = 1.25, 0.2
_DEAD, _DEAD_REACH = 2.5, 0.035
_FULL, _FULL_REACH = 1.0, 0.03
"""Standard deviations of the parts of h, and the levels over which they act."""
_EDGES = np.unique(
    np.concatenate([np.linspace(0.0, 0.1, 21), np.linspace(0.1, 1.0, 46), np.linspace(0.95, 1.0, 11)])
)
_WIDTH = np.diff(_EDGES)
_MIDDLE = (_EDGES[1:] + _EDGES[:-1]) / 2
_LEAST, LEAST_LEVEL = 1e-9, 1e-6
"""The least output, or light in a cell, that a logarithm is taken of, and the least level."""
_MOST_LOG_SLOPE = 25.0
_KNOWN_SD = 0.01
"""Standard deviation of h by which a curve is turned back into knots."""
_SEEN_LEVELS = np.concatenate([np.linspace(0.02, 0.1, 9), np.linspace(0.12, 1.0, 45)])
_SEEN_OUTPUT, _MISSED_STOPS, _STRANGE_SD = 2e-3, 0.03, 5.0
"""Levels at which a curve is held against another one, the output below which nobody sees a difference, the
stops that matter there, and knots that no dimmer has."""
_STEPS, _GAIN, _STIFFEST = 60, 1e-3, 1e8
_LN2 = math.log(2)


def _straying(one: FloatArray, other: FloatArray) -> FloatArray:
    """Covariance (n, m) of h at levels (n,) and (m,)."""

    def law(level: FloatArray) -> FloatArray:
        return np.asarray(np.log((level + _LAW_FROM) / (1 + _LAW_FROM)))

    apart = one[:, None] - other[None, :]
    return np.asarray(
        _LAW**2 * np.outer(law(one), law(other))
        + _TREND**2 * np.outer(one - 1, other - 1)
        + _BEND**2 * np.exp(-0.5 * (apart / _BEND_REACH) ** 2)
        + _DEAD**2 * np.outer(np.exp(-one / _DEAD_REACH), np.exp(-other / _DEAD_REACH))
        + _FULL**2 * np.outer(np.exp((one - 1) / _FULL_REACH), np.exp((other - 1) / _FULL_REACH))
    )


def _whitened_knots() -> FloatArray:
    """Slopes of h in the middle of each cell in standard normal unknowns (cells, KNOTS)."""
    root = np.linalg.cholesky(_straying(KNOT_LEVELS, KNOT_LEVELS) + 1e-6 * np.eye(KNOTS))
    lines = np.stack([np.interp(_MIDDLE, KNOT_LEVELS, own) for own in np.eye(KNOTS)], axis=1)
    return np.asarray(lines @ root)


_STRAY = _whitened_knots()


@dataclass(frozen=True)
class DimmerPriors:
    """The dimmers of heads (n) as their file states them; `certain` (n,) are those that are not in doubt."""

    stated: tuple[DimmingCurve, ...]
    certain: BoolArray

    @cached_property
    def log_slope(self) -> FloatArray:
        """h of the stated curves (n, cells)."""
        found = np.empty((len(self.stated), len(_WIDTH)))
        for shape, heads in self._alike.items():
            outputs = np.maximum(np.asarray(shape.output_from_level(_EDGES)) - self.onset[heads[0]], 0.0)
            found[heads] = np.log(np.maximum(np.diff(outputs), _LEAST) / _WIDTH)
        return found

    @cached_property
    def onset(self) -> FloatArray:
        """Output (n,) with which the stated curve sets in, as the logarithmic one does with 0.001."""
        return np.array([float(shape.output_from_level(LEAST_LEVEL)) for shape in self.stated])

    @cached_property
    def _sums(self) -> FloatArray:
        return _summed(np.exp(self.log_slope) * _WIDTH)

    @cached_property
    def _alike(self) -> dict[DimmingCurve, list[int]]:
        found: dict[DimmingCurve, list[int]] = {}
        for head, shape in enumerate(self.stated):
            found.setdefault(shape, []).append(head)
        return found

    def at(self, z: FloatArray) -> BelievedDimmers:
        """The dimmers that unknowns (n, KNOTS) stand for."""
        strayed = self.log_slope + np.where(self.certain[:, None], 0.0, z @ _STRAY.T)
        cells = np.exp(np.clip(strayed, -_MOST_LOG_SLOPE, _MOST_LOG_SLOPE)) * _WIDTH
        return BelievedDimmers(self, cells, _summed(cells))

    def log2_stated(self, head: IntArray, level: FloatArray) -> FloatArray:
        """log2 of the stated output (t,) of heads (t,) at levels (t,)."""
        found = np.empty(len(level))
        number = np.empty(len(self.stated), dtype=np.intp)
        for k, heads in enumerate(self._alike.values()):
            number[heads] = k
        of_term = number[head]
        for k, shape in enumerate(self._alike):
            own = of_term == k
            if own.any():
                found[own] = np.log2(np.maximum(shape.output_from_level(level[own]), _LEAST))
        return found

    def between_points(self, head: IntArray, level: FloatArray) -> FloatArray:
        """The stated output (t,) over what the sums over cells say of it, beyond its onset."""
        cell, share = _place(level)
        here = (1 - share) * self._sums[head, cell] + share * self._sums[head, cell + 1]
        onset = self.onset[head]
        stated = (np.exp2(self.log2_stated(head, level)) - onset) / np.maximum(1 - onset, _LEAST)
        return np.asarray(np.maximum(stated, _LEAST) / np.maximum(here / self._sums[head, -1], _LEAST))


@dataclass(frozen=True)
class BelievedDimmers:
    """The dimmers of heads (n) by light in cells between levels (n, cells), and its sums (n, cells + 1)."""

    priors: DimmerPriors
    cells: FloatArray
    sums: FloatArray

    @cached_property
    def _by_knots(self) -> FloatArray:
        """Slopes of the sums in the knots (n, cells + 1, KNOTS)."""
        return _summed(self.cells[:, :, None] * _STRAY)

    def log2_output(self, head: IntArray, level: FloatArray) -> FloatArray:
        """log2 of the output (t,) of heads (t,) at levels (t,) above 0."""
        onset = self.priors.onset[head]
        return np.asarray(np.log2(np.maximum(onset + (1 - onset) * self._risen(head, level), _LEAST)))

    def _risen(self, head: IntArray, level: FloatArray) -> FloatArray:
        """The share (t,) of the output's way from its onset to 1."""
        cell, share = _place(level)
        here = (1 - share) * self.sums[head, cell] + share * self.sums[head, cell + 1]
        return np.asarray(here / self.sums[head, -1] * self.priors.between_points(head, level))

    def log2_and_slopes(self, head: IntArray, level: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`log2_output` (t,) and its slopes in the knots (t, KNOTS)."""
        cell, share = _place(level)
        here = (1 - share) * self.sums[head, cell] + share * self.sums[head, cell + 1]
        before, after = self._by_knots[head, cell], self._by_knots[head, cell + 1]
        by_here = (before + share[:, None] * (after - before)) / np.maximum(here, 1e-300)[:, None]
        by_full = self._by_knots[head, -1] / self.sums[head, -1][:, None]
        onset = self.priors.onset[head]
        risen = (1 - onset) * self._risen(head, level)
        output = np.maximum(onset + risen, _LEAST)
        part = np.where(self.priors.certain[head], 0.0, risen / (output * _LN2))
        return np.log2(output), (by_here - by_full) * part[:, None]

    def outputs(self, head: int, level: FloatArray) -> FloatArray:
        """Outputs (m,) of a head, 0..1 and never falling, at rising levels (m,) with the last at 1; less than
        the least output is none."""
        lit = np.maximum(level, LEAST_LEVEL)
        outputs = np.exp2(self.log2_output(np.full(len(level), head), lit))
        found = np.where((level > 0) & (outputs >= _LEAST), np.minimum(outputs, 1.0), 0.0)
        found[-1] = 1.0
        return np.asarray(np.maximum.accumulate(found))


def knots_of(priors: DimmerPriors, head: int, shape: DimmingCurve) -> FloatArray:
    """The knots (KNOTS,) that bring a head's stated curve nearest to another one.

    By a ridge regression of the slopes; where that misses the light, as with a sharp dead zone, by the light.
    """
    alone = DimmerPriors((priors.stated[head],), np.zeros(1, dtype=np.bool_))
    outputs = np.maximum(np.asarray(shape.output_from_level(_EDGES)) - alone.onset[0], 0.0)
    strayed = np.log(np.maximum(np.diff(outputs), _LEAST) / _WIDTH) - alone.log_slope[0]
    # The sum of h over all cells says nothing, so it is left out of the comparison.
    rows = _STRAY - _WIDTH @ _STRAY
    off = strayed - _WIDTH @ strayed
    weight = _WIDTH / _KNOWN_SD**2
    curvature = rows.T @ (weight[:, None] * rows) + np.eye(KNOTS)
    found = np.asarray(np.linalg.solve(curvature, rows.T @ (weight * off)))
    wanted = _seen(np.asarray(shape.output_from_level(_SEEN_LEVELS), dtype=np.float64))
    missed = np.abs(wanted - _seen_at(alone, found)[0]).max()
    if missed < _MISSED_STOPS and np.abs(found).max() < _STRANGE_SD:
        return found
    return _knots_by_light(alone, wanted)


def _knots_by_light(alone: DimmerPriors, wanted: FloatArray) -> FloatArray:
    """The knots (KNOTS,) by which one head shows `wanted` (m,) most nearly: damped Gauss-Newton steps."""
    z, damping = np.zeros(KNOTS), 1.0
    shown, slopes = _seen_at(alone, z)
    misfit = _misfit(wanted - shown, z)
    for _ in range(_STEPS):
        uphill = slopes.T @ (wanted - shown) / _KNOWN_SD**2 - z
        curvature = slopes.T @ slopes / _KNOWN_SD**2 + (1 + damping) * np.eye(KNOTS)
        tried = z + np.linalg.solve(curvature, uphill)
        there, rising = _seen_at(alone, tried)
        gain = misfit - _misfit(wanted - there, tried)
        damping = damping / 5 if gain > 0 else damping * 4
        if gain > 0:
            z, shown, slopes, misfit = tried, there, rising, misfit - gain
        if 0 < gain < _GAIN or damping > _STIFFEST:
            break
    return z


def _misfit(off: FloatArray, z: FloatArray) -> float:
    return float(off @ off / _KNOWN_SD**2 + z @ z)


def _seen_at(alone: DimmerPriors, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The light that one head with knots (KNOTS,) shows (m,), and its slopes in them (m, KNOTS)."""
    log2, slopes = alone.at(z[None]).log2_and_slopes(np.zeros(len(_SEEN_LEVELS), dtype=np.intp), _SEEN_LEVELS)
    output = np.exp2(log2)
    return _seen(output), slopes * (output / (output + _SEEN_OUTPUT))[:, None]


def _seen(output: FloatArray) -> FloatArray:
    """Outputs (m,) as stops, finite where there is none."""
    return np.asarray(np.log2(output + _SEEN_OUTPUT))


def _place(level: FloatArray) -> tuple[IntArray, FloatArray]:
    """The cell that each level (t,) is in, and how far along it."""
    cell = np.clip(np.searchsorted(_EDGES, level, side="right") - 1, 0, len(_WIDTH) - 1)
    return cell, (level - _EDGES[cell]) / _WIDTH[cell]


def _summed(cells: FloatArray) -> FloatArray:
    """Sums over cells (n, cells, ...) up to each edge, the first 0."""
    return np.concatenate([np.zeros_like(cells[:, :1]), np.cumsum(cells, axis=1)], axis=1)
