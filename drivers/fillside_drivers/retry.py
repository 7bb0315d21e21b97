"""Exponential back-off after failures, with a cap and jitter."""

from __future__ import annotations

import random

FIRST_S, CAP_S = 0.2, 5.0


class Backoff:
    """The waits of one operation that may fail.

    Parameters:
        rng: source of the jitter.
        cap_s: the longest wait [s].

    >>> waits = Backoff(random.Random(1))
    >>> all(0.1 <= waits.next_s() <= 5.0 for _ in range(20))
    True
    """

    def __init__(self, rng: random.Random, cap_s: float = CAP_S) -> None:
        self._rng, self._cap_s = rng, cap_s
        self._most_s = FIRST_S

    def next_s(self) -> float:
        """Return the wait after one more failure [s]: half to all of a span that doubles up to the cap."""
        span, self._most_s = self._most_s, min(self._most_s * 2, self._cap_s)
        return span * self._rng.uniform(0.5, 1.0)

    def reset(self) -> None:
        """Start from the shortest wait again, after a success."""
        self._most_s = FIRST_S
