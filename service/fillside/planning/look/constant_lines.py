"""Lines of constant ratio or exposure through the region of legal outputs, from one of its edges to another.

All are polylines given at their bends, so that every quantity is exactly linear between two points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import EXPOSURE
from fillside.balance.solver.path import rising
from fillside.balance.solver.plane import Plane

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """A polyline through the plane: common outputs (n,) of key and fill, and rows (rows, n) [lux]."""

    key: FloatArray
    fill: FloatArray
    lux: FloatArray


def line_through(plane: Plane, key: FloatArray, fill: FloatArray) -> Line:
    """The line through given points."""
    return Line(key, fill, plane.lux_at(key, fill))


def exposure_line(plane: Plane) -> Line | None:
    """Where the exposure is as wanted, from most fill to most key; None where no legal outputs reach it."""
    wanted = plane.target.exposure_lux - float(plane.base[EXPOSURE])
    by_key, by_fill = rising(plane.key.lux[EXPOSURE]), rising(plane.fill.lux[EXPOSURE])
    return _matching(plane, by_key, wanted - by_fill[::-1], plane.fill.common[::-1])


def ratio_line(plane: Plane) -> Line | None:
    """Where the ratio is as wanted, from the least light to the most; None where it does not rise or does
    not exist."""
    bright, dark = plane.sides
    by_key, by_fill, base = (
        lux[bright] - plane.target.quotient * lux[dark] for lux in (plane.key.lux, plane.fill.lux, plane.base)
    )
    sign = 1.0 if by_key[-1] >= by_key[0] else -1.0
    by_key, by_fill = sign * by_key, sign * by_fill
    if (by_key[1:] < by_key[:-1]).any() or (by_fill[1:] > by_fill[:-1]).any():
        return None
    return _matching(plane, rising(by_key), rising(-by_fill - sign * base), plane.fill.common)


def _matching(plane: Plane, rising_key: FloatArray, rising_fill: FloatArray, fill: FloatArray) -> Line | None:
    """The line where two rising functions, given at the bends of key and fill, are equal."""
    low, high = max(rising_key[0], rising_fill[0]), min(rising_key[-1], rising_fill[-1])
    if low > high:
        return None
    values = np.concatenate((rising_key, rising_fill, (low, high)))
    values = values[(values >= low) & (values <= high)]
    values.sort()
    key, fill = np.interp(values, rising_key, plane.key.common), np.interp(values, rising_fill, fill)
    return line_through(plane, key, fill)
