"""Tells a lamp that warms up from one that is steady but has changed.

A lamp that warms up nears its steady light as 1 - exp(-t / tau), with tau from half a minute to a quarter of
an hour (common practice, no source); one that has aged is off by the same amount all the time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WARM_AFTER_S, WARM_WITHIN_STOPS = 120.0, 0.05
"""Two readings this far apart in time and this near in light: the lamp is warm."""
WARM_BY_S = 2700.0
"""So long after its last reading any lamp is warm, three times the slowest time constant (common practice, no
source)."""
MOST_READINGS = 60
_TAUS_S = np.geomspace(30.0, 900.0, 15)

State = Literal["steady", "warming up", "changed"]


def is_warm(earlier_lux: float, later_lux: float, elapsed_s: float) -> bool:
    """True if two readings of a lamp at one level and place show that it has warmed up."""
    if elapsed_s < WARM_AFTER_S or min(earlier_lux, later_lux) <= 0:
        return False
    return abs(math.log2(later_lux / earlier_lux)) <= WARM_WITHIN_STOPS


@dataclass(frozen=True)
class Trend:
    """The course of a lamp's light by readings over time.

    `offset_stops` is its final light over what is expected of it, `left_stops` the change that is still to
    come after the last reading.
    """

    state: State
    offset_stops: float
    left_stops: float


def trend(lit_s: Sequence[float], off_stops: Sequence[float], sigma_stops: float) -> Trend:
    """Tells warming up from ageing, from readings over what was expected.

    `lit_s` (m,) is how long the lamp had been lit at each reading [s], `off_stops` (m,) read over expected,
    `sigma_stops` the standard uncertainty of one reading. Raises ValueError for fewer than two readings.
    """
    times, off = np.asarray(lit_s, dtype=np.float64), np.asarray(off_stops, dtype=np.float64)
    if len(times) < 2 or times.shape != off.shape:
        raise ValueError("a trend needs two readings or more, each with its time")
    even, even_sd = float(off.mean()), sigma_stops / math.sqrt(len(off))
    even_cost = float(np.sum((off - even) ** 2)) / sigma_stops**2
    curves = [_rise(times, off, float(tau), sigma_stops) for tau in _TAUS_S] if len(times) > 2 else []
    best = min(curves, key=lambda curve: curve[0], default=None)
    # Two more unknowns must be worth their keep: Schwarz's criterion, Annals of Statistics 6, 1978.
    if best is not None and best[0] + 2 * math.log(len(times)) < even_cost:
        _, settled, settled_sd, left = best
        if abs(left) > WARM_WITHIN_STOPS:
            return Trend("warming up", settled, left)
        even, even_sd = settled, settled_sd
    state: State = "changed" if abs(even) > max(2 * even_sd, WARM_WITHIN_STOPS) else "steady"
    return Trend(state, even, 0.0)


def _rise(
    times: FloatArray, off: FloatArray, tau_s: float, sigma: float
) -> tuple[float, float, float, float]:
    """Cost, settled value, its standard uncertainty, and what is left to come, for one time constant."""
    fading = np.exp(-times / tau_s)
    rows = np.stack([np.ones(len(times)), fading], axis=1)
    found, *_ = np.linalg.lstsq(rows, off, rcond=None)
    cost = float(np.sum((off - rows @ found) ** 2)) / sigma**2
    spread = np.linalg.pinv(rows.T @ rows)
    left = -float(found[1]) * float(fading[int(np.argmax(times))])
    return cost, float(found[0]), sigma * math.sqrt(float(spread[0, 0])), left


@dataclass
class _LitHead:
    since_s: float
    lit_s: list[float] = field(default_factory=list)
    off_stops: list[float] = field(default_factory=list)
    sigma_stops: float = 0.0
    trend: Trend | None = None


class Warming:
    """Heads that are lit, since when, and what was read of them; a head that goes out begins anew."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._heads: dict[str, _LitHead] = {}

    def lit(self, names: Collection[str]) -> None:
        """Note that these heads are lit now, and no others."""
        now = self._clock()
        self._heads = {name: self._heads.get(name) or _LitHead(now) for name in names}

    def forget(self, name: str | None = None) -> None:
        """Drop the readings of this head, or of all heads."""
        for known in self._heads if name is None else {name} & self._heads.keys():
            self._heads[known] = _LitHead(self._heads[known].since_s)

    def read(self, name: str, off_stops: float, sigma_stops: float) -> None:
        """Note that the head alone gave so many stops more than calibrated, to a standard uncertainty."""
        one = self._heads.setdefault(name, _LitHead(self._clock()))
        one.lit_s.append(self._clock() - one.since_s)
        one.off_stops.append(off_stops)
        del one.lit_s[:-MOST_READINGS], one.off_stops[:-MOST_READINGS]
        one.sigma_stops = max(one.sigma_stops, sigma_stops)
        enough = len(one.lit_s) > 1
        one.trend = trend(one.lit_s, one.off_stops, one.sigma_stops) if enough else None

    def to_come_stops(self, name: str) -> float | None:
        """The change [stops] that a head which warms up has still before it; None for one that does not."""
        one = self._heads.get(name)
        if one is None or one.trend is None or one.trend.state != "warming up":
            return None
        quiet_s = self._clock() - one.since_s - one.lit_s[-1]
        return None if quiet_s > WARM_BY_S else one.trend.left_stops
