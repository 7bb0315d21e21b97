"""The codes on the wires now, the codes they fade to, and the next frame between them.

Theory of the path. All heads fade along a common path, so that key over fill moves straight from the old
value to the new. The knee of a head is the higher of output 0.01 and its floor. Above its knee a head moves
evenly in stops. All heads take the same time for that part, namely the largest change divided by the speed,
or longer if a head cannot fade that fast; so the ratio of any two heads moves evenly in stops as well. Below
the knee, stops mean nothing to the eye or the lamp, so a head moves evenly in output, taking 0.3 s for the
whole way between out and knee:

  rising from below     first the way up to the knee, then the even part
  falling below         first the even part, then the way down
  all below             at once

The even parts end together; heads that need not rise to their knee first take longer over theirs.

Theory of lag. A lamp that responds late moves together with those that respond at once: if a head shows the
light that was sent `leads_s` ago, it is sent the light of the common fade `leads_s` from now. It cannot begin
before `latencies_s` have passed, so a fade from rest waits for the slowest of the moving heads; a fade
already under way does not wait. A head never fades faster than `fastest_stops_s`, so the common time is that
of the head that needs longest. A fade that turns takes back what was sent ahead; such a head catches up at
twice its fastest fade, since all of that in one message would be a step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.hold.fading.flash_limiter import HELD_BACK_S, FlashLimiter
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.drivers import TimedDrive

Codes = tuple[int, ...]
FRAME_S = 1 / 44
"""DMX512-A carries 44 frames of 512 slots a second; no wire here is faster."""
MOST_STEP_S = 0.1
MOST_STEP_STOPS = 0.34
"""A larger step between two frames is seen."""
DROPPED_S = 2 * FRAME_S
"""A wire may drop two frames before it tells that none has left; the next one goes on from before them."""
LATE_FRAME_S = 0.03
"""A frame of a busy machine, which is no stall."""
TOO_BRIGHT_STOPS_S = 3.0
"""The speed at which light falls while it exceeds the limit for a face, whatever the pace."""
GENTLE, GENTLE_STOPS_S = 0.5, 0.5
"""A head that is back, or was found at another level, returns at this share of its fastest fade, so that each
message to a bulb is half a step and leaves room for rounding; and at no more than this many stops per second,
which is half a step in the longest stall that counts."""


FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


LEAST_KNEE = 0.01
BELOW_KNEE_S = 0.3
CATCHES_UP = 2.0
"""How much faster than its fastest fade a head is led from codes sent ahead to those of another fade."""


def knees(floors: FloatArray) -> FloatArray:
    """The outputs (heads,) above which heads with these floors fade evenly in stops."""
    return np.maximum(LEAST_KNEE, floors)


@dataclass(frozen=True)
class Fade:
    """One fade; arrays are (heads,). Outputs are 0..1, times are seconds from the start.

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
        """The outputs (heads,) at one time for all heads or at one per head; from
        `lasts_s` on exactly the goal."""
        even_s = np.minimum(at_s, self.even_to_s) - self.even_from_s
        even = np.exp2(self.even_start + self.even_slope * np.maximum(even_s, 0.0))
        end = even + self.end_slope * np.maximum(at_s - self.even_to_s, 0.0)
        found = np.where(even_s < 0, self.start + self.slope * at_s, end)
        return np.where(at_s >= self.lasts_s, self.goal, np.minimum(np.maximum(found, self._low), self._high))

    @cached_property
    def longest_step_s(self) -> float:
        """The longest time by which one frame goes on, so that nobody sees a step after a stall."""
        speed = float(np.abs(self.even_slope).max(initial=0.0))
        unseen_s = MOST_STEP_STOPS / speed - DROPPED_S if speed > 0 else math.inf
        return min(max(unseen_s, LATE_FRAME_S), MOST_STEP_S)

    @cached_property
    def _low(self) -> FloatArray:
        return np.minimum(self.start, self.goal)

    @cached_property
    def _high(self) -> FloatArray:
        return np.maximum(self.start, self.goal)


def fade(start: FloatArray, goal: FloatArray, knee: FloatArray, speed_stops_s: float | FloatArray) -> Fade:
    """Return the fade between two outputs (heads,) in which no head exceeds its speed in stops per second.

    >>> f = fade(np.array([0.5, 0.5]), np.array([0.25, 0.5]), np.array([0.01, 0.01]), 1.0)
    >>> f.lasts_s, round(float(f.outputs(0.5)[0]), 4)
    (1.0, 0.3536)
    """
    low_start, low_goal = start < knee, goal < knee
    if not (low_start | low_goal).any():
        return _even_fade(start, goal, speed_stops_s)
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


def _even_fade(start: FloatArray, goal: FloatArray, speed_stops_s: float | FloatArray) -> Fade:
    """Return a fade above the knees of all heads, which is even from its start to its goal."""
    even_start = np.log2(start)
    even_stops = np.log2(goal) - even_start
    lasts_s = float((np.abs(even_stops) / speed_stops_s).max(initial=0.0))
    nothing = np.zeros(len(start))
    return Fade(
        start=start,
        goal=goal,
        slope=nothing,
        even_from_s=nothing,
        even_start=even_start,
        even_slope=even_stops / max(lasts_s, 1e-9),
        even_to_s=lasts_s,
        end_slope=nothing,
        lasts_s=lasts_s,
    )


