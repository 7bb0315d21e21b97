"""The flash limiter: at most three turns of the light in any second, for every head, whatever is ordered.

Theory. A flash is a pair of opposite changes; three in any second are considered harmless (WCAG 2.3.1). This
limiter counts single turns, which allows half as much. It follows the light of a head on the wire as
log2(max(output, 0.01)). The extreme since the last turn is recorded; a head turns when it has moved back more
than 0.1 stop from it. A frame that would make a fourth turn within a second is not sent; its whole fade
waits, while orders may still change the goal. A fade in one direction never waits. Times are those of the
frames; on the wire two of them may be closer by as long as a wire holds one back, so the window is longer.

A wire may also drop the frame of an extreme, for which no packet had room. Who looks at the lamp then sees
the turn once the light has gone back from the extreme that surely left: the highest that the light was not
below, or the lowest that it was not above, for as long as a wire may hold a frame back. Until it has stayed
there for as long, the turn counts as of the last frame that brought it there."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

TURN_STOPS = 0.1
LEAST_OUTPUT = 0.01
MOST_TURNS = 3
WINDOW_S = 1.0 + 0.06
"""A second, two packets of DMX512-A, 23 ms each, and some for a busy machine."""
HELD_BACK_S = WINDOW_S - 1.0
"""How long a wire may hold back a frame."""
SURE_STOPS = TURN_STOPS + 1e-5
"""Light that has gone back by as much is seen to have turned, however it is worked out."""
_SLACK_STOPS = 1e-9
_LONG_AGO_S = -1e9


class FlashLimiter:
    """Watches the frames of all heads; times are seconds and never fall."""

    def __init__(self, outputs: FloatArray, has_moved: bool = False) -> None:
        """With `has_moved` the light may have come from either side, as after a restart: its first change
        counts as a turn."""
        stops = _stops(outputs)
        self._first = stops.copy()
        self._high, self._low = stops.copy(), stops.copy()
        self._way = np.zeros(len(stops), dtype=np.int64)
        self._has_moved = has_moved
        self._turned_s = np.full((len(stops), MOST_TURNS), _LONG_AGO_S)
        self._frames: list[tuple[float, FloatArray]] = [(_LONG_AGO_S, stops)]
        self._sure_high, self._sure_low = stops.copy(), stops.copy()
        self._unseen = np.zeros(len(stops), dtype=np.int64)
        self._seen_at = stops.copy()

    def go_on_from(self, before: FlashLimiter, places: Sequence[int | None]) -> None:
        """Continue what another limiter counted; `places` has the index there of each head here, if any."""
        here = [i for i, place in enumerate(places) if place is not None]
        there = [place for place in places if place is not None]
        for own, other in zip(self._by_head, before._by_head, strict=True):
            own[here] = other[there]
        latest = self._frames[-1][1]
        self._frames = [(at_s, latest.copy()) for at_s, _ in before._frames]
        for (_, own), (_, other) in zip(self._frames, before._frames, strict=True):
            own[here] = other[there]

    @property
    def _by_head(self) -> tuple[npt.NDArray[Any], ...]:
        extremes = self._first, self._high, self._low, self._sure_high, self._sure_low
        return *extremes, self._way, self._turned_s, self._unseen, self._seen_at

    def rebased(self, later_s: float) -> FlashLimiter:
        """Return a limiter that continues from here, on a clock that reads `later_s` less."""
        other = copy(self)
        other._turned_s = self._turned_s - later_s
        other._frames = [(at_s - later_s, stops) for at_s, stops in self._frames]
        return other

    def admit(self, outputs: FloatArray, at_s: float) -> bool:
        """Admit a frame, which then counts as sent; return false if it has to wait."""
        stops = _stops(outputs)
        turns = self._turns(stops)
        if turns.any() and (turns & (self._turned_s[:, 0] >= at_s - WINDOW_S)).any():
            return False
        self._count(stops, turns, at_s)
        return True

    def record(self, outputs: FloatArray, at_s: float) -> None:
        """Record light from another source as if it had been sent."""
        stops = _stops(outputs)
        self._count(stops, self._turns(stops), at_s)

    def left_late(self, since_s: float, at_s: float) -> None:
        """Count turns since a time as made now: a stall may have held their frames back on the way out."""
        self._turned_s = np.where(self._turned_s >= since_s, at_s, self._turned_s)

    def _count(self, stops: FloatArray, turns: BoolArray, at_s: float) -> None:
        self._have_left(at_s)
        was, unsure = self._way, self._way == 0
        new = turns
        if unsure.any():
            goes_up = unsure & (stops > self._low + TURN_STOPS - _SLACK_STOPS)
            goes_down = unsure & (stops < self._high - TURN_STOPS + _SLACK_STOPS)
            self._way = np.where(goes_up, 1, np.where(goes_down, -1, self._way))
            new = turns | goes_up | goes_down
        if turns.any():
            self._turned_s[turns, :-1] = self._turned_s[turns, 1:]
            self._turned_s[turns, -1] = at_s
            back_down = stops < self._high - TURN_STOPS + _SLACK_STOPS
            self._await_sight(turns & ((was > 0) | ((was == 0) & back_down)), turns)
            self._way = np.where(turns & ~unsure, -self._way, self._way)
        self._high = np.where(new, stops, np.maximum(self._high, stops))
        self._low = np.where(new, stops, np.minimum(self._low, stops))
        if new.any():
            self._sure_high = np.where(new, -np.inf, self._sure_high)
            self._sure_low = np.where(new, np.inf, self._sure_low)
        if self._unseen.any():
            stays = self._is_back(stops, stops) & self._is_back(self._frames[-1][1], self._frames[-1][1])
            self._turned_s[(self._unseen != 0) & ~stays, -1] = at_s
        self._frames.append((at_s, stops))

    def _is_back(self, low: FloatArray, high: FloatArray) -> BoolArray:
        """Return the heads whose light, between these, shows their last turn to whoever missed the
        extreme."""
        back: BoolArray = np.where(self._unseen < 0, high <= self._seen_at, low >= self._seen_at)
        return back

    def _have_left(self, at_s: float) -> None:
        """Count what surely left before the frame of a time: one of those that a wire may hold back."""
        while len(self._frames) > 1 and self._frames[1][0] <= at_s - HELD_BACK_S:
            del self._frames[0]
        latest = [stops for _, stops in self._frames]
        low, high = np.minimum.reduce(latest), np.maximum.reduce(latest)
        self._sure_high = np.maximum(self._sure_high, low)
        self._sure_low = np.minimum(self._sure_low, high)
        if self._unseen.any():
            self._unseen = np.where(self._is_back(low, high), 0, self._unseen)

    def _await_sight(self, falls: BoolArray, turns: BoolArray) -> None:
        """Let the time of these turns move on until the light is back from what surely left."""
        self._unseen = np.where(turns, np.where(falls, -1, 1), self._unseen)
        seen_at = np.where(falls, self._sure_high - SURE_STOPS, self._sure_low + SURE_STOPS)
        self._seen_at = np.where(turns, seen_at, self._seen_at)

    def _turns(self, stops: FloatArray) -> BoolArray:
        """Return the heads that turn with a frame. A head that has not left its first light cannot turn,
        unless it had moved before."""
        back_down = stops < self._high - TURN_STOPS + _SLACK_STOPS
        back_up = stops > self._low + TURN_STOPS - _SLACK_STOPS
        turns: BoolArray = ((self._way > 0) & back_down) | ((self._way < 0) & back_up)
        unsure = self._way == 0
        if unsure.any():
            turns = turns | (unsure & back_down & (self._has_moved | (self._high > self._first)))
            turns = turns | (unsure & back_up & (self._has_moved | (self._low < self._first)))
        return turns


def _stops(outputs: FloatArray) -> FloatArray:
    stops: FloatArray = np.log2(np.maximum(outputs, LEAST_OUTPUT))
    return stops
