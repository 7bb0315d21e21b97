"""Light of a window near the subject: a small even source, which the room's four numbers do not describe.

From a point in its direction, by the inverse square of the distance and the cosine at the receptor. Places
are near the mark beside how far the window is, so distance and direction change with them in first order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

LEAST_WINDOW_M = 0.3
_FAINT_LUX = 0.1
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
        step = np.asarray(places, dtype=np.float64) - np.array(self.mark)
        found = window_lux(np.array([self.toward_lux]), np.array([self.away_m]), step, axes, dome)
        return np.asarray(found[0])

    def times(self, factor: float) -> WindowLight:
        """Return the same window brighter by a factor."""
        x, y, z = (factor * part for part in self.toward_lux)
        return WindowLight(self.mark, (x, y, z), self.away_m)


def window_lux(
    toward_lux: FloatArray, away_m: FloatArray, steps: FloatArray, axes: ArrayLike, dome: ArrayLike
) -> FloatArray:
    """Return the lux (w, m) of windows, as of `WindowLight`, on receptors `steps` (m, 3) from the mark."""
    axis, is_dome = np.asarray(axes, dtype=np.float64), np.asarray(dome, dtype=np.bool_)
    square = np.einsum("wk,wk->w", toward_lux, toward_lux)
    bright = square / (np.sqrt(square + _FAINT_LUX**2) + _FAINT_LUX)
    way = toward_lux @ steps.T / (away_m * (bright + _FAINT_LUX))[:, None]
    nearer = 1 - np.minimum(np.maximum(way, -_NEAREST), _NEAREST)
    there = bright[:, None] / nearer**2
    aside = np.einsum("mk,mk->m", axis, steps)
    leaning = (toward_lux @ axis.T - (bright / away_m)[:, None] * aside) / nearer**3
    flat = (leaning + np.sqrt(leaning**2 + _FAINT_LUX**2)) / 2
    return np.asarray(np.where(is_dome, (there + leaning) / 2, flat))
