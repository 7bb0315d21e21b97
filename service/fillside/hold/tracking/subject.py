"""The subject: its place, the source of that place, and its uncertainty."""

from __future__ import annotations

import math
from typing import Literal

from fillside.hold.tracking.filter import Filter
from fillside.rig.scene.scene import distance_to_disc_m, subject_place_error
from fillside.rig.tables.model import FARTHEST_M, HIGHEST_M, LOWEST_M, NEAREST_M, Point, Rig

Source = Literal["file", "hand", "tracker"]

STAYS_WITHIN_M = 0.1
"""A subject that a tracker sees move by less than this stays at its place."""
QUICK_S = 0.3
"""The time within which a walk must be followed; jitter left in a mean of this length
reaches the light after a walk."""


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
        self._stays: tuple[Point, float] = (place, -math.inf)

    def put(self, place: Point, at_s: float) -> None:
        """Set the exact place of the subject."""
        self._filter.put(place, at_s)
        self.place, self.source = place, "hand"
        self._stays = (place, -math.inf)

    def report(self, place: Point, at_s: float) -> None:
        """Add a tracker's report; the caller has checked it with `why_not`."""
        self.place = self._filter.report(place, at_s)
        self.source, self.reported_s = "tracker", at_s
        if math.dist(self.place, self._stays[0]) > STAYS_WITHIN_M:
            self._stays = (self.place, at_s)

    def why_not(self, place: Point) -> str | None:
        """Return the reason why the subject cannot be at a place [m], or None; cheap
        near the previous place."""
        centre, radius = self._safe
        if math.dist(place, centre) < radius:
            return None
        reason = subject_place_error(self._rig, place)
        if reason is None:
            self._safe = (place, self._room_around(place))
        return reason

    def _room_around(self, place: Point) -> float:
        """Return the radius around a place without obstacles [m]."""
        discs = min(distance_to_disc_m(place, head, self._rig.aim_of(head)) for head in self._rig.heads)
        edge = FARTHEST_M - math.dist(place, self._rig.first_mark)
        return min(discs - NEAREST_M, edge, place[2] - LOWEST_M, HIGHEST_M - place[2])

    def stays_s(self, time_s: float) -> float:
        """Return the time for which the subject has stayed at its place [s]; infinite for one set by hand."""
        return time_s - self._stays[1]

    @property
    def unmoved_s(self) -> float:
        """The time without a walk in the reports [s]; infinite if no tracker sees the subject."""
        return self._filter.stretch.lasted_s if self.source == "tracker" else math.inf

    @property
    def walked(self) -> bool:
        """True if the reports in use began with a walk."""
        return self._filter.walked

    def believe_the_latest(self, seconds: float) -> None:
        """Base the estimate on the reports of the last seconds alone; does nothing without a tracker."""
        self._filter.keep_latest(seconds)
        if self.source == "tracker" and self._filter.place is not None:
            self.place = self._filter.place

    @property
    def jitter_m(self) -> float | None:
        """The standard deviation of one report, estimated from the reports; None before there are any."""
        return None if self.reported_s is None else self._filter.noise.sd_of_mean_m(1)

    @property
    def passing_m(self) -> float:
        """The standard deviation of the jitter that remains right after a walk."""
        if self.reported_s is None:
            return 0.0
        return self._filter.noise.sd_of_mean_m(max(1.0, QUICK_S / self._filter.interval_s))
