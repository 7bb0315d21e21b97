"""The nearest legal outputs by looking everywhere, for lamps so placed that no line can be walked.

That happens when key and fill pull the face's ratio the same way, such as two lamps on one side of the face.
"""

from __future__ import annotations

import math

import numpy as np

from fillside.balance.plane import Plane
from fillside.balance.rows import EXPOSURE

GRID = 33
REFINEMENTS = 12
RATIO_COUNTS = 1e6
"""How much more an error in the ratio counts than one in the exposure, so that it is made least first."""


def search(plane: Plane, exposure_cap: float) -> tuple[float, float]:
    """Common outputs of key and fill with the least ratio error in bounds, then the least exposure error."""
    key_range = (float(plane.key.common[0]), float(plane.key.common[-1]))
    fill_range = (float(plane.fill.common[0]), float(plane.fill.common[-1]))
    key_span, fill_span = key_range, fill_range
    best = (key_range[0], fill_range[0])
    for _ in range(REFINEMENTS):
        keys, fills = np.meshgrid(np.linspace(*key_span, GRID), np.linspace(*fill_span, GRID))
        points = plane.line(keys.ravel(), fills.ravel())
        exposure_error = np.abs(np.log2(np.maximum(points.lux[EXPOSURE], 1e-12) / plane.wish.exposure_lux))
        cost = RATIO_COUNTS * np.round(plane.ratio_error(points), 7) + exposure_error
        cost = np.where(plane.keeps_bounds(points, exposure_cap), cost, math.inf)
        at = int(np.argmin(cost))
        if math.isfinite(cost[at]):
            best = (float(points.key[at]), float(points.fill[at]))
        key_span = _closer(key_span, best[0], key_range)
        fill_span = _closer(fill_span, best[1], fill_range)
    return best


def _closer(span: tuple[float, float], centre: float, whole: tuple[float, float]) -> tuple[float, float]:
    half = (span[1] - span[0]) / 5
    return max(whole[0], centre - half), min(whole[1], centre + half)
