"""A head's intensity off its axis as a rotationally symmetric table, in place of a power of the cosine.

A photometric file lists intensities in many planes through the axis. They are averaged into one table here,
because a lamp on a stand may be turned about its axis by any angle.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
Chosen = slice | IntArray | BoolArray


@dataclass(frozen=True)
class Distribution:
    """Intensity relative to the axis by the angle from the axis; equal and hashable by value.

    The table is linear in the angle between its points; beyond the last angle there is no light.

    Attributes:
        angles_deg: two or more angles [degrees], strictly rising from 0 to at most 180.
        relative: as many intensities, 0 or more, the first of them 1.

    Raises:
        ValueError: the table does not meet these conditions.

    >>> matt = Distribution((0.0, 60.0, 90.0), (1.0, 0.5, 0.0))
    >>> float(matt.at_cosine_squared(np.array(0.25))), round(matt.at_deg(30.0), 12)
    (0.5, 0.75)
    """

    angles_deg: tuple[float, ...]
    relative: tuple[float, ...]

    def __post_init__(self) -> None:
        angles, relative = tuple(map(float, self.angles_deg)), tuple(map(float, self.relative))
        if len(angles) != len(relative) or len(angles) < 2:
            raise ValueError("angles and intensities must be equally many, two or more")
        if not all(map(math.isfinite, (*angles, *relative))) or min(relative) < 0:
            raise ValueError("angles and intensities must be finite, intensities 0 or more")
        if angles[0] != 0 or angles[-1] > 180 or any(b <= a for a, b in itertools.pairwise(angles)):
            raise ValueError("angles must start at 0 and rise strictly, to 180 degrees at most")
        if relative[0] != 1:
            raise ValueError("the intensity at angle 0 must be 1, that of the axis")
        object.__setattr__(self, "angles_deg", angles)
        object.__setattr__(self, "relative", relative)

    def at_deg(self, angle_deg: float) -> float:
        """Return the relative intensity at an angle from the axis [degrees], 0 to 180."""
        return float(np.interp(angle_deg, self.angles_deg, self.relative, right=0.0))

    def at_cosine_squared(self, cosine_squared: FloatArray) -> FloatArray:
        """Return the relative intensity in front of the disc's plane, from the squared cosine, 0 to 1."""
        angle = np.arccos(np.sqrt(np.minimum(cosine_squared, 1.0)))
        return np.interp(angle, *self._radians, right=0.0)

    @cached_property
    def tangents(self) -> FloatArray:
        """Tangents of the table's angles between 0 and 90 degrees, where its slope changes."""
        return np.tan(np.radians([angle for angle in self.angles_deg if 0 < angle < 90]))

    @cached_property
    def _radians(self) -> tuple[FloatArray, FloatArray]:
        return np.radians(self.angles_deg), np.array(self.relative)

    def flux_lm_per_cd(self, from_deg: float = 0.0, to_deg: float = 180.0) -> float:
        """Return the flux between two angles from the axis, in lumens per candela on the axis.

        The integral of 2 pi I(a) sin a over the table as it lights, straight between its angles. A piece of
        half width h about m, with the intensity I and slope s there, gives
        4 pi (I sin m sin h + s cos m (sin h - h cos h)).

        >>> round(Distribution((0.0, 90.0), (1.0, 0.0)).flux_lm_per_cd(), 4)
        2.2832
        """
        last_deg = min(to_deg, self.angles_deg[-1])
        if last_deg <= from_deg:
            return 0.0
        inner = [angle for angle in self.angles_deg if from_deg < angle < last_deg]
        edges = np.array([from_deg, *inner, last_deg])
        intensity = np.interp(edges, self.angles_deg, self.relative)
        angles = np.radians(edges)
        middle, half = (angles[:-1] + angles[1:]) / 2, np.diff(angles) / 2
        mean, slope = (intensity[:-1] + intensity[1:]) / 2, np.diff(intensity) / (2 * half)
        level = mean * np.sin(middle) * np.sin(half)
        sloping = slope * np.cos(middle) * (np.sin(half) - half * np.cos(half))
        return float(4 * math.pi * (level + sloping).sum())


@dataclass(frozen=True, eq=False)
class HeadDistributions:
    """The measured distributions of n heads: `which` (n,) indexes `tables`, or is -1 for cos^spread."""

    which: IntArray
    tables: tuple[Distribution, ...]

    @classmethod
    def of(cls, distributions: Sequence[Distribution | None]) -> Self | None:
        """Collect the distributions of heads in this order; None if none of them has a table."""
        tables = tuple(table for table in distributions if table is not None)
        if not tables:
            return None
        has = np.array([table is not None for table in distributions])
        return cls(np.where(has, np.cumsum(has) - 1, -1).astype(np.intp), tables)

    def take(self, chosen: Chosen) -> HeadDistributions | None:
        """Select heads; None if none of them has a table."""
        which = self.which[chosen]
        return HeadDistributions(which, self.tables) if (which >= 0).any() else None

    def each(self) -> Iterator[tuple[int, Distribution]]:
        """Yield index and table of each head that has one."""
        for i in np.flatnonzero(self.which >= 0).tolist():
            yield i, self.tables[self.which[i]]
