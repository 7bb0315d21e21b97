"""The subject: its place, the source of it, and how well it is known."""

from __future__ import annotations

import math
from typing import Literal

from fillside.hold.tracking.filter import Filter
from fillside.rig.scene.subject_limits import distance_to_disc_m, why_not_there
from fillside.rig.tables.model import FARTHEST_M, HIGHEST_M, LOWEST_M, NEAREST_M, Point, Rig

Source = Literal["file", "hand", "tracker"]

QUICK_S = 0.3
"""A walk must be followed so soon; what jitter is left in a mean of this length reaches the light after a
walk."""


class TrackedSubject:
    """Takes reports and places set by hand; times are seconds and never fall."""

    def __init__(self, rig: Rig, allowance_m: float, place: Point, source: Source, at_s: float) -> None:
        self._rig = rig
        self._filter = Filter(allowance_m)
        self._filter.put(place, at_s)
        self._safe: tuple[Point, float] = (place, 0.0)
        self.source: Source = source
        self.place: Point = place
        self.reported_s: float | None = None

    def put(self, place: Point, at_s: float) -> None:
        """The subject is exactly there."""
        self._filter.put(place, at_s)
        self.place, self.source = place, "hand"

    def report(self, place: Point, at_s: float) -> None:
        """A tracker saw it about there; `why_not` has been asked."""
        self.place = self._filter.report(place, at_s)
        self.source, self.reported_s = "tracker", at_s

    def why_not(self, place: Point) -> str | None:
        """The reason why it cannot be at a place [m], or None; cheap near a place that was asked about."""
        centre, radius = self._safe
        if math.dist(place, centre) < radius:
            return None
        reason = why_not_there(self._rig, place)
        if reason is None:
            self._safe = (place, self._room_around(place))
        return reason

    def _room_around(self, place: Point) -> float:
        """The radius around a place in which nothing is in the way [m]."""
        discs = min(distance_to_disc_m(place, head, self._rig.aim_of(head)) for head in self._rig.heads)
        edge = FARTHEST_M - math.dist(place, self._rig.first_mark)
        return min(discs - NEAREST_M, edge, place[2] - LOWEST_M, HIGHEST_M - place[2])

    @property
    def unmoved_s(self) -> float:
        """The time without a walk in the reports [s]; infinite where no tracker sees the subject."""
        return self._filter.stretch.lasted_s if self.source == "tracker" else math.inf

    @property
    def walked(self) -> bool:
        """True where the reports in use began with a walk."""
        return self._filter.walked

    def believe_the_latest(self, seconds: float) -> None:
        """Let the reports of the last seconds alone say where it is; nothing changes without a tracker."""
        self._filter.keep_latest(seconds)
        if self.source == "tracker" and self._filter.place is not None:
            self.place = self._filter.place

    @property
    def jitter_m(self) -> float | None:
        """Standard deviation of one report, found from the reports; None before there are any."""
        return None if self.reported_s is None else self._filter.noise.sd_of_mean_m(1)

    @property
    def passing_m(self) -> float:
        """Standard deviation of what is left of the jitter right after a walk."""
        if self.reported_s is None:
            return 0.0
        return self._filter.noise.sd_of_mean_m(max(1.0, QUICK_S / self._filter.interval_s))
