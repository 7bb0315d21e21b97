"""When the state is worth publishing again: soon when it says something new, late when only digits moved."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

LEAST_S, MOST_S = 0.5, 5.0
"""Something new is told at most so often, and digits that moved so seldom."""
ABSOLUTE, RELATIVE = 0.01, 0.01
"""Numbers that differ by less say the same: a hundredth of a stop or a metre, one per cent of a lux."""


def says_the_same(one: Any, other: Any) -> bool:
    """Whether two states differ in nothing but digits.

    >>> says_the_same({"lux": 640.0, "mode": "follow"}, {"lux": 644.0, "mode": "follow"})
    True
    >>> says_the_same({"mode": "follow"}, {"mode": "freeze"})
    False
    """
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(says_the_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(says_the_same, one, other))
    return bool(one == other)


class News:
    """Remembers what was told last, and when [s]."""

    def __init__(self) -> None:
        self._told: Any = None
        self._at_s = -math.inf

    def look_again_s(self, now_s: float) -> float:
        """Seconds until it makes sense to look at the state again."""
        return max(0.0, self._at_s + LEAST_S - now_s)

    def due_s(self, state: Any, now_s: float) -> float | None:
        """Seconds until `state` is to be told, 0 for now; None when it was told already."""
        if self._told == state:
            return None
        wait_s = LEAST_S if not says_the_same(self._told, state) else MOST_S
        return max(0.0, self._at_s + wait_s - now_s)

    def told(self, state: Any, now_s: float) -> None:
        """`state` was told at that time."""
        self._told, self._at_s = state, now_s
