"""Which heads still warm up, from readings of each alone by how long it has been lit."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from fillside.calibration.routine.warmth import Trend, trend

MOST_READINGS = 60
WARM_BY_S = 2700.0
"""So long after its last reading any lamp is warm, three times the slowest time constant (common practice, no
source)."""


@dataclass
class _Lit:
    since_s: float
    lit_s: list[float] = field(default_factory=list)
    off_stops: list[float] = field(default_factory=list)
    sigma_stops: float = 0.0
    trend: Trend | None = None


class Warming:
    """Heads that are lit, since when, and what was read of them; a head that goes out begins anew."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._heads: dict[str, _Lit] = {}

    def lit(self, names: Collection[str]) -> None:
        """These heads are lit now and no others."""
        now = self._clock()
        self._heads = {name: self._heads.get(name) or _Lit(now) for name in names}

    def forget(self, name: str | None = None) -> None:
        """Of this head, or of all, nothing was read."""
        for known in self._heads if name is None else {name} & self._heads.keys():
            self._heads[known] = _Lit(self._heads[known].since_s)

    def read(self, name: str, off_stops: float, sigma_stops: float) -> None:
        """The head alone gave so many stops more than calibrated, to a standard uncertainty."""
        one = self._heads.setdefault(name, _Lit(self._clock()))
        one.lit_s.append(self._clock() - one.since_s)
        one.off_stops.append(off_stops)
        del one.lit_s[:-MOST_READINGS], one.off_stops[:-MOST_READINGS]
        one.sigma_stops = max(one.sigma_stops, sigma_stops)
        enough = len(one.lit_s) > 1
        one.trend = trend(one.lit_s, one.off_stops, one.sigma_stops) if enough else None

    def to_come_stops(self, name: str) -> float | None:
        """How much a head that warms up is still to change by; None for one that does not."""
        one = self._heads.get(name)
        if one is None or one.trend is None or one.trend.state != "warming up":
            return None
        quiet_s = self._clock() - one.since_s - one.lit_s[-1]
        return None if quiet_s > WARM_BY_S else one.trend.left_stops
