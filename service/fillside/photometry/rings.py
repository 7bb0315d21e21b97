"""Integrals over an evenly lit disc whose light off the axis is a table, ring by ring about the foot.

The foot is where the perpendicular from the place meets the disc's plane. All elements of a ring about it are
equally far and leave at one angle, so a disc's integral is one over rings, each with the arc of it that the
disc (and a receptor's horizon) leaves. The table bends at rings that are known: between them all is smooth,
so that a few nodes a piece are exact to the printed digits whatever shape the table has.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.distribution import Distribution
from fillside.photometry.quadrature import legendre

FloatArray = NDArray[np.float64]

NODES = 12
"""Nodes on each piece; see `_nodes`."""
_POINT = 1e-9
"""A disc this much smaller than its distance is a point."""


def whole_disc(height: float, offset: float, radius: float, table: Distribution) -> FloatArray:
    """Means (3,) over the disc of i / r^2, i / r^3, and i / r^3 times the way outward from its centre.

    `height` is how far the place lies in front of the disc's plane [m, above 0], `offset` how far the foot
    lies from the disc's centre [m], `radius` the disc's [m]; i is the table's relative intensity.
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
    """Mean over the disc of i max(0, cos theta) / r^2 for a flat receptor whose horizon cuts it.

    As `whole_disc`; `ahead`, `lean` and `uphill` as in `disc.cut_disc_means`.
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
    """Half the angle of each ring's arc that lies on the disc."""
    if offset <= 0:
        return np.full_like(ring, math.pi)
    cosine = (ring * ring + (offset - radius) * (offset + radius)) / (2 * offset * ring)
    half: FloatArray = np.arccos(np.clip(cosine, -1.0, 1.0))
    return half


def _rings(
    height: float, offset: float, radius: float, table: Distribution, more: tuple[float, ...] = ()
) -> tuple[FloatArray, FloatArray]:
    """Radii of rings about the foot and their weights, in pieces between the disc's edges, the table's bends
    and `more` radii [m]."""
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
    """Rings that touch the horizon's line in the disc's plane, and those through its ends on the disc."""
    near, from_centre = abs(at_foot) / lean, -ahead / lean
    half = math.sqrt(max(radius * radius - from_centre * from_centre, 0.0))
    aside = math.sqrt(max(offset * offset - uphill * uphill, 0.0))
    return (near, math.hypot(near, aside + half), math.hypot(near, aside - half))


@lru_cache(maxsize=1)
def _nodes() -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre in t with the place sin(pi t / 2): the arc's square root at a disc's edge is then smooth
    (from memory: a common change of variable for such ends)."""
    t, w = legendre(NODES)
    return np.sin(math.pi / 2 * t), w * math.pi / 2 * np.cos(math.pi / 2 * t)
