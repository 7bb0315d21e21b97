"""Integrals over an evenly lit disc with a tabulated intensity distribution, ring by ring about the foot.

The foot is the point where the perpendicular from the receptor meets the disc's plane. All elements of a ring
about it have the same distance and the same angle, so the integral over the disc is one over rings, each with
the arc that lies on the disc (and above a receptor's horizon). The slope of the table changes at known rings,
and the integrand is smooth between them, so a few nodes per interval are exact to the printed digits for any
table.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.distribution import Distribution
from fillside.photometry.integrals.quadrature import legendre

FloatArray = NDArray[np.float64]

NODES = 12
"""Nodes per interval; see `_nodes`."""
_POINT = 1e-9
"""A disc with a smaller ratio of radius to distance counts as a point."""


def whole_disc(height: float, offset: float, radius: float, table: Distribution) -> FloatArray:
    """Return the means (3,) over the disc of i / r^2, i / r^3, and i / r^3 times the outward position.

    i is the table's relative intensity; the outward position counts from the disc's centre, away from the
    foot.

    Parameters:
        height: distance of the point in front of the disc's plane [m], above 0.
        offset: distance of the foot from the disc's centre [m].
        radius: radius of the disc [m].
        table: intensity distribution of the disc.
    """
    if radius <= _POINT * height:
        far = math.hypot(height, offset)
        intensity = float(table.at_cosine_squared(np.array((height / far) ** 2)))
        return np.array([intensity / far**2, intensity / far**3, 0.0])
    ring, weight = _rings(height, offset, radius, table)
    square = height * height + ring * ring
    share = weight * ring * table.at_cosine_squared(height * height / square) / square
    nearer = share / np.sqrt(square)
    half = _half_arc(ring, offset, radius)
    arc, outward = 2 * half, 2 * ring * np.sin(half)
    means = np.array([share @ arc, nearer @ arc, nearer @ outward - offset * (nearer @ arc)])
    return means / (math.pi * radius * radius)


def cut_disc(
    height: float,
    offset: float,
    radius: float,
    table: Distribution,
    ahead: float,
    lean: float,
    uphill: float,
) -> float:
    """Return the mean over the disc of i max(0, cos theta) / r^2 for a flat receptor whose horizon cuts it.

    The first four parameters are those of `whole_disc`; `ahead`, `lean` and `uphill` are those of
    `disc.cut_disc_means`.
    """
    at_foot = ahead - lean * uphill
    bends = _horizon_rings(offset, radius, at_foot, ahead, lean, uphill)
    ring, weight = _rings(height, offset, radius, table, bends)
    square = height * height + ring * ring
    share = weight * ring * table.at_cosine_squared(height * height / square) / square**1.5
    rise = lean * ring
    over = np.arccos(np.clip(-at_foot / np.maximum(rise, 1e-300), -1.0, 1.0))
    turned = math.acos(min(max(uphill / offset, -1.0), 1.0)) if offset > 0 else 0.0
    half = _half_arc(ring, offset, radius)
    seen = np.zeros_like(ring)
    for turn in (0.0, 2 * math.pi):
        low, high = np.maximum(-half - turned + turn, -over), np.minimum(half - turned + turn, over)
        piece = at_foot * (high - low) + rise * (np.sin(high) - np.sin(low))
        seen += np.where(high > low, piece, 0.0)
    return float(share @ seen) / (math.pi * radius * radius)


def _half_arc(ring: FloatArray, offset: float, radius: float) -> FloatArray:
    """Return half the angle of each ring's arc that lies on the disc."""
    if offset <= 0:
        return np.full_like(ring, math.pi)
    cosine = (ring * ring + (offset - radius) * (offset + radius)) / (2 * offset * ring)
    half: FloatArray = np.arccos(np.clip(cosine, -1.0, 1.0))
    return half


def _rings(
    height: float, offset: float, radius: float, table: Distribution, more: tuple[float, ...] = ()
) -> tuple[FloatArray, FloatArray]:
    """Return radii [m] and weights of rings about the foot.

    The intervals end at the disc's edges, at the changes of the table's slope, and at `more` radii [m].
    """
    inner, outer = max(offset - radius, 0.0), offset + radius
    bends = height * table.tangents
    known = (inner, abs(radius - offset), outer, *(edge for edge in more if inner < edge < outer))
    edges = np.sort(np.concatenate([known, bends[(bends > inner) & (bends < outer)]]))
    middle, half = (edges[1:] + edges[:-1]) / 2, (edges[1:] - edges[:-1]) / 2
    node, weight = _nodes()
    return (middle[:, None] + half[:, None] * node).ravel(), (half[:, None] * weight).ravel()


def _horizon_rings(
    offset: float, radius: float, at_foot: float, ahead: float, lean: float, uphill: float
) -> tuple[float, ...]:
    """Return the radii of the rings that touch the horizon line or pass through its ends on the disc."""
    near, from_centre = abs(at_foot) / lean, -ahead / lean
    half = math.sqrt(max(radius * radius - from_centre * from_centre, 0.0))
    aside = math.sqrt(max(offset * offset - uphill * uphill, 0.0))
    return (near, math.hypot(near, aside + half), math.hypot(near, aside - half))


@lru_cache(maxsize=1)
def _nodes() -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights of Gauss-Legendre in t with position sin(pi t / 2).

    The substitution removes the arc's square root at the disc's edge (a common change of variable, from
    memory).
    """
    t, w = legendre(NODES)
    return np.sin(math.pi / 2 * t), w * math.pi / 2 * np.cos(math.pi / 2 * t)
