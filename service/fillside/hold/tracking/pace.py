"""The pace at which the light goes after the subject: at once, or only once it is worth it.

Theory. With no dead band every estimate counts. With one, the light rests while what is metered at the
subject differs from what a new solution would give there by no more than the band (see
`Balancing.off_stops`). Once it differs by more, and this is no sway, the light goes after the subject until
that comes to rest: no walk in its reports for `REST_S`. Then it settles on exactly where the subject is.

A sway is known by its size and its period. The filter takes no sway of up to 10 cm to either side for a
walk: with x half the angle that it has gone through, the means of two halves of a stretch differ by at most
1.45 times its amplitude (twice the largest value of (1 - cos x) / x), and `ALLOWANCE_M` is just above that.
The mean of a stretch as long as the slowest period, or longer, is within 0.22 of the amplitude of its middle
(the largest |sin x / x| for x >= pi). So the mean of a shorter stretch moves nothing, unless a walk began it.

        resting --(off by more than the band: a walk, a stretch of REST_S, or another light)--> following
        following --(no walk for REST_S)--> settles, resting
        either --(an order)--> settles, resting

Going after a subject that crept away, or leant by less than makes a walk, begins with its latest reports
alone (`RECENT_S`): the mean of the whole stretch still has the old place in it, and the light would settle
short.
"""

from __future__ import annotations

import math
from typing import Literal

ALLOWANCE_M = 0.15
"""The distance that two means may have of a subject that sways by 10 cm to either side [m]."""
ALLOWANCE_M_PER_STOP = 1.0
"""A band narrower than that of the calm pace asks for a smaller sway to be followed."""
REST_S = 3.5
"""The period of the slowest sway that moves nothing."""
RECENT_S = 1.0
Step = Literal["stay", "begin", "follow", "settle"]


class Pace:
    """Rests or follows; `band_stops` 0 always follows."""

    def __init__(self, band_stops: float) -> None:
        self.band_stops = band_stops
        self.resting = band_stops > 0
        self.doubts = False

    @property
    def allowance_m(self) -> float:
        """The distance that two means of a swaying subject may have [m]."""
        return min(ALLOWANCE_M, ALLOWANCE_M_PER_STOP * self.band_stops)

    def settle(self) -> None:
        """The light was set on exactly where the subject is."""
        self.resting, self.doubts = self.band_stops > 0, False

    def looks_again(self, unmoved_s: float) -> bool:
        """True when the subject is to be looked at though its estimate did not move: a light that follows may
        settle, and what seemed a sway may be none."""
        return self.band_stops > 0 and (not self.resting or self.doubts) and unmoved_s >= REST_S

    def step(self, off_stops: float, unmoved_s: float, sure: bool) -> Step:
        """The step to take for a light that is off by so much and a subject that has not walked for so long.

        `sure` says that this is no sway: a walk was seen, or the light is another.
        """
        if self.band_stops == 0:
            return "follow"
        if not self.resting:
            if unmoved_s < REST_S:
                return "follow"
            self.settle()
            return "settle"
        self.doubts = off_stops > self.band_stops
        if not self.doubts or not (sure or unmoved_s >= REST_S):
            return "stay"
        self.resting = False
        return "begin"


def worst_off_stops(now: tuple[float | None, ...], best: tuple[float | None, ...]) -> float:
    """The largest difference of values in stops, infinite where only one of a pair exists."""
    worst = 0.0
    for one, other in zip(now, best, strict=True):
        if one is not None and other is not None:
            worst = max(worst, abs(one - other))
        elif one is not other:
            return math.inf
    return worst
