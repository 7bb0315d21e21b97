"""The dimmer of a head as something to be found: the stated law, steeper or flatter, between dead zone and
fullness.

With p the level above the dead zone as a share of the way to fullness, output is p^exponent, about 1 for a
linear dimmer and 2 for a square law; for a logarithmic one 10^(3/2 exponent (p - 1)), at exponent 2 the
curve of IEC 62386-102; for one labelled lightness Y(100 p)^(exponent / 2) with the relation of CIE 1976. A
lamp that cannot burn low sets in with a lit floor f and gives f + (1 - f) of that. Where no family fits,
smooth bends of the logarithm are allowed on top.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.priors import (
    DEAD_ZONE,
    EXPONENT,
    FULL_SHORT,
    LIGHTNESS,
    LIT_FLOOR,
    LOGARITHMIC,
    USUAL_EXPONENT,
)
from fillside.photometry.dimming import DimmingCurve, Lightness

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

BEND_LEVELS = np.array([0.06, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9])
"""Levels at which the logarithm of the output may leave its family."""
BENDS = len(BEND_LEVELS)
_BEND_STOPS, _BEND_REACH = 0.4, 0.3
_EDGE = 0.004
"""Width of the bend with which light sets in above the dead zone [level]."""
_LEAST_SHARE = 1e-4
LN2 = math.log(2)
_LOG_STOPS = 1.5 * math.log2(10)
_KNEE = 0.08
"""Where the lightness of CIE 1976 goes over from a straight line to a cubic, as a share of L* = 100."""


def _likeness(a: FloatArray, b: FloatArray) -> FloatArray:
    """Covariance of two bends, tied to none at full level (a Gaussian process seen at level 1)."""

    def free(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.asarray(np.exp(-0.5 * ((x[:, None] - y[None, :]) / _BEND_REACH) ** 2))

    full = np.ones(1)
    return np.asarray(free(a, b) - free(a, full) @ free(full, b))


_ROOT = np.linalg.cholesky(_likeness(BEND_LEVELS, BEND_LEVELS) + 1e-6 * np.eye(BENDS))
_SPREAD = _BEND_STOPS * np.linalg.solve(_ROOT.T, np.eye(BENDS))


def bend_stops(level: FloatArray) -> FloatArray:
    """Stops (m, BENDS) that each standard normal bend adds to the output at the levels (m,)."""
    return np.asarray(_likeness(np.atleast_1d(level), BEND_LEVELS) @ _SPREAD)


def log2_output(level: FloatArray, figures: FloatArray, families: IntArray) -> tuple[FloatArray, FloatArray]:
    """log2 of output (m,) and its slopes (m, 4) in exponent, dead zone, shortness of full level, lit floor.

    `level` (m,) is 0..1, `figures` (m, 8) those of each one's head, `families` (m,) its family.
    """
    exponent, dead, floor = figures[:, EXPONENT], figures[:, DEAD_ZONE], figures[:, LIT_FLOOR]
    rise, rise_slope = _soft(level - dead)
    whole, whole_slope = _soft(1.0 - figures[:, FULL_SHORT] - dead)
    share = np.clip(rise / whole, _LEAST_SHARE, 1.0)
    inside = (share < 1.0) & (share > _LEAST_SHARE)
    shape, by_share = _shape(share, families)
    by_share = by_share * inside * exponent
    by_dead = by_share * (share * whole_slope - rise_slope) / whole
    by_short = by_share * share * whole_slope / whole
    family = np.exp2(exponent * shape)
    lit = rise_slope * floor
    output = lit + (1 - lit) * family
    risen = (1 - lit) * family / output
    by_lit = (1 - family) / (output * LN2)
    onset = -floor * rise_slope * (1 - rise_slope) / _EDGE * by_lit
    slopes = (shape * risen, by_dead * risen + onset, by_short * risen, rise_slope * by_lit)
    return np.log2(output), np.stack(slopes, axis=1)


def _shape(share: FloatArray, families: IntArray) -> tuple[FloatArray, FloatArray]:
    """log2 of output (m,) at exponent 1, and its slopes in the share of the way (m,)."""
    shape, slope = np.log2(share), 1 / (share * LN2)
    logarithmic, lightness = families == LOGARITHMIC, families == LIGHTNESS
    shape[logarithmic] = _LOG_STOPS * (share[logarithmic] - 1.0)
    slope[logarithmic] = _LOG_STOPS
    if lightness.any():
        own = share[lightness]
        output = Lightness().output_from_level(own)
        shape[lightness] = np.log2(output) / USUAL_EXPONENT
        # Above the knee Y = ((100 p + 16) / 116)^3, below it Y is in proportion to p.
        slope[lightness] = np.where(own > _KNEE, 3 / (own + 0.16), 1 / own) / (LN2 * USUAL_EXPONENT)
    return shape, slope


def _soft(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """x where well above 0, ever nearer to 0 below, and the slope."""
    scaled = np.clip(x / _EDGE, -60.0, 60.0)
    soft = np.where(scaled > 30, x, _EDGE * np.log1p(np.exp(np.minimum(scaled, 30.0))))
    return soft, 1 / (1 + np.exp(-scaled))


def certain_log2_output(
    level: FloatArray, head: IntArray, curves: Sequence[DimmingCurve | None]
) -> FloatArray:
    """log2 of output (m,) of the heads whose curve is certain; 0 for the others."""
    log2 = np.zeros(len(level))
    for i, curve in enumerate(curves):
        if curve is not None and (own := head == i).any():
            log2[own] = np.log2(np.maximum(curve.output_from_level(level[own]), 1e-9))
    return log2