class Clock:
    """Counts seconds that never fall, from the readings of any clock.

    Backward steps count as zero. While the light moves, a step counts as 0.1 s at most, since the next frame
    was due long before that; at rest it counts in full.
    """

    def __init__(self, now_s: float) -> None:
        self._read_s = now_s
        self.time_s = 0.0

    def read(self, now_s: float, moving: bool) -> float:
        """Return the hold's time for a reading of the caller's clock."""
        self.time_s = self.peek(now_s, moving)
        self._read_s = now_s
        return self.time_s

    def peek(self, now_s: float, moving: bool) -> float:
        """Return the same time without recording the reading."""
        step_s = max(now_s - self._read_s, 0.0)
        return self.time_s + (min(step_s, MOST_STEP_S) if moving else step_s)


@dataclass(frozen=True)
class Lags:
    """The lead and latency [s] and the fastest fade [stop/s] of each head, as arrays (heads,)."""

    leads_s: FloatArray
    latencies_s: FloatArray
    fastest_stops_s: FloatArray

    @cached_property
    def late(self) -> BoolArray:
        """True for heads that are sent codes ahead of time."""
        late: BoolArray = self.leads_s > 0
        return late

    @cached_property
    def any_late(self) -> bool:
        """True if any head is sent codes ahead of time."""
        return bool(self.late.any())

    @cached_property
    def gently_stops_s(self) -> FloatArray:
        """The fastest fade of a head that is back, or was found at another level."""
        fastest = self.fastest_stops_s
        return np.where(np.isinf(fastest), fastest, np.minimum(fastest * GENTLE, GENTLE_STOPS_S))

    def waits_s(self, moves: BoolArray) -> float:
        """The time a fade of these heads (heads,) waits for the slowest of them to begin [s]."""
        return float(self.latencies_s[moves].max(initial=0.0))


def lags_of(scene: Scene) -> Lags:
    """Return the lags of a scene's heads; a drive that states none has no lag."""
    drives = [scene.rig.driver_config.drives.get(name) for name in scene.names]
    timings = [drive.timing if isinstance(drive, TimedDrive) else None for drive in drives]
    return Lags(
        np.array([0.0 if t is None else t.lead_s for t in timings]),
        np.array([0.0 if t is None else t.latency_s for t in timings]),
        np.array([np.inf if t is None else t.fastest_stops_s for t in timings]),
    )


