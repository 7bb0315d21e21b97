"""Light of a window near the subject: a small even source, which the room's four numbers do not describe.

By the inverse square of the distance and the cosine at the receptor, from a point in its direction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

LEAST_WINDOW_M = 0.3
_NO_LUX, _NEAREST_M = 0.01, 0.5
"""Light below which a window counts as none, smoothly, and how near to it a place may be reckoned."""


@dataclass(frozen=True)
class WindowLight:
    """A window as seen from a mark (3,) [m].

    `toward_lux` (3,) is its direction times what a flat receptor at the mark that faces it shows of it [lx];
    `away_m` its distance [m].
    """

    mark: tuple[float, float, float]
    toward_lux: tuple[float, float, float]
    away_m: float

    def on(self, places: ArrayLike, axes: ArrayLike, dome: ArrayLike) -> FloatArray:
        """Return the lux (m,) on receptors at `places` (m, 3) [m], flat or `dome` (m,), that face
        along unit vectors `axes` (m, 3)."""
        at_mark = np.array(self.toward_lux)
        bright = math.sqrt(float(at_mark @ at_mark) + _NO_LUX**2)
        ray = np.array(self.mark) + self.away_m * at_mark / bright - np.asarray(places, dtype=np.float64)
        # A window of next to no light has next to no direction: its distance stays all the same, or it would
        # shine from the mark itself.
        missing = (self.away_m * _NO_LUX / bright) ** 2
        length = np.maximum(np.sqrt(np.einsum("mk,mk->m", ray, ray) + missing), _NEAREST_M)
        there = bright * (self.away_m / length) ** 2
        leaning = there * np.einsum("mk,mk->m", np.asarray(axes, dtype=np.float64), ray) / length
        flat = (leaning + np.hypot(leaning, _NO_LUX)) / 2
        return np.asarray(np.where(np.asarray(dome, dtype=np.bool_), (there + leaning) / 2, flat))

    def times(self, factor: float) -> WindowLight:
        """Return the same window brighter by a factor."""
        x, y, z = (factor * part for part in self.toward_lux)
        return WindowLight(self.mark, (x, y, z), self.away_m)
