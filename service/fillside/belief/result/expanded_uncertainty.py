"""Uncertainty as it is told to people: always expanded, by one factor; in JSON it stays the standard one."""

from __future__ import annotations

from fillside.rig.notation import stop_noun

COVERAGE_FACTOR = 2.0
"""k of the expanded uncertainty U = k u: of a normal quantity about 95 % lie within (JCGM 100:2008, 6.2 and
6.3.3)."""
EXPANDED_NOTE = "± is the expanded uncertainty, k = 2: about 95 %."

_DIGITS = ((1.95, 0), (0.495, 1), (0.0, 2))
"""From which expanded uncertainty [stops] on how many decimals say something: two digits of it at most are
shown (JCGM 100:2008, 7.2.6), never more than two decimals, and none from two stops on."""
MOST_TOLD_STOPS = 10.0
"""A thousandfold either way: nothing is known, and by how much that is nothing is of no use to anybody."""


def expanded(standard: float) -> float:
    """The expanded uncertainty, in the unit of the standard one.

    >>> expanded(0.05)
    0.1
    """
    return COVERAGE_FACTOR * standard


def decimals(within_stops: float | None) -> int:
    """The number of decimals of a number of stops that is known to within so many; 2 where that is not told.

    >>> decimals(2.4), decimals(1.5), decimals(0.3), decimals(0.12), decimals(None)
    (0, 1, 2, 2, 2)
    """
    if within_stops is None:
        return 2
    return next(places for least, places in _DIGITS if within_stops >= least)


def around(within_stops: float) -> str:
    """An expanded uncertainty.

    >>> around(2.41), around(1.52), around(0.31), around(0.122), around(0.001), around(47.0)
    ('±2 stops', '±1.5 stops', '±0.31 stop', '±0.12 stop', '±0.01 stop', '±10 stops or more')
    """
    if within_stops > MOST_TOLD_STOPS:
        return f"±{MOST_TOLD_STOPS:.0f} stops or more"
    return f"±{max(within_stops, 0.01):.{decimals(within_stops)}f} {stop_noun(within_stops)}"
