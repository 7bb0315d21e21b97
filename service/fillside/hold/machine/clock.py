"""The hold's own time, which a clock that is set or a process that stalls cannot upset."""

from __future__ import annotations

MOST_STEP_S = 0.1


class Clock:
    """Counts seconds that never fall, from whatever clock the caller reads.

    Backward steps count as nothing. While the light moves, and would have been asked for its next frame long
    before, a step counts as 0.1 s at most; at rest it counts in full.
    """

    def __init__(self, now_s: float) -> None:
        self._read_s = now_s
        self.time_s = 0.0

    def read(self, now_s: float, moving: bool) -> float:
        """The hold's time at a reading of the caller's clock."""
        self.time_s = self.peek(now_s, moving)
        self._read_s = now_s
        return self.time_s

    def peek(self, now_s: float, moving: bool) -> float:
        """The same, without taking the reading in."""
        step_s = max(now_s - self._read_s, 0.0)
        return self.time_s + (min(step_s, MOST_STEP_S) if moving else step_s)
