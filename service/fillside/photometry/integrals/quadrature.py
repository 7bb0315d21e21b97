"""Quadrature rules that average a smooth function over a unit disc or a segment of it."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@lru_cache(maxsize=64)
def legendre(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Return the Gauss-Legendre nodes and weights (nodes,) on -1..1."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    return np.asarray(x), np.asarray(w)


@lru_cache(maxsize=64)
def half_disc(rings: int, spokes: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return nodes (along, distance from the centre) and weights of a disc's mean.

    The rule is for functions that are even across the direction `along`, so only half of the spokes, an even
    number, is kept. Gauss-Legendre in the squared distance with equal angles integrates every polynomial of
    degree below min(4 rings, spokes) exactly.

    Returns:
        Three arrays (rings * spokes / 2,); the weights add up to 1.

    >>> along, distance, weight = half_disc(2, 6)
    >>> round(float(weight.sum()), 12), round(float(weight @ along**2), 12)
    (1.0, 0.25)
    """
    x, w = legendre(rings)
    ring = np.sqrt((x + 1) / 2)
    angle = (np.arange(spokes // 2) + 0.5) * (2 * math.pi / spokes)
    along = np.outer(ring, np.cos(angle)).ravel()
    return along, np.repeat(ring, len(angle)), np.repeat(w / 2, len(angle)) / len(angle)


def chords(half_angle: FloatArray, nodes: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the chords that integrate over the segments of p cut unit discs.

    The segment is the part with along > cos(half_angle). Each chord's weight times the Gauss-Legendre sum
    along it (weights adding up to 2) adds up to the integral over the segment, as a share of the whole
    disc's area. Gauss-Legendre in phi with along = cos phi removes the square root at the disc's edge from
    the integrand, so the error falls exponentially for whole and cut discs alike.

    Parameters:
        half_angle: (p,) [rad], in 0..pi.
        nodes: chords per disc.

    Returns:
        Position along the axis, half length, and weight of each chord, three arrays (nodes, p).
    """
    x, w = legendre(nodes)
    phi = (x[:, None] + 1) * (half_angle / 2)
    half = np.sin(phi)
    weight: FloatArray = w[:, None] * (half_angle / (2 * math.pi)) * half * half
    return np.cos(phi), half, weight
