"""The settings a camera has in thirds of a stop, from the nearest to the farthest of one."""

from __future__ import annotations

import math
from collections.abc import Sequence

FULL_ISO = (50, 100, 200, 400, 800, 1600, 3200)
_THIRD_ISO = (64, 80, 125, 160, 250, 320, 500, 640, 1000, 1250, 2000, 2500)
_HIGH_ISO = (4000, 5000, 6400, 8000, 10000, 12800)
ISO_SERIES = tuple(sorted((*FULL_ISO, *_THIRD_ISO)))
HIGHER_ISO_SERIES = (*ISO_SERIES, *_HIGH_ISO)
"""Higher speeds are worth their noise only where light is wanting."""
_WIDE = (1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5)
_NARROW = (4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16)
APERTURE_SERIES = (*_WIDE, *_NARROW)
"""Third-stop names in use (ISO 12232 and ISO 517 for the full stops; thirds common practice, no source)."""
MOST_ND_STOPS = 6
NEXT_SETTING = 0.15
"""As a logarithm to base 2: names closer than this are one setting."""


def iso_from(now: float, *, up: bool) -> list[float]:
    """Speeds over (`up`) or under the present one, the nearest first."""
    return [v for v in _by_distance(HIGHER_ISO_SERIES if up else ISO_SERIES, now) if (v > now) == up]


def apertures_from(now: float, *, wider: bool) -> list[float]:
    """F-numbers wider or narrower than the present one, the nearest first."""
    return [v for v in _by_distance(APERTURE_SERIES, now) if (v < now) == wider]


def nd_from(now: float, *, less: bool) -> list[float]:
    """Stops of ND less or more than the present ones, the nearest first; none at all is among the less."""
    if not less:
        return [now + k for k in range(1, MOST_ND_STOPS + 1)]
    wanted = [now - k for k in range(1, math.ceil(now) + 1) if now - k > 0]
    return [*wanted, 0.0] if now > 0 else []


def iso_stops(now: float, new: float) -> float:
    """How far one speed is from another, in stops."""
    return abs(math.log2(new / now))


def aperture_stops(now: float, new: float) -> float:
    """How far one f-number is from another, in stops: light goes with its square."""
    return 2 * abs(math.log2(new / now))


def _by_distance(series: Sequence[float], now: float) -> list[float]:
    """The series from the nearest to the farthest of a value, without the value itself."""
    others = [value for value in series if abs(math.log2(value / now)) > NEXT_SETTING]
    return sorted(others, key=lambda value: abs(math.log2(value / now)))
