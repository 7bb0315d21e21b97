"""From one light to another: all heads on one path, so that key over fill goes straight from old to new.

Theory. Above its knee, the higher of output 0.01 and its floor, a head moves evenly in stops; all heads
take the same time for that, the largest change divided by the speed (or that of a head which cannot go so
fast, where it needs longer), so the ratio of any two moves evenly in stops as well. Below the knee stops mean
nothing to the eye and nothing to the lamp, and a head moves evenly in output, 0.3 s for the whole way between
out and knee:

  rising from below     first the way up to the knee, then the even part
  falling below         first the even part, then the way down
  all below             at once

Even parts end together; those that need not rise to their knee first take the longer for theirs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LEAST_KNEE = 0.01
BELOW_KNEE_S = 0.3


def knees(floors: FloatArray) -> FloatArray:
    """The outputs (heads,) above which heads with these floors fade evenly in stops."""
    return np.maximum(LEAST_KNEE, floors)


@dataclass(frozen=True)
class Fade:
    """One fade; arrays are (heads,). Outputs 0..1, times in seconds from its start.

    Up to `even_from_s` a head moves from `start` at `slope` per second, then evenly in log2 output from
    `even_start` on `even_slope` stops per second until `even_to_s`, then at `end_slope` per second to `goal`.
    """

    start: FloatArray
    goal: FloatArray
    slope: FloatArray
    even_from_s: FloatArray
    even_start: FloatArray
    even_slope: FloatArray
    even_to_s: float
    end_slope: FloatArray
    lasts_s: float

    def outputs(self, at_s: float | FloatArray) -> FloatArray:
        """The outputs (heads,) at a time, or each head's at its own; from `lasts_s` on exactly the goal."""
        even_s = np.minimum(at_s, self.even_to_s) - self.even_from_s
        even = np.exp2(self.even_start + self.even_slope * np.maximum(even_s, 0.0))
        end = even + self.end_slope * np.maximum(at_s - self.even_to_s, 0.0)
        found = np.where(even_s < 0, self.start + self.slope * at_s, end)
        low, high = np.minimum(self.start, self.goal), np.maximum(self.start, self.goal)
        return np.where(at_s >= self.lasts_s, self.goal, np.clip(found, low, high))


def fade(start: FloatArray, goal: FloatArray, knee: FloatArray, speed_stops_s: float | FloatArray) -> Fade:
    """The fade between two outputs (heads,) in which no head is faster than its speed in stops per second.

    >>> f = fade(np.array([0.5, 0.5]), np.array([0.25, 0.5]), np.array([0.01, 0.01]), 1.0)
    >>> f.lasts_s, round(float(f.outputs(0.5)[0]), 4)
    (1.0, 0.3536)
    """
    low_start, low_goal = start < knee, goal < knee
    below = low_start & (low_goal | (goal <= knee)) | low_goal & (start <= knee)
    rising = low_start & ~below
    falling = low_goal & ~below
    pace = knee / BELOW_KNEE_S
    even_start = np.log2(np.maximum(start, knee))
    even_stops = np.where(below, 0.0, np.log2(np.maximum(goal, knee)) - even_start)
    rise_s = np.where(rising, (knee - start) / pace, 0.0)
    below_s = np.where(below, np.abs(goal - start) / pace, 0.0)
    fall_s = np.where(falling, (knee - goal) / pace, 0.0)
    even_to_s = float(rise_s.max(initial=0.0) + (np.abs(even_stops) / speed_stops_s).max(initial=0.0))
    even_s = np.maximum(even_to_s - rise_s, 1e-9)
    lasts_s = max(even_to_s + float(fall_s.max(initial=0.0)), float(below_s.max(initial=0.0)))
    return Fade(
        start=start,
        goal=goal,
        slope=np.where(rising | below, np.sign(goal - start) * pace, 0.0),
        even_from_s=np.where(below, lasts_s, rise_s),
        even_start=even_start,
        even_slope=even_stops / even_s,
        even_to_s=even_to_s,
        end_slope=np.where(falling, -pace, 0.0),
        lasts_s=lasts_s,
    )
