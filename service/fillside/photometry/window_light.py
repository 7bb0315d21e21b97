"""Light of a window near the subject: a small even source, which the room's four numbers do not describe.

From a point in its direction, by the inverse square of the distance and the cosine at the receptor. Places are
near the mark beside how far the window is, so distance and direction change with them in first order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

LEAST_WINDOW_M = 0.3
_FAINT_LUX = 0.3
"""Light below which a window counts as none, smoothly."""
_NEAREST = 0.7
"""A place is reckoned to come no nearer to a window than by this share of the way."""


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
        """Return the lux (m,) on receptors at `places` (m, 3) [m], flat or `dome` (m,), that face along unit
        vectors `axes` (m, 3)."""
        at_mark = np.array(self.toward_lux)
        square = float(at_mark @ at_mark)
        bright = square / (np.sqrt(square + _FAINT_LUX**2) + _FAINT_LUX)
        step = (np.asarray(places, dtype=np.float64) - np.array(self.mark)) / self.away_m
        nearer = np.clip(step @ at_mark / (bright + _FAINT_LUX), -_NEAREST, _NEAREST)
        there = bright / (1 - nearer) ** 2
        toward = (at_mark - bright * step) / ((1 - nearer) ** 3)[:, None]
        leaning = np.einsum("mk,mk->m", np.asarray(axes, dtype=np.float64), toward)
        flat = (leaning + np.hypot(leaning, _FAINT_LUX)) / 2
        return np.asarray(np.where(np.asarray(dome, dtype=np.bool_), (there + leaning) / 2, flat))

    def times(self, factor: float) -> WindowLight:
        """Return the same window brighter by a factor."""
        x, y, z = (factor * part for part in self.toward_lux)
        return WindowLight(self.mark, (x, y, z), self.away_m)
