"""Rules that average a smooth function over a unit disc, or over the part of it a straight line cuts off."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@lru_cache(maxsize=64)
def legendre(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights (nodes,) on -1..1."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    return np.asarray(x), np.asarray(w)


@lru_cache(maxsize=64)
def half_disc(rings: int, spokes: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes (along, distance from the centre) and weights, each (rings * spokes / 2,), of a disc's mean.

    For functions even across the direction `along`: of the spokes, an even number, one half is kept. Gauss-
    Legendre in the square of the distance and equal angles integrate every polynomial of a degree below
    min(4 rings, spokes) exactly.

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
    """Where chords cross the disc, half their lengths, and their weights, each (nodes, p), for p cut discs.

    Of each disc the part with along > cos(half_angle) is kept, half_angle (p,) in 0..pi. A chord's weight
    times the Gauss-Legendre mean along it (weights adding to 2) adds up to the integral over that part, as
    a share of the whole disc's area. Gauss-Legendre in phi with along = cos phi leaves no square root of
    the disc's edge in the integrand, so the error falls exponentially for whole and cut discs alike.
    """
    x, w = legendre(nodes)
    phi = (x[:, None] + 1) * (half_angle / 2)
    half = np.sin(phi)
    weight: FloatArray = w[:, None] * (half_angle / (2 * math.pi)) * half * half
    return np.cos(phi), half, weight
