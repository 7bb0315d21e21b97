"""When the light goes after the subject: at once, or only once it is worth it.

Theory. With no dead band every estimate counts. With one, the light rests while the balance at the subject
differs from the one it rests on by no more than the band in any head. Once it differs by more, the light goes
after the subject until that comes to rest: no walk in its reports for `REST_S`, which is about the period
of the slowest sway. Then the light settles on exactly where the subject is, and the band lies about that.

For a subject that sways, the filter is told how far: a lamp at 1.2 m changes by 2.4 stops a metre, so a
sway that changes its light by the band to either side is 2 / 2.4 m wide per stop of band. The estimate is
the middle of it, and stays.

        resting --(balance differs by more than the band)--> following
        following --(no walk for REST_S)--> settles, resting
        either --(an order)--> settles, resting
"""

from __future__ import annotations

from typing import Literal

SWAY_M_PER_STOP = 2 / 2.4
REST_S = 3.3
Step = Literal["stay", "follow", "settle"]


class Pace:
    """Rests or follows; `band_stops` 0 always follows."""

    def __init__(self, band_stops: float) -> None:
        self.band_stops = band_stops
        self.resting = band_stops > 0

    @property
    def allowance_m(self) -> float:
        """The sway that is no walk, from end to end [m]."""
        return SWAY_M_PER_STOP * self.band_stops

    def settled(self) -> None:
        """The light was set on exactly where the subject is."""
        self.resting = self.band_stops > 0

    def may_settle(self, unmoved_s: float) -> bool:
        """Whether a light that follows has reason to settle, though the estimate did not move."""
        return self.band_stops > 0 and not self.resting and unmoved_s >= REST_S

    def step(self, apart_stops: float, unmoved_s: float) -> Step:
        """What to do about a balance that differs so much, for a subject that has not walked for so long."""
        if self.band_stops == 0:
            return "follow"
        if self.resting:
            if apart_stops <= self.band_stops:
                return "stay"
            self.resting = False
            return "follow"
        if unmoved_s >= REST_S:
            self.resting = True
            return "settle"
        return "follow"
