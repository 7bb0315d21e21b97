"""Rules that average a smooth function over a unit disc, or over the part of it a straight line cuts off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Rule:
    """Nodes in the unit disc and their weights; `weight` is a share of the whole disc's area.

    `along` and `across` are the node's Cartesian coordinates, `distance` that from the centre, each (k,).
    """

    along: FloatArray
    across: FloatArray
    distance: FloatArray
    weight: FloatArray


@lru_cache(maxsize=64)
def legendre(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights on -1..1."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    return np.asarray(x), np.asarray(w)


@lru_cache(maxsize=64)
def half_disc(rings: int, spokes: int) -> Rule:
    """A product rule for functions even in `across`: `spokes` (even) angles, of which one half is kept.

    Gauss-Legendre in the square of the distance and equal angles integrate every polynomial of degree below
    min(4 rings, spokes) exactly.
    """
    x, w = legendre(rings)
    distance = np.sqrt((x + 1) / 2)
    angle = (np.arange(spokes // 2) + 0.5) * (2 * math.pi / spokes)
    along = np.outer(distance, np.cos(angle)).ravel()
    across = np.outer(distance, np.sin(angle)).ravel()
    weight = np.repeat(w / 2, len(angle)) / len(angle)
    return Rule(along, across, np.repeat(distance, len(angle)), weight)


def disc_segment(half_angle: float, nodes_along: int, nodes_across: int) -> Rule:
    """A rule for the part of the disc with along > cos(half_angle), half_angle in 0..pi.

    Gauss-Legendre in phi with along = cos phi, and across = sin phi times Gauss-Legendre on -1..1: no root of
    the disc's edge is left in the integrand.
    """
    x, w = legendre(nodes_along)
    y, v = legendre(nodes_across)
    phi = (x + 1) * (half_angle / 2)
    along = np.repeat(np.cos(phi), nodes_across)
    across = np.outer(np.sin(phi), y).ravel()
    weight = np.outer(w * (half_angle / 2) * np.sin(phi) ** 2, v).ravel() / math.pi
    return Rule(along, across, np.hypot(along, across), weight)