class Fader:
    """The codes of all heads and their current fade. Times are seconds and never fall.

    A head that is `stuck` cannot be reached: it keeps its last known code and fades from there when it is
    back. Codes of a head that lags run ahead of the common fade; see the theory above.
    """

    def __init__(self, scene: Scene, codes: Codes, at_s: float) -> None:
        self.dimmers = scene.dimmers
        self._knees = knees(np.asarray(scene.floors, dtype=float))
        self._lags = lags_of(scene)
        self._codes = np.array(codes, dtype=np.int64)
        self._outputs = self.dimmers.outputs(self._codes)
        self.flashes = FlashLimiter(self._outputs, has_moved=True)
        self._ahead = self._outputs
        self._catches_up: BoolArray = np.zeros(len(codes), dtype=bool)
        self._goal = self._low = self._high = self._codes
        self._fade: Fade | None = None
        self._elapsed_s = 0.0
        self._stepped_s = at_s - 1.0
        self._under_way = False
        self.waits = False
        self._gentle: BoolArray = np.zeros(len(codes), dtype=bool)
        self.stuck: BoolArray = np.zeros(len(codes), dtype=bool)
        self._was_stuck = self.stuck
        self.codes: Codes = codes
        self.goal: Codes = codes

    @property
    def moving(self) -> bool:
        """True during a fade."""
        return self._fade is not None

    @property
    def steady_codes(self) -> Codes:
        """The codes of the present light, with fading heads that are below their floor raised to it."""
        codes = self._codes
        if self._fade is not None and self._lags.any_late:
            codes = np.where(self._lags.late & ~self.stuck, self._on_the_way(self._outputs), codes)
        low = (codes > 0) & (codes < self.dimmers.floors)
        steady: Codes = tuple(np.where(low, self.dimmers.floors, codes).tolist())
        return steady

    @property
    def left_s(self) -> float:
        """The time the fade still takes without further waiting [s]."""
        return 0.0 if self._fade is None else max(0.0, self._fade.lasts_s - self._elapsed_s)

    def aim(self, goal: Codes, speed_stops_s: float) -> None:
        """Fade from the present light to these codes; stuck heads stay."""
        if self._was_stuck is not self.stuck:
            self._gentle = self._gentle | (self._was_stuck & ~self.stuck)
            self._was_stuck = self.stuck
        target = np.where(self.stuck, self._codes, np.array(goal, dtype=np.int64))
        self._goal, self.goal = target, tuple(target.tolist())
        self._low, self._high = np.minimum(self._codes, target), np.maximum(self._codes, target)
        outputs, moves = self.dimmers.outputs(target), target != self._codes
        if not moves.any():
            # Less than one code to go: no wire can show a fade.
            self._rest(outputs)
            return
        waits_s = self._lags.waits_s(moves)
        self._catches_up = self._lags.late & (self._fade is not None)
        self._elapsed_s = -waits_s if self._fade is None else min(self._elapsed_s, 0.0)
        fastest = np.where(self._gentle, self._lags.gently_stops_s, self._lags.fastest_stops_s)
        self._fade = fade(self._outputs, outputs, self._knees, np.minimum(speed_stops_s, fastest))

    def start_from(self, codes: Mapping[int, int], at_s: float) -> None:
        """Continue from the codes, by index, at which heads were found instead of the codes sent."""
        if not codes:
            return
        self._codes, self._outputs = self._codes.copy(), self._outputs.copy()
        self._gentle = self._gentle.copy()
        heads = np.array(list(codes), dtype=np.intp)
        self._codes[heads] = np.clip(list(codes.values()), 0, self.dimmers.full[heads])
        self.codes = tuple(self._codes.tolist())
        outputs = self.dimmers.outputs(self._codes)
        self._outputs[heads] = outputs[heads]
        self._ahead = np.where(np.isin(np.arange(len(outputs)), heads), outputs, self._ahead)
        self._gentle[heads] = True
        self.flashes.record(outputs, at_s)

    def step(self, at_s: float) -> bool:
        """Advance to a time; return true if any code changed."""
        if self._fade is None:
            return False
        most = self._fade.longest_step_s if self._under_way else FRAME_S
        step_s = max(at_s - self._stepped_s, 0.0)
        goes_on_s = min(step_s, most)
        elapsed_s = self._elapsed_s + goes_on_s
        if self._under_way and step_s > HELD_BACK_S:
            self.flashes.left_late(self._stepped_s - HELD_BACK_S, at_s)
        self._stepped_s, self._under_way = at_s, True
        ahead = self._sent_ahead(self._fade, elapsed_s, goes_on_s)
        arrives = elapsed_s >= self._fade.lasts_s and bool((ahead == self._fade.goal)[self._lags.late].all())
        outputs, codes = (
            (self._fade.goal, self._goal) if arrives else self._frame(self._fade, elapsed_s, ahead)
        )
        changed = bool((codes != self._codes).any())
        if changed:
            wire_outputs = outputs if arrives else self.dimmers.outputs(codes)
            self.waits = not self.flashes.admit(wire_outputs, at_s)
            if self.waits:
                return False
            self._codes, self.codes = codes, tuple(codes.tolist())
            self._gentle = self._gentle & (codes != self._goal)
        self._elapsed_s, self._outputs, self._ahead = elapsed_s, outputs, ahead
        if arrives:
            self._rest(outputs)
        return changed

    def wake_in(self, at_s: float) -> float | None:
        """Seconds until the next frame is due; None at rest."""
        if self._fade is None:
            return None
        return max(0.0, FRAME_S - (at_s - self._stepped_s))

    def _frame(
        self, way: Fade, elapsed_s: float, ahead: FloatArray
    ) -> tuple[FloatArray, npt.NDArray[np.int64]]:
        outputs = way.outputs(max(elapsed_s, 0.0))
        codes = self._on_the_way(np.where(self._lags.late, ahead, outputs))
        if elapsed_s >= way.lasts_s:
            codes = np.where(self._lags.late, codes, self._goal)
        return outputs, codes

    def _sent_ahead(self, way: Fade, elapsed_s: float, goes_on_s: float) -> FloatArray:
        """Return the outputs that late heads are sent; those of another fade are caught up with."""
        if not self._lags.any_late:
            return self._ahead
        last, knees = self._ahead, self._knees
        times = np.exp2(CATCHES_UP * goes_on_s * np.where(self._lags.late, self._lags.fastest_stops_s, 0.0))
        below = CATCHES_UP * goes_on_s * knees / BELOW_KNEE_S
        most = np.where(last < knees, np.minimum(last + below, knees), last * times)
        least = np.where(last > knees, np.maximum(last / times, knees), last - below)
        ahead = way.outputs(np.maximum(elapsed_s + self._lags.leads_s, 0.0))
        near = np.minimum(np.maximum(ahead, least), most)
        self._catches_up = self._catches_up & (near != ahead)
        return np.where(self._catches_up, near, ahead)

    def _on_the_way(self, outputs: FloatArray) -> npt.NDArray[np.int64]:
        """Return codes for outputs during a fade, without overshooting the end codes
        that were rounded together."""
        return np.minimum(np.maximum(self.dimmers.codes(outputs), self._low), self._high)

    def _rest(self, outputs: FloatArray) -> None:
        self._fade, self._under_way, self.waits = None, False, False
        self._outputs = self._ahead = outputs
