"""The region of legal outputs with key and fill each on one common output, and the lines in it.

All lines are polylines given at their bends, so that every quantity is exactly linear between two points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.path import Path, rising
from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY, LIT, SHADOW
from fillside.balance.wish import Wish

FloatArray = npt.NDArray[np.float64]

LEAST_LUX = 1e-12
KEPT = 1e-9
"""A bound counts as kept up to this share of it, for the rounding of a computed point on it."""


@dataclass(frozen=True)
class Line:
    """A polyline through the plane: common outputs (n,) of key and fill, and rows (rows, n) [lux]."""

    key: FloatArray
    fill: FloatArray
    lux: FloatArray


@dataclass(frozen=True)
class Plane:
    """The two roles' paths over a base (rows,) that does not move [lux], and the wish in its terms."""

    key: Path
    fill: Path
    base: FloatArray
    wish: Wish

    @property
    def sides(self) -> tuple[int, int]:
        """The rows whose quotient the wish holds: bright and dark."""
        return (FACE_KEY, FACE_FILL) if self.wish.read_as == "face" else (LIT, SHADOW)

    def line(self, key: FloatArray, fill: FloatArray) -> Line:
        lux = self.key.lux_at(key) + self.fill.lux_at(fill) + self.base[:, np.newaxis]
        return Line(key, fill, lux)

    def balance(self, line: Line) -> FloatArray:
        """g = bright - q x dark along a line: zero where the ratio is as wanted, above where higher [lux]."""
        bright, dark = self.sides
        value: FloatArray = line.lux[bright] - self.wish.quotient * line.lux[dark]
        return value

    def ratio_error(self, line: Line) -> FloatArray:
        """How far the quotient of the sides is from the wish along a line, in stops, without sign."""
        bright, dark = (np.maximum(line.lux[side], LEAST_LUX) for side in self.sides)
        value: FloatArray = np.abs(np.log2(bright / dark) - np.log2(self.wish.quotient))
        return value

    def overstepped(self, line: Line, exposure_cap: float) -> dict[str, list[FloatArray]]:
        """By bound, how far it is overstepped along a line as a share of it: at most 0 where it is kept.

        Each is linear between two bends; the larger side of the face is not, so both sides stand alone.
        """
        bounds = {"most_over": [line.lux[EXPOSURE] / exposure_cap - 1]}
        if self.wish.most_lux is not None:
            bounds["most_lux"] = [line.lux[side] / self.wish.most_lux - 1 for side in (FACE_KEY, FACE_FILL)]
        return bounds

    def keeps_bounds(self, line: Line, exposure_cap: float = math.inf) -> npt.NDArray[np.bool_]:
        """Where along a line every bound is kept."""
        kept = np.ones(len(line.key), dtype=bool)
        for values in self.overstepped(line, exposure_cap).values():
            for value in values:
                kept &= value <= KEPT
        return kept

    def raising_key(self) -> Line:
        """From everything at its least, the key up to its most."""
        lux = self.key.lux + (self.fill.lux[:, :1] + self.base[:, np.newaxis])
        return Line(self.key.common, np.repeat(self.fill.common[:1], len(self.key.common)), lux)

    def raising_fill(self) -> Line:
        """From everything at its least, the fill up to its most."""
        lux = self.fill.lux + (self.key.lux[:, :1] + self.base[:, np.newaxis])
        return Line(np.repeat(self.key.common[:1], len(self.fill.common)), self.fill.common, lux)

    def level_line(self, key_values: FloatArray, fill_values: FloatArray, total: float) -> Line | None:
        """Where key_values(a) + fill_values(b) = total; both values rise with their own common output.

        The values are given at the paths' bends. The line runs with a rising, b falling; None where no
        legal outputs reach the total.
        """
        return self._matching(rising(key_values), total - rising(fill_values)[::-1], self.fill.common[::-1])

    def ratio_line(self) -> Line | None:
        """Where g = 0, from the least light to the most; None where it does not rise or does not exist."""
        bright, dark = self.sides
        by_key, by_fill, base = (
            lux[bright] - self.wish.quotient * lux[dark] for lux in (self.key.lux, self.fill.lux, self.base)
        )
        sign = 1.0 if by_key[-1] >= by_key[0] else -1.0
        by_key, by_fill = sign * by_key, sign * by_fill
        if (by_key[1:] < by_key[:-1]).any() or (by_fill[1:] > by_fill[:-1]).any():
            return None
        return self._matching(rising(by_key), rising(-by_fill - sign * base), self.fill.common)

    def _matching(self, rising_key: FloatArray, rising_fill: FloatArray, fill: FloatArray) -> Line | None:
        """The line where two rising functions, given at the bends of key and fill, are equal."""
        low, high = max(rising_key[0], rising_fill[0]), min(rising_key[-1], rising_fill[-1])
        if low > high:
            return None
        values = np.concatenate((rising_key, rising_fill, (low, high)))
        values = values[(values >= low) & (values <= high)]
        values.sort()
        return self.line(np.interp(values, rising_key, self.key.common), np.interp(values, rising_fill, fill))
