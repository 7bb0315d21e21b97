"""How uncertainty is told to people: always expanded, by one factor; in JSON it stays the standard one."""

from __future__ import annotations

COVERAGE_FACTOR = 2.0
"""k of the expanded uncertainty U = k u: of a normal quantity about 95 % lie within (JCGM 100:2008, 6.2 and
6.3.3)."""
SAID = "± is the expanded uncertainty, k = 2: about 95 %."


def expanded(standard: float) -> float:
    """The expanded uncertainty, in the unit of the standard one.

    >>> expanded(0.05)
    0.1
    """
    return COVERAGE_FACTOR * standard
