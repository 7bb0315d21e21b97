"""The region of legal outputs with key and fill each on one common output, and the way through it.

Key runs at common output a and fill at b. A ray is all outputs of one mix a / b; along it every metered
quantity rises. The way takes from each ray the point whose exposure is nearest the target, so it runs from
the most fill to the most key, along X = target where the lamps allow it and along their limits where they do
not. Ratio and exposure are then searched on one line. In the coordinates (a / b, 1 / b) level lines of
piecewise linear quantities stay piecewise linear: every bend is known and nothing iterates.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY
from fillside.balance.solver.role_path import Path, distinct, rising

FloatArray = npt.NDArray[np.float64]
Stretch = tuple[float, float]

LEAST_LUX = 1e-12
LEAST_OUTPUT = 1e-12
SEEN_OUTPUT = 0.01
"""Lower outputs cannot be seen and count as this one."""
KEPT = 1e-9
"""Share by which rounding errors may take a computed point past a bound."""
LEAST_EXPOSURE_SLOPE = 1 / 24
"""Least exposure [stops] that a stop of mix is taken to cost, if it costs any."""
_SAMPLES = np.exp2(np.arange(-7, 7.1, 0.5))
"""Sampled mixes, as factors of the mix with both roles at full."""


@dataclass(frozen=True)
class Way:
    """A polyline through the plane, from most fill to most key: common outputs (n,) and rows (rows, n) [lux].

    `mix` (n,) rises strictly. A position is the index of a point, with a fraction between two points.
    """

    mix: FloatArray
    key: FloatArray
    fill: FloatArray
    lux: FloatArray

    @cached_property
    def mix_stops(self) -> FloatArray:
        value: FloatArray = np.log2(self.mix)
        return value

    @cached_property
    def _steps_stops(self) -> FloatArray:
        """The change of mix from point to point, in stops, counting only light that can be seen."""
        seen = np.log2(np.maximum(self.key, SEEN_OUTPUT) / np.maximum(self.fill, SEEN_OUTPUT))
        value: FloatArray = seen[1:] - seen[:-1]
        return value

    def with_point(self, mix: float, at_mix: Callable[[float], tuple[float, float, FloatArray]]) -> Way:
        """Return the way with a point at a mix between its ends, where `at_mix` gives outputs and rows."""
        i = int(self.mix.searchsorted(mix))
        if self.mix[i] == mix:
            return self
        key, fill, lux = at_mix(mix)
        return Way(
            _with_value(self.mix, i, mix),
            _with_value(self.key, i, key),
            _with_value(self.fill, i, fill),
            np.concatenate((self.lux[:, :i], lux[:, np.newaxis], self.lux[:, i:]), axis=1),
        )

    def row_at(self, row: int, position: float) -> float:
        """Return a row at a position [lux]."""
        return between(self.lux[row], position)

    def point(self, mix: float) -> int:
        """Return the index of the point whose mix is nearest to the given one."""
        i = int(self.mix.searchsorted(mix))
        if i == 0 or i == len(self.mix):
            return 0 if i == 0 else i - 1
        return i if self.mix[i] - mix <= mix - self.mix[i - 1] else i - 1

    def at(self, position: float) -> tuple[float, float]:
        """Return the common outputs of key and fill at a position."""
        i = min(int(position), len(self.mix) - 1)
        if i == position:
            return float(self.key[i]), float(self.fill[i])
        return between(self.key, position), between(self.fill, position)

    def mix_stops_at(self, position: float) -> float:
        """log2(a / b) at a position."""
        key, fill = self.at(position)
        return math.log2(max(key, LEAST_OUTPUT) / max(fill, LEAST_OUTPUT))

    def position_of(self, mix_stops: float) -> float:
        """Return the position at which log2(a / b) has a value, or an end if the way does not reach it."""
        i = int(self.mix_stops.searchsorted(mix_stops)) - 1
        if i < 0 or i >= len(self.mix) - 1:
            return 0.0 if i < 0 else len(self.mix) - 1.0
        mix = 2.0**mix_stops
        missing = mix * float(self.fill[i]) - float(self.key[i])
        gained = float(self.key[i + 1] - self.key[i]) - mix * float(self.fill[i + 1] - self.fill[i])
        return i + min(max(missing / gained, 0.0), 1.0) if gained > 0 else float(i)

    def where(
        self, above: FloatArray, below: FloatArray, turn: float, stops: float, middle: float, slope: float
    ) -> float:
        """Return the position where `above` over `below` (n,) [lux] equals `stops`, or the nearest end.

        `turn` is 1 if the quotient rises along the way, -1 if it falls. If it changes by less than `slope`
        stops per stop of mix, it is taken to change by that much, counted from the position `middle`.
        """
        mix, shown = self.mix_stops, np.log2(np.maximum(above, LEAST_LUX) / np.maximum(below, LEAST_LUX))
        if turn != 1.0:
            shown *= turn
        least = slope * self._steps_stops
        steps = np.maximum(shown[1:] - shown[:-1], least)
        counted = np.zeros(len(shown))
        steps.cumsum(out=counted[1:])
        i = min(int(middle), len(steps))
        if i == middle or steps[i] > least[i]:
            counted += float(shown[i]) - float(counted[i])
        else:
            counted += self._counted_less(counted, above, below, turn, middle)
        i = int(counted.searchsorted(turn * stops)) - 1
        if i < 0 or i >= len(steps):
            return 0.0 if i < 0 else float(len(steps))
        missing = turn * stops - float(counted[i])
        if steps[i] <= least[i]:
            return self.position_of(float(mix[i] + missing / steps[i] * (mix[i + 1] - mix[i])))
        here = 2.0 ** (turn * (float(shown[i]) + missing))
        short = here * float(below[i]) - float(above[i])
        gained = float(above[i + 1] - above[i]) - here * float(below[i + 1] - below[i])
        return i + min(max(short / gained, 0.0), 1.0) if gained != 0 else float(i)

    def _counted_less(
        self,
        counted: FloatArray,
        above: FloatArray,
        below: FloatArray,
        turn: float,
        position: float,
    ) -> float:
        """Return the stops shown minus the stops counted at a position between two points."""
        i = int(position)
        top, bottom = between(above, position), between(below, position)
        here = turn * math.log2(max(top, LEAST_LUX) / max(bottom, LEAST_LUX))
        gone = (self.mix_stops_at(position) - float(self.mix_stops[i])) / float(
            self.mix_stops[i + 1] - self.mix_stops[i]
        )
        return here - float(counted[i] + gone * (counted[i + 1] - counted[i]))

    def within(self, row: int, lux: float, stops: float) -> Within:
        """Return the positions where a row is at most `stops` over `lux` (or under, if negative or -0.0)."""
        sign = math.copysign(1.0, stops)
        met = (sign * (self.lux[row] / lux - 1) <= KEPT).nonzero()[0]
        return Within(self, row, lux, stops, float(met[0]), float(met[-1]))

    def around(self, middle: int, row: int, lux: float) -> Stretch:
        """Return the stretch around a point where a row stays under `lux`, else the point alone."""
        over = self.lux[row] - lux * (1 + KEPT)
        above = (over > 0).nonzero()[0]
        cut = int(above.searchsorted(middle))
        low, high = 0.0, len(over) - 1.0
        if over[middle] > 0:
            return float(middle), float(middle)
        if cut > 0:
            i = int(above[cut - 1])
            low = i + float(over[i] / (over[i] - over[i + 1]))
        if cut < len(above):
            i = int(above[cut])
            high = i - float(over[i] / (over[i] - over[i - 1]))
        return low, high


@dataclass(frozen=True)
class Within:
    """The positions where a row keeps to a bound: exactly from `first` to `last`, by a slope beyond them.

    The ends are computed on first use.
    """

    way: Way
    row: int
    lux: float
    stops: float
    first: float
    last: float

    @cached_property
    def low(self) -> float:
        """The end toward the fill."""
        return min(self.first, self._end(-1.0, self.first)) if self.first > 0 else 0.0

    @cached_property
    def high(self) -> float:
        """The end toward the key."""
        end = len(self.way.mix) - 1.0
        return max(self.last, self._end(1.0, self.last)) if self.last < end else end

    @property
    def stretch(self) -> Stretch:
        return self.low, self.high

    def holds(self, position: float) -> bool:
        """Return true for a position between the ends."""
        if position < self.first:
            return position >= self.low
        return position <= self.last or position <= self.high

    def near(self, position: float) -> Stretch:
        """Return the stretch, exact at the end toward a position; its other end is `first` or `last`."""
        low = self.low if position < self.first else self.first
        return low, self.high if position > self.last else self.last

    def _end(self, turn: float, middle: float) -> float:
        values, sign = self.way.lux[self.row], math.copysign(1.0, self.stops)
        wanted = np.full(len(values), self.lux)
        return self.way.where(values, wanted, turn * sign, self.stops, middle, LEAST_EXPOSURE_SLOPE)


def _with_value(values: FloatArray, i: int, value: float) -> FloatArray:
    """Return the values (n,) with one more before the one at an index."""
    found = np.empty(len(values) + 1)
    found[:i], found[i], found[i + 1 :] = values[:i], value, values[i:]
    return found


def between(values: FloatArray, position: float) -> float:
    """Return the value of a polyline (n,) at a position from 0 to n - 1."""
    i = int(position)
    if i == position:
        return float(values[i])
    here = float(values[i])
    return here + (position - i) * (float(values[i + 1]) - here)


@dataclass(frozen=True)
class Plane:
    """The paths of the two roles over a constant base (rows,) [lux], the target exposure and the most light
    on the face, if it has a limit [lux]."""

    key: Path
    fill: Path
    base: FloatArray
    exposure_lux: float
    most_lux: float | None

    @cached_property
    def _box(self) -> tuple[float, float, float, float]:
        """Least and most common output of key, then of fill; 1 for a role without a head to set."""
        key, fill = (path.common if len(path.heads) else np.ones(1) for path in (self.key, self.fill))
        least = (max(float(key[0]), LEAST_OUTPUT), max(float(fill[0]), LEAST_OUTPUT))
        return least[0], max(least[0], float(key[-1])), least[1], max(least[1], float(fill[-1]))

    @property
    def least_mix(self) -> float:
        """The mix with key and fill both at their least."""
        return self._box[0] / self._box[2]

    @property
    def most_mix(self) -> float:
        """The mix with key and fill both at their most."""
        return self._box[1] / self._box[3]

    def way(self, middle_mix: float) -> Way:
        """Return the way, with a point at each bend, at the given mix and at some samples."""
        first, last = self._end_mixes
        middle_mix = min(max(middle_mix, first), last)
        if self.most_lux is None:
            return self._plain_way.with_point(middle_mix, self._at_mix)
        return self._way_through(self._mixes(middle_mix))

    @cached_property
    def _end_mixes(self) -> tuple[float, float]:
        """The least and the most mix of all legal outputs."""
        key_least, key_most, fill_least, fill_most = self._box
        return key_least / fill_most, key_most / fill_least

    @cached_property
    def _lines(self) -> list[_LevelLine]:
        """The level lines that the way may take: of the exposure, then of the sides of the face."""
        lines = [self._level_line(EXPOSURE, self.exposure_lux)]
        if self.most_lux is not None:
            lines += [self._level_line(side, self.most_lux) for side in (FACE_KEY, FACE_FILL)]
        return lines

    @cached_property
    def _plain_way(self) -> Way:
        """The way without a point at a mix that is asked for."""
        return self._way_through(self._mixes(self.most_mix))

    def _mixes(self, middle_mix: float) -> FloatArray:
        """Return the mixes (n,) of the points of the way."""
        (first, last), lines = self._end_mixes, self._lines
        mixes = [line.mix for line in lines] + [self.most_mix * _SAMPLES]
        mixes.append(np.array((middle_mix, self.least_mix, self.most_mix, first, last)))
        mixes += self._bends_on_limits(lines)
        mix = distinct(np.minimum(np.maximum(np.concatenate(mixes), first), last))
        if len(lines) > 1:
            mix = distinct(np.concatenate((mix, *_meetings(mix, [line.inverse_fill(mix) for line in lines]))))
        return mix

    def _at_mix(self, mix: float) -> tuple[float, float, FloatArray]:
        """Return the common outputs and the rows (rows,) of the way at one mix where the face has no limit.

        It takes the same steps as `_way_through`, so that both agree to the last bit.
        """
        key_least, key_most, fill_least, fill_most = self._box
        inverse = max(mix / key_most, 1 / fill_most, self._lines[0].inverse_fill_at(mix))
        inverse = min(inverse, mix / key_least, 1 / fill_least)
        key = min(max(mix / inverse, key_least), key_most)
        fill = min(max(1 / inverse, fill_least), fill_most)
        return key, fill, self.key.lux_of(key) + self.fill.lux_of(fill) + self.base

    def _way_through(self, mix: FloatArray) -> Way:
        """Return the way with points at these rising mixes (n,)."""
        key_least, key_most, fill_least, fill_most = self._box
        inverse = np.maximum(mix / key_most, 1 / fill_most)
        for line in self._lines:
            inverse = np.maximum(inverse, line.inverse_fill(mix))
        inverse = np.minimum(inverse, np.minimum(mix / key_least, 1 / fill_least))
        key = np.minimum(np.maximum(mix / inverse, key_least), key_most)
        fill = np.minimum(np.maximum(1 / inverse, fill_least), fill_most)
        return Way(mix, key, fill, self.lux_at(key, fill))

    def lux_at(self, key: FloatArray, fill: FloatArray) -> FloatArray:
        """Return the rows (rows, n) at common outputs (n,) of key and fill [lux]."""
        value: FloatArray = self.key.lux_at(key) + self.fill.lux_at(fill) + self.base[:, np.newaxis]
        return value

    def _bends_on_limits(self, lines: Sequence[_LevelLine]) -> list[FloatArray]:
        """Return the mixes of the limits of heads along the edges of the region that the way may take."""
        key_least, key_most, fill_least, fill_most = self._box
        bends = []
        key, fill = self.key.common[1:-1], self.fill.common[1:-1]
        inside = len(lines) == 1
        if (inside and lines[0].before == 0) or not inside:
            bends.append(key / fill_most)
        if (inside and lines[0].before > 0) or not inside:
            bends.append(key_least / fill)
        if (inside and lines[0].after == 0) or not inside:
            bends.append(key_most / fill)
        if (inside and lines[0].after > 0) or not inside:
            bends.append(key / fill_least)
        return bends

    def _level_line(self, row: int, lux: float) -> _LevelLine:
        """Return the line on which a row equals `lux`."""
        by_key, by_fill, rest = self.key.lux[row], self.fill.lux[row], lux - float(self.base[row])
        scale = max(abs(lux), abs(rest), float(by_key[-1]), float(by_fill[-1]))
        by_key, by_fill = rising(by_key, scale), rising(by_fill, scale)
        if by_key[0] + by_fill[0] >= rest:
            return _LevelLine(_NOTHING, _NOTHING, math.inf, math.inf)
        if by_key[-1] + by_fill[-1] <= rest:
            return _LevelLine(_NOTHING, _NOTHING, 0.0, 0.0)
        rising_fill = rest - by_fill[::-1]
        low, high = max(by_key[0], rising_fill[0]), min(by_key[-1], rising_fill[-1])
        values = np.concatenate((by_key, rising_fill, (low, high)))
        values = values[(values >= low) & (values <= high)]
        values.sort()
        key = np.maximum(np.interp(values, by_key, self.key.common), LEAST_OUTPUT)
        fill = np.maximum(np.interp(values, rising_fill, self.fill.common[::-1]), LEAST_OUTPUT)
        if not len(self.key.heads):
            key = np.ones_like(key)
        if not len(self.fill.heads):
            fill = np.ones_like(fill)
        before = math.inf if by_key[0] >= rising_fill[0] else 0.0
        after = math.inf if rising_fill[-1] <= by_key[-1] else 0.0
        return _LevelLine(key / fill, 1 / fill, before, after)


_NOTHING = np.zeros(0)


@dataclass(frozen=True)
class _LevelLine:
    """A level line: 1 / b (n,) by mix (n,); `before` and `after` are 0 where rays end below it, else inf."""

    mix: FloatArray
    inverse: FloatArray
    before: float
    after: float

    def inverse_fill(self, mix: FloatArray) -> FloatArray:
        """Return 1 / b where the rays of these mixes meet the line."""
        if not len(self.mix):
            return np.full(len(mix), self.before)
        value: FloatArray = np.interp(mix, self.mix, self.inverse, left=self.before, right=self.after)
        return value

    def inverse_fill_at(self, mix: float) -> float:
        """Return `inverse_fill` for one mix."""
        if not len(self.mix):
            return self.before
        return float(np.interp(mix, self.mix, self.inverse, left=self.before, right=self.after))


def _meetings(mix: FloatArray, inverse: Sequence[FloatArray]) -> list[FloatArray]:
    """Return the mixes at which two level lines cross."""
    found = []
    for i, one in enumerate(inverse):
        for other in inverse[:i]:
            known = np.isfinite(one) & np.isfinite(other)
            gap = np.where(known, one, 0.0) - np.where(known, other, 0.0)
            at = np.flatnonzero((gap[:-1] * gap[1:] < 0) & known[:-1] & known[1:])
            share = gap[at] / (gap[at] - gap[at + 1])
            found.append(mix[at] + share * (mix[at + 1] - mix[at]))
    return found
