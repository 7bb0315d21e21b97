"""Dimming curves between control level and light output, and the wire codes of a level.

Level and output are fractions 0..1; output is linear in lux. Values outside 0..1 are clipped; NaN raises
ValueError.
"""

from __future__ import annotations

import itertools
import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import overload

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.monotone import MonotoneCubic

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEAST_LOG_OUTPUT = 1e-3
"""The output of the logarithmic curve just above level 0 (IEC 62386-102: 0.1 %)."""
_TINY = float(np.finfo(np.float64).tiny)
_SLACK = 1e-12


class DimmingCurve(ABC):
    """One dimming curve; equal and hashable by value."""

    @overload
    def output_from_level(self, level: float) -> float: ...
    @overload
    def output_from_level(self, level: FloatArray) -> FloatArray: ...
    def output_from_level(self, level: float | FloatArray) -> float | FloatArray:
        """Return the output of a level; it never falls as the level rises."""
        if isinstance(level, np.ndarray):
            return self._outputs(_fractions(level))
        return self._output(_fraction(level))

    @overload
    def level_from_output(self, output: float) -> float: ...
    @overload
    def level_from_output(self, output: FloatArray) -> FloatArray: ...
    def level_from_output(self, output: float | FloatArray) -> float | FloatArray:
        """Return the smallest level that gives the output."""
        if isinstance(output, np.ndarray):
            return self._levels(_fractions(output))
        return self._level(_fraction(output))

    @abstractmethod
    def _outputs(self, level: FloatArray) -> FloatArray: ...

    @abstractmethod
    def _levels(self, output: FloatArray) -> FloatArray: ...

    def _output(self, level: float) -> float:
        """Return `_outputs` for one level."""
        return float(self._outputs(np.array(level)))

    def _level(self, output: float) -> float:
        """Return `_levels` for one output."""
        return float(self._levels(np.array(output)))


@dataclass(frozen=True)
class Linear(DimmingCurve):
    """Output equals level."""

    def _outputs(self, level: FloatArray) -> FloatArray:
        return level

    def _levels(self, output: FloatArray) -> FloatArray:
        return output

    def _output(self, level: float) -> float:
        return level

    def _level(self, output: float) -> float:
        return output


@dataclass(frozen=True)
class Square(DimmingCurve):
    """Output equals level squared: half the level gives a quarter of the light (theatre practice).

    >>> Square().output_from_level(0.5)
    0.25
    """

    def _outputs(self, level: FloatArray) -> FloatArray:
        return level * level

    def _levels(self, output: FloatArray) -> FloatArray:
        return np.sqrt(output)

    def _output(self, level: float) -> float:
        return level * level

    def _level(self, output: float) -> float:
        return math.sqrt(output)


@dataclass(frozen=True)
class Log(DimmingCurve):
    """Output equals 10^(3 (level - 1)) above level 0 and 0 at level 0.

    An output above 0 but below 0.001 maps to the smallest positive level.

    Reference: IEC 62386-102, with level = (n - 1) / 253.

    >>> round(Log().output_from_level((127 - 1) / 253), 4)
    0.0312
    """

    def _outputs(self, level: FloatArray) -> FloatArray:
        return np.where(level > 0, 10.0 ** (3 * (level - 1)), 0.0)

    def _levels(self, output: FloatArray) -> FloatArray:
        level = np.maximum(1 + np.log10(np.maximum(output, LEAST_LOG_OUTPUT)) / 3, _TINY)
        return np.where(output > 0, level, 0.0)


_CIE_KNEE, _CIE_SLOPE = 216 / 24389, 24389 / 27


@dataclass(frozen=True)
class Lightness(DimmingCurve):
    """Output equals the relative luminance of CIE 1976 lightness L* = 100 level (ISO/CIE 11664-4).

    >>> round(Lightness().output_from_level(0.5), 6)
    0.184187
    """

    def _outputs(self, level: FloatArray) -> FloatArray:
        lightness = 100 * level
        return np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness / _CIE_SLOPE)

    def _levels(self, output: FloatArray) -> FloatArray:
        lightness = np.where(output > _CIE_KNEE, 116 * np.cbrt(output) - 16, _CIE_SLOPE * output)
        return lightness / 100


@dataclass(frozen=True)
class Fixed(DimmingCurve):
    """A lamp that cannot be dimmed: output 1 at every level, and level 1 for every output."""

    def _outputs(self, level: FloatArray) -> FloatArray:
        return np.ones_like(level)

    def _levels(self, output: FloatArray) -> FloatArray:
        return np.ones_like(output)


@dataclass(frozen=True)
class TableCurve(DimmingCurve):
    """A monotone cubic (Fritsch and Carlson, 1980) through measured pairs of level and output.

    `levels` rise strictly within 0..1; `outputs` never fall and end at 1. The pair (0, 0) is prepended when
    no level is 0. Beyond the last level the output stays 1.

    Raises:
        ValueError: the pairs do not meet these conditions.

    >>> TableCurve((0.2, 1.0), (0.0, 1.0)).level_from_output(0.0)
    0.0
    """

    levels: tuple[float, ...]
    outputs: tuple[float, ...]

    def __post_init__(self) -> None:
        levels, outputs = tuple(map(float, self.levels)), tuple(map(float, self.outputs))
        _check_table(levels, outputs)
        if levels[0] > 0:
            levels, outputs = (0.0, *levels), (0.0, *outputs)
        object.__setattr__(self, "levels", levels)
        object.__setattr__(self, "outputs", outputs)

    @cached_property
    def cubic(self) -> MonotoneCubic:
        """The interpolant."""
        return MonotoneCubic(self.levels, self.outputs)

    def _outputs(self, level: FloatArray) -> FloatArray:
        return self.cubic(level)

    def _levels(self, output: FloatArray) -> FloatArray:
        return self.cubic.smallest(output)


