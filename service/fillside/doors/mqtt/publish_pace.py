"""The pace at which the state is published: soon after a real change, later if only digits moved."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

LEAST_S, MOST_S = 0.5, 5.0
"""The shortest pause between two states, and the pause if only digits moved."""
ABSOLUTE, RELATIVE = 0.01, 0.01
"""Numbers that differ by less count as equal: a hundredth of a stop or a metre, one per cent of a lux."""


def is_same_but_digits(one: Any, other: Any) -> bool:
    """Return true if two states differ only in digits.

    >>> is_same_but_digits({"lux": 640.0, "mode": "follow"}, {"lux": 644.0, "mode": "follow"})
    True
    >>> is_same_but_digits({"mode": "follow"}, {"mode": "freeze"})
    False
    """
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(is_same_but_digits(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(is_same_but_digits, one, other))
    return bool(one == other)


class PublishPace:
    """Remembers the state published last, and the time of that [s]."""

    def __init__(self) -> None:
        self._last: Any = None
        self._at_s = -math.inf

    def look_again_s(self, now_s: float) -> float:
        """Return the seconds until the state is worth checking again."""
        return max(0.0, self._at_s + LEAST_S - now_s)

    def due_s(self, state: Any, now_s: float) -> float | None:
        """Return the seconds until `state` is to be published, 0 for now; None if it already was."""
        if self._last == state:
            return None
        wait_s = LEAST_S if not is_same_but_digits(self._last, state) else MOST_S
        return max(0.0, self._at_s + wait_s - now_s)

    def note(self, state: Any, now_s: float) -> None:
        """Record that `state` was published at that time."""
        self._last, self._at_s = state, now_s
