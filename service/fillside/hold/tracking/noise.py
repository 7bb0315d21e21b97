"""The jitter of a tracker, estimated from its own reports even while the subject walks.

Theory. Take three means a, b, c of m consecutive reports each. The difference a - 2 b + c is zero for a
subject that stands or walks evenly; for noise it has six times the variance of one mean. (The same
differences measure the stability of drifting clocks, where they give the Hadamard variance.) The median of
many such differences is not affected by the few that include a start or a stop.

White noise has variance v1 / m in a mean of m. Jitter that lasts from one report to the next has more: m v_m
rises with m until the mean is longer than the jitter. Its largest value, for means of up to a third of a
second, is called `long`; a mean of n reports then has variance min(one, long / n). Averaging separates motion
from jitter: a mean of four times as many jittering reports is calmer, but that of a walk varies far more, so
only those m count for which 4 m does not vary more."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LEAST_SD_M = 0.003
"""No tracker is assumed steadier than this; 3 mm is less than 0.01 stop at 1 m from a lamp."""
FIRST_SD_M = 0.05
"""The jitter assumed before anything is known."""
LASTS_AT_MOST_S = 0.35
NO_WALK = 1.5
"""A mean of four times as many reports has a quarter to a half of the variance for jitter, and ten times it
or more for a walk; the few differences of the longest means scatter by a factor of two."""
SURELY_MORE = 1.6
"""The excess over white noise that a longer mean must show; the medians themselves scatter."""
NOT_SEEN_YET = 2.0
"""Jitter that dies away exponentially over 0.05 to 0.15 s shows 0.57 to 0.36 of its
`long` in means of 0.32 s."""
LEAST_DIFFERENCES = 5
DOUBT = 5.0
"""A variance from n reports may well be too low by 5 / sqrt(n) of itself, about two of its standard
deviations; without this margin, every other report would seem a walk while there are few."""
_VARIANCE_OF_MEDIAN = 1 / (0.6745**2 * 6)
"""From a squared median of |a - 2 b + c| to the variance of one mean; a normal's median |x| is 0.6745 sd."""


@dataclass(frozen=True)
class Noise:
    """The variance of one report and of long means, per axis [m^2]; a mean of n has min(one, long / n).

    `doubt` [1] is the factor by which they may be too low.
    """

    one: FloatArray
    long: FloatArray
    doubt: float = 1.0

    def at_most(self, share: FloatArray) -> FloatArray:
        """Return the variance of means of 1 / share reports (n, 1), per axis, including the doubt (n, 3)."""
        variance: FloatArray = self.doubt * np.minimum(self.one, self.long * share)
        return variance

    def sd_of_mean_m(self, reports: float) -> float:
        """Return the standard deviation [m] of the mean of this many reports, on the worst axis."""
        return math.sqrt(float(np.minimum(self.one, self.long / max(reports, 1.0)).max()))

    def differs_from(self, other: Noise) -> bool:
        """Return true if the other differs by more than a tenth in standard deviation
        and is worth adopting."""
        mine = self.doubt * np.stack([self.one, self.long])
        others = other.doubt * np.stack([other.one, other.long])
        return bool((np.abs(np.log2(mine / others)) > 2 * math.log2(1.1)).any())


def assumed(sd_m: float = FIRST_SD_M) -> Noise:
    """Return white noise of a standard deviation [m], the same on all axes."""
    return Noise(np.full(3, sd_m**2), np.full(3, sd_m**2))


def noise_of(places: FloatArray, interval_s: float) -> Noise | None:
    """Return the noise of reports (n, 3) [m] that come every `interval_s`; None if there are too few."""
    sums = np.concatenate((np.zeros((1, 3)), np.cumsum(places, axis=0)))
    variances: dict[int, FloatArray] = {}
    m = 1
    while len(places) >= 3 * m + LEAST_DIFFERENCES * max(m // 2, 1) and m * interval_s <= 4 * LASTS_AT_MOST_S:
        variances[m] = _variance_of_means(sums, m)
        m *= 2
    if not variances:
        return None
    doubt = 1 + DOUBT / math.sqrt(len(places))
    white = np.maximum(variances[1], LEAST_SD_M**2)
    long = float(white.sum())
    lasts = False
    for m in sorted(variances)[1:]:
        if m * interval_s > LASTS_AT_MOST_S or 4 * m not in variances:
            break
        here, four = float(variances[m].sum()), float(variances[4 * m].sum())
        if four < NO_WALK * here and m * here > SURELY_MORE * long:
            long, lasts = m * here, True
    if not lasts:
        return Noise(white, white, doubt)
    one = np.maximum(white, _variance_apart(places, max(1, round(LASTS_AT_MOST_S / interval_s))))
    return Noise(one, NOT_SEEN_YET * long * one / one.sum(), doubt)


def _variance_of_means(sums: FloatArray, m: int) -> FloatArray:
    step = max(m // 2, 1)
    a, b, c, d = sums[: -3 * m : step], sums[m : -2 * m : step], sums[2 * m : -m : step], sums[3 * m :: step]
    return _variance(((d - c) - (c - b) + ((b - a) - (c - b))) / m)


def _variance_apart(places: FloatArray, lag: int) -> FloatArray:
    """Return the variance of single reports, from triples so far apart that their jitter is uncorrelated."""
    if len(places) < 2 * lag + LEAST_DIFFERENCES:
        return np.zeros(3)
    return _variance(places[2 * lag :] - 2 * places[lag:-lag] + places[: -2 * lag])


def _variance(second_differences: FloatArray) -> FloatArray:
    median: FloatArray = np.median(np.abs(second_differences), axis=0)
    return median * median * _VARIANCE_OF_MEDIAN