def _check_table(levels: tuple[float, ...], outputs: tuple[float, ...]) -> None:
    if len(levels) != len(outputs) or not levels:
        raise ValueError("levels and outputs must be equally many, at least one")
    if not all(0 <= v <= 1 for v in (*levels, *outputs)):
        raise ValueError("levels and outputs must be from 0 to 1")
    if any(b <= a for a, b in itertools.pairwise(levels)):
        raise ValueError("levels must rise strictly")
    if any(b < a for a, b in itertools.pairwise(outputs)):
        raise ValueError("outputs must never fall")
    if outputs[-1] != 1 or levels[-1] == 0:
        raise ValueError("the last output must be 1, at a level above 0")


_NAMED: dict[str, DimmingCurve] = {
    "linear": Linear(),
    "square": Square(),
    "log": Log(),
    "lightness": Lightness(),
    "fixed": Fixed(),
}


def curve(spec: str | tuple[Sequence[float], Sequence[float]]) -> DimmingCurve:
    """Return the curve of that name, or the curve through a table (levels, outputs).

    Raises:
        ValueError: the name is unknown, or the table is not a dimming curve.

    >>> curve("square") == curve("square"), curve(([1.0], [1.0])).output_from_level(0.25)
    (True, 0.25)
    """
    if isinstance(spec, str):
        if spec not in _NAMED:
            raise ValueError(f"{spec!r} is not a dimming curve; there are {', '.join(_NAMED)}, or a table")
        return _NAMED[spec]
    levels, outputs = spec
    return TableCurve(tuple(levels), tuple(outputs))


def code_from_level(level: float, full_scale: int) -> int:
    """Return the wire code round(level * full_scale), halves rounded up.

    >>> code_from_level(0.5, 65535)
    32768
    """
    return math.floor(_fraction(level) * full_scale + 0.5)


def level_from_code(code: int, full_scale: int) -> float:
    """Return the level of a wire code; 0 if the full scale is 0."""
    return code / full_scale if full_scale else 0.0


def wire_octets(code: int, full_scale: int) -> list[int]:
    """Return the octets of a code: one up to full scale 255, otherwise coarse, then fine.

    Raises:
        ValueError: the code is not from 0 to `full_scale`, or `full_scale` exceeds 65535.

    >>> wire_octets(32768, 65535)
    [128, 0]
    """
    if not (0 <= code <= full_scale <= 0xFFFF):
        raise ValueError(f"code {code} is not from 0 to {full_scale}, or full scale is over 65535")
    return [code] if full_scale <= 0xFF else [code >> 8, code & 0xFF]


@lru_cache(maxsize=64)
def outputs_of_codes(curve: DimmingCurve, full_scale: int) -> FloatArray:
    """Return the outputs of codes 0 to `full_scale` (full_scale + 1,), read-only and never falling."""
    outputs = curve.output_from_level(np.arange(full_scale + 1) / max(full_scale, 1))
    outputs = np.maximum.accumulate(outputs)
    outputs.flags.writeable = False
    return outputs


@lru_cache(maxsize=4096)
def smallest_lit_code(curve: DimmingCurve, full_scale: int) -> int:
    """Return the smallest code that gives any light; `full_scale` if no smaller one does."""
    return _smallest_code(curve, full_scale, _TINY)


@lru_cache(maxsize=4096)
def floor_code(curve: DimmingCurve, full_scale: int, floor: float) -> int:
    """Return the smallest code that gives light and an output of at least `floor`."""
    return max(smallest_lit_code(curve, full_scale), _smallest_code(curve, full_scale, floor - _SLACK))


def _smallest_code(curve: DimmingCurve, full_scale: int, output: float) -> int:
    low, high = 0, full_scale
    while low < high:
        middle = (low + high) // 2
        if curve.output_from_level(level_from_code(middle, full_scale)) >= output:
            high = middle
        else:
            low = middle + 1
    return low


def code_from_output(curve: DimmingCurve, output: float, full_scale: int, floor: float = 0.0) -> int:
    """Return the code nearest in level to an output, never below the floor's code and never dark.

    For a head that is out, use code 0 instead of this function.

    Parameters:
        curve: dimming curve of the head.
        output: requested output, 0..1.
        full_scale: code of full level; 0 for a head without a wire, whose code is always 0.
        floor: smallest output allowed, 0..1 (with a slack of 1e-12).
    """
    least = floor_code(curve, full_scale, floor)
    return max(least, code_from_level(curve.level_from_output(output), full_scale))


def codes_from_outputs(
    curve: DimmingCurve, outputs: FloatArray, full_scale: int, floor: float = 0.0
) -> IntArray:
    """Apply `code_from_output` to each of the outputs (n,)."""
    levels = curve.level_from_output(np.asarray(outputs, dtype=np.float64))
    codes = np.floor(levels * full_scale + 0.5).astype(np.int64)
    return np.maximum(codes, floor_code(curve, full_scale, floor))


def _fraction(value: float) -> float:
    if math.isnan(value):
        raise ValueError("a level or an output is a number from 0 to 1, not NaN")
    return min(max(float(value), 0.0), 1.0)


def _fractions(values: FloatArray) -> FloatArray:
    found: FloatArray = np.minimum(np.maximum(values, 0.0), 1.0)
    # A sum of numbers from 0 to 1 is NaN only if one of them is.
    if math.isnan(np.add.reduce(found, axis=None)):
        raise ValueError("a level or an output is a number from 0 to 1, not NaN")
    return found
