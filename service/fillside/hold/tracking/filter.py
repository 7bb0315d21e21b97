"""Estimates the subject's place from a tracker's noisy reports: the mean of the longest stretch at rest.

Theory. A subject mostly stands still. While it does, the best estimate is the mean of all reports since it
came to rest; once it walks, old reports are worthless. So after each report the current stretch is cut in two
at several points, and if the newer mean differs from the older one by more than noise allows (4.5 standard
deviations), everything older is dropped. The noise is estimated from the reports themselves (see `noise`), so
the same rule serves any tracker at any rate, and lasting jitter is not mistaken for a walk. Compared with a
filter of fixed gain this is calmer at rest and follows faster.

An `allowance_m` lets the subject sway: means may differ by that much more before it counts as a walk. The
estimate is then the middle of the sway.

A report that no walking person could have caused is left out until another one agrees with it.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.hold.tracking.noise import Noise, assumed, noise_of

FloatArray = npt.NDArray[np.float64]
Place = tuple[float, float, float]

SIGMA_AT_REST, SIGMA_AFTER_A_WALK = 5.0, 4.0
"""Standard deviations that make a walk. Many cuts are tried after every report, so at rest it takes more
than one test would; after a walk another is likely, and a false alarm costs little."""
SIGMA_OF_SHORT = {1: 6.5, 2: 5.5}
"""One or two reports alone must stand out more: a false start from so few throws the estimate far off."""
AFTER_A_WALK_S = 0.4
LONGEST_REPORTS = 512
LONGEST_S = 10.0
LEARN_FROM_REPORTS = 1024
LEARN_EVERY = 256
YOUNG_S, YOUNG_SHARE = 0.6, 0.75
"""A stretch younger than this after a walk still contains some of the walk, so only
its newest share counts."""
BY_HAND_COUNTS = 4
"""The number of reports that a place set by hand counts for, until the tracker contradicts it."""
FASTEST_M_S = 4.0
GLITCH_SIGMA = 6.0
_ROOM = 4 * LONGEST_REPORTS

_CUTS = np.array([1, 2, 3, 4, 6, 8, 11, 16, 23, 32, 45, 64, 90, 128, 181, 256, 362, 511])


def _sigmas(of_long: float) -> FloatArray:
    return np.array([SIGMA_OF_SHORT.get(int(k), of_long) for k in _CUTS])[:, np.newaxis]


_SIGMAS = {False: _sigmas(SIGMA_AT_REST), True: _sigmas(SIGMA_AFTER_A_WALK)}


@dataclass(frozen=True)
class Stretch:
    """The reports in use: their number, and the time for which they have been consistent [s]."""

    reports: int
    lasted_s: float


@dataclass(frozen=True)
class _Cuts:
    """The cuts of a stretch of one length, and the permitted distance between its two
    sums, (cuts, 1 or 3)."""

    lengths: npt.NDArray[np.intp]
    weights: FloatArray
    bounds: FloatArray


class Filter:
    """Estimates a place from reports. Times are seconds and never fall."""

    def __init__(self, allowance_m: float = 0.0) -> None:
        self._allowance_m = allowance_m
        self._sums = np.zeros((_ROOM + 1, 3))
        self._times: list[float] = []
        self._from = 0
        self._walked_s = -math.inf
        self._cuts: dict[tuple[int, bool], _Cuts] = {}
        self._reported = array("d")
        self._reported_at = array("d")
        self._learn_at = 8
        self._latest: tuple[Place, float] | None = None
        self._odd: Place | None = None
        self._latest_is_told = False
        self.place: Place | None = None
        self.interval_s = 0.02
        self.noise: Noise = assumed()
        self._reach_m = self._reach_at_rest_m()

    @property
    def stretch(self) -> Stretch:
        """The reports that the estimate rests on."""
        if not self._times:
            return Stretch(0, 0.0)
        return Stretch(len(self._times) - self._from, self._times[-1] - self._times[self._from])

    @property
    def walked(self) -> bool:
        """True if the stretch began with a walk."""
        return bool(self._times) and self._walked_s >= self._times[self._from]

    def keep_latest(self, seconds: float) -> None:
        """Drop reports of the stretch that are older than this before the latest one."""
        if not self._times:
            return
        first = bisect_left(self._times, self._times[-1] - seconds, self._from)
        self._from = min(first, len(self._times) - 1)
        self.place = self._mean_of(len(self._times) - self._from)

    def put(self, place: Place, at_s: float) -> None:
        """Set the exact place of the subject: earlier reports are dropped, but the noise estimate stays."""
        self.place = place
        self._latest = self._odd = None
        self._walked_s = -math.inf
        self._sums[: BY_HAND_COUNTS + 1] = np.arange(BY_HAND_COUNTS + 1)[:, np.newaxis] * np.array(place)
        self._times = [at_s] * BY_HAND_COUNTS
        self._from = 0
        self._latest_is_told = True

    def report(self, place: Place, at_s: float) -> Place:
        """Add a report [m]; return the new estimate [m]."""
        self._reported.extend(place)
        self._reported_at.append(at_s)
        if len(self._reported_at) >= self._learn_at:
            self._learn()
        if self.place is not None and self._is_odd(place, at_s):
            return self.place
        if self._latest_is_told:
            # A stretch begins with its first report; nothing is known about the time before it.
            self._times = [at_s] * BY_HAND_COUNTS
            self._latest_is_told = False
        self._append(place, at_s)
        if self._times[self._from] < at_s - LONGEST_S or len(self._times) - self._from > LONGEST_REPORTS:
            self._drop_the_oldest(at_s)
        self.place = self._mean_since_a_walk()
        return self.place

    def _is_odd(self, place: Place, at_s: float) -> bool:
        """Return true if nobody could have walked there since the previous report; a
        second such report is accepted."""
        if self._latest is not None:
            latest, then_s = self._latest
            reach = self._reach_m + FASTEST_M_S * min(max(at_s - then_s, 0.0), 1.0)
            near_odd = self._odd is not None and math.dist(place, self._odd) <= reach
            if not near_odd and math.dist(place, latest) > reach:
                self._odd = place
                return True
        self._odd = None
        self._latest = (place, at_s)
        return False

    def _reach_at_rest_m(self) -> float:
        """Return the largest distance expected between two reports of a standing subject."""
        return self._allowance_m + GLITCH_SIGMA * math.sqrt(2 * float(self.noise.one.sum()))

    def _append(self, place: Place, at_s: float) -> None:
        n = len(self._times)
        if n == _ROOM:
            latest = self._sums[_ROOM - LONGEST_REPORTS :] - self._sums[_ROOM - LONGEST_REPORTS]
            self._sums[: LONGEST_REPORTS + 1] = latest
            del self._times[: _ROOM - LONGEST_REPORTS]
            self._from = max(0, self._from - (_ROOM - LONGEST_REPORTS))
            n = LONGEST_REPORTS
        np.add(self._sums[n], place, out=self._sums[n + 1])
        self._times.append(at_s)

    def _drop_the_oldest(self, at_s: float) -> None:
        oldest = max(self._from, len(self._times) - LONGEST_REPORTS)
        while self._times[oldest] < at_s - LONGEST_S:
            oldest += 1
        self._from = oldest

    def _mean_since_a_walk(self) -> Place:
        sums, end, now_s = self._sums, len(self._times), self._times[-1]
        length = end - self._from
        if length > 1:
            walked = now_s - self._walked_s < AFTER_A_WALK_S
            cuts = self._cuts.get((length, walked)) or self._cuts_of(length, walked)
            newer = sums[end] - sums.take(end - cuts.lengths, axis=0)
            apart = np.abs(newer * cuts.weights - (sums[end] - sums[self._from]))
            if (apart > cuts.bounds).any():
                length = int(cuts.lengths[np.argmax((apart / cuts.bounds).max(axis=1))])
                self._from, self._walked_s = end - length, now_s
        if self._walked_s >= self._times[self._from] > now_s - YOUNG_S:
            length = max(1, round(YOUNG_SHARE * length))
        return self._mean_of(length)

    def _mean_of(self, latest: int) -> Place:
        end = len(self._times)
        x, y, z = (self._sums[end] - self._sums[end - latest]).tolist()
        return (x / latest, y / latest, z / latest)

    def _cuts_of(self, length: int, walked: bool) -> _Cuts:
        """Return the cuts. A cut where `newer / k` and `older / (n - k)` differ by d
        has |newer n / k - total| = d (n - k)."""
        lengths = _CUTS[length > _CUTS]
        k, rest = lengths[:, np.newaxis].astype(float), (length - lengths)[:, np.newaxis].astype(float)
        sd = np.sqrt(self.noise.at_most(1 / k) + self.noise.at_most(1 / rest))
        bounds = rest * (_SIGMAS[walked][: len(lengths)] * sd + self._allowance_m)
        cuts = self._cuts[length, walked] = _Cuts(lengths, length / k, bounds)
        return cuts

    def _learn(self) -> None:
        """Estimate the noise from the latest reports."""
        count = len(self._reported_at)
        if count > 2 * LEARN_FROM_REPORTS:
            del self._reported[: 3 * (count - LEARN_FROM_REPORTS)]
            del self._reported_at[: count - LEARN_FROM_REPORTS]
            count = LEARN_FROM_REPORTS
        self._learn_at = count + min(LEARN_EVERY, max(4, count // 4))
        latest = min(count, LEARN_FROM_REPORTS)
        places = np.array(self._reported[-3 * latest :]).reshape(-1, 3)
        self.interval_s = max(float(np.median(np.diff(np.array(self._reported_at[-latest:])))), 1e-3)
        noise = noise_of(places, self.interval_s)
        if noise is not None and noise.differs_from(self.noise):
            self.noise = noise
            self._reach_m = self._reach_at_rest_m()
            self._cuts.clear()
