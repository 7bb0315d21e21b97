"""The pace at which the light follows the subject: at once, or only when it matters.

Theory. Without a dead band every estimate counts. With one, the light rests while the light metered at the
subject differs by no more than the band from what a new solution would give there (see
`Balancing.off_stops`). Once it differs by more, and not because of a sway, the light follows the subject
until it comes to rest: no walk in its reports for `REST_S`. Then the light settles on the exact place of the
subject.

A sway is recognised by its size and its period. The filter does not take a sway of up to 10 cm to either side
for a walk: with x half the angle of the sway covered so far, the means of two halves of a stretch differ by
at most 1.45 times its amplitude (twice the largest value of (1 - cos x) / x), and `ALLOWANCE_M` is just above
that. The mean of a stretch at least as long as the slowest period is within 0.22 of the amplitude of its
middle (the largest |sin x / x| for x >= pi). So the mean of a shorter stretch moves nothing, unless the
stretch began with a walk.

        resting --(off by more than the band: a walk, a stretch of REST_S, or another light)--> following
        following --(no walk for REST_S)--> settles, resting
        either --(an order)--> settles, resting

If the subject crept away, or leant by less than a walk, the light first uses only the latest reports
(`RECENT_S`): the mean of the whole stretch still includes the old place, and the light would settle short.
"""

from __future__ import annotations

import math
from typing import Literal

ALLOWANCE_M = 0.15
"""The distance allowed between two means of a subject that sways by 10 cm to either side [m]."""
ALLOWANCE_M_PER_STOP = 1.0
"""A band narrower than that of the calm pace follows smaller sways."""
REST_S = 3.5
"""The period of the slowest sway that moves nothing [s]."""
RECENT_S = 1.0
Step = Literal["stay", "begin", "follow", "settle"]


class Pace:
    """Decides when the light rests or follows; with `band_stops` 0 it always follows."""

    def __init__(self, band_stops: float) -> None:
        self.band_stops = band_stops
        self.resting = band_stops > 0
        self.doubts = False

    @property
    def allowance_m(self) -> float:
        """The distance allowed between two means of a swaying subject [m]."""
        return min(ALLOWANCE_M, ALLOWANCE_M_PER_STOP * self.band_stops)

    def settle(self) -> None:
        """Note that the light was set on the exact place of the subject."""
        self.resting, self.doubts = self.band_stops > 0, False

    def looks_again(self, unmoved_s: float) -> bool:
        """Return true if the subject is to be considered although its estimate did not move: a following
        light may settle, and an apparent sway may not be one."""
        return self.band_stops > 0 and (not self.resting or self.doubts) and unmoved_s >= REST_S

    def step(self, off_stops: float, unmoved_s: float, sure: bool) -> Step:
        """Return the step for light that is off by `off_stops`, and a subject that
        has not walked for `unmoved_s`.

        `sure` rules out a sway: a walk was seen, or the light itself changed.
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
    """Return the largest difference between values in stops; infinite if only one of a pair exists."""
    worst = 0.0
    for one, other in zip(now, best, strict=True):
        if one is not None and other is not None:
            worst = max(worst, abs(one - other))
        elif one is not other:
            return math.inf
    return worst
