"""Integrals over evenly lit discs seen from a place.

The light of a disc's element depends on the place only through its distance r, since the angle it leaves at
has the cosine height / r, the same height above the disc's plane for every element. So two numbers fix a
disc seen from a place, and a receptor's axis comes in afterwards.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.distribution import HeadDistributions
from fillside.photometry.quadrature import chords, half_disc, legendre
from fillside.photometry.rings import cut_disc, whole_disc

FloatArray = NDArray[np.float64]
Nodes = tuple[int, int]
Chosen = slice | NDArray[np.intp]

WHOLE_DISC_RULES: tuple[tuple[float, Nodes], ...] = (
    (0.2, (2, 6)),
    (0.8, (3, 8)),
    (1.2, (4, 12)),
    (2.2, (6, 20)),
    (3.3, (10, 32)),
    (5.0, (12, 36)),
    (8.0, (16, 52)),
    (20.0, (20, 64)),
    (60.0, (28, 96)),
    (180.0, (56, 192)),
    (math.inf, (88, 300)),
)
"""Rings and spokes that do up to a steepness; `CUT_DISC_RULES` likewise.

Measured against dense rules for spreads 0 to 200 and places 0.15 diameters and more from the disc, facing
receptors are within 1e-5 and a dome with its back to the light, where little is left of much, within 1e-4.
Nearer, down to 0.05 diameters, it is 1e-3.
"""

CUT_DISC_RULES: tuple[tuple[float, Nodes], ...] = (
    (0.3, (8, 5)),
    (1.0, (10, 6)),
    (1.6, (12, 8)),
    (2.3, (20, 14)),
    (3.3, (24, 16)),
    (5.0, (36, 28)),
    (10.0, (40, 32)),
    (25.0, (56, 48)),
    (60.0, (72, 60)),
    (120.0, (96, 80)),
    (300.0, (128, 112)),
    (math.inf, (192, 168)),
)
"""Nodes along and across the cut that do up to a steepness."""

_NODES_AT_ONCE = 1 << 14
"""Larger arrays would leave the processor's cache and be fetched from the system anew each time."""
_NODES_NOT_WORTH_A_PASS = 1 << 13


def relative_intensity(spread: FloatArray, cosine_squared: FloatArray) -> FloatArray:
    """I(theta) / I(0) = cos^spread theta, from the square of the cosine, above 0.

    Everything that asks how a head without a table spreads its light asks here; a table is its own answer.
    """
    shape: FloatArray = np.log(cosine_squared)
    shape *= 0.5 * spread
    return np.exp(shape, out=shape)


@dataclass(frozen=True, eq=False)
class DiscGeometry:
    """Discs seen from a place, one entry of each array (n,) per disc.

    `height` is how far the place lies in front of the disc's plane [m, above 0]; `offset` how far the foot
    of that perpendicular lies from the disc's centre [m]; `radius` the disc's [m]; `spread` the exponent of
    its cosine, `tabled` which discs have a table in its place.
    """

    height: FloatArray
    offset: FloatArray
    radius: FloatArray
    spread: FloatArray
    tabled: HeadDistributions | None = None

    def take(self, chosen: Chosen) -> DiscGeometry:
        tabled = None if self.tabled is None else self.tabled.take(chosen)
        return DiscGeometry(
            self.height[chosen], self.offset[chosen], self.radius[chosen], self.spread[chosen], tabled
        )

    def sizes_of(self, i: int) -> tuple[float, float, float]:
        """Height, offset and radius of one disc [m]."""
        return float(self.height[i]), float(self.offset[i]), float(self.radius[i])

    def steepness(self) -> FloatArray:
        """How hard each disc is to integrate: ln of its most light over its least, raised for near discs.

        Whatever mix of nearness, slant and narrow spread it comes from, a rule needs more nodes as it
        grows. Nearer than 0.3 radii the peak under the place is narrow beside the disc, which the logarithm
        alone does not tell.
        """
        h2, r2 = self.height * self.height, self.radius * self.radius
        inward, farthest = np.maximum(self.offset - self.radius, 0.0), self.offset + self.radius
        nearest2 = h2 + inward * inward
        span = np.log((h2 + farthest * farthest) / nearest2)
        hard: FloatArray = 0.5 * (self.spread + 3) * span * np.maximum(1.0, 0.09 * r2 / nearest2)
        return hard


def whole_disc_means(discs: DiscGeometry) -> FloatArray:
    """Means (3, n) over each disc of i / r^2 [1/m2], i / r^3 [1/m3], and i / r^3 times the way outward.

    i is the relative intensity; outward runs in the disc's plane, from the foot of the perpendicular to the
    disc's centre, and counts from the centre. The light on a receptor that sees the whole disc is linear in
    its axis with these as coefficients.
    """
    means = np.empty((3, len(discs.height)))
    for nodes, chosen in _by_steepness(discs.steepness(), WHOLE_DISC_RULES):
        means[:, chosen] = _whole(nodes, discs.take(chosen))
    if discs.tabled is not None:
        for i, table in discs.tabled.each():
            means[:, i] = whole_disc(*discs.sizes_of(i), table)
    return means


def cut_disc_means(
    discs: DiscGeometry, ahead: FloatArray, lean: FloatArray, uphill: FloatArray
) -> FloatArray:
    """Mean (n,) over each disc of i max(0, cos theta) / r^2 [1/m2] for flat receptors whose horizon cuts it.

    theta is at the receptor, from its axis. `ahead` is the axis times the way to the disc's centre [m];
    `lean` the length of the axis' part in the disc's plane (above 0, at most 1); `uphill` the part of the
    disc's offset along that direction [m].
    """
    means = np.empty(len(ahead))
    for nodes, chosen in _by_steepness(discs.steepness(), CUT_DISC_RULES):
        means[chosen] = _cut(nodes, discs.take(chosen), ahead[chosen], lean[chosen], uphill[chosen])
    if discs.tabled is not None:
        for i, table in discs.tabled.each():
            means[i] = cut_disc(*discs.sizes_of(i), table, float(ahead[i]), float(lean[i]), float(uphill[i]))
    return means


def _limit(rule: tuple[float, Nodes]) -> float:
    return rule[0]


def _by_steepness(
    steep: FloatArray, rules: tuple[tuple[float, Nodes], ...]
) -> Iterator[tuple[Nodes, Chosen]]:
    """Which discs go by which rule; a rule that few discs need is left out for the next finer one."""
    if not len(steep):
        return
    finest = bisect_left(rules, float(steep.max()), key=_limit)
    nodes = rules[finest][1]
    if finest == 0 or len(steep) * nodes[0] * nodes[1] < _NODES_NOT_WORTH_A_PASS:
        yield nodes, slice(None)
        return
    rank = np.searchsorted([limit for limit, _ in rules], steep)
    many = np.bincount(rank)
    waiting, first = 0, 0
    for k, (_, nodes) in enumerate(rules[: len(many)]):
        waiting += int(many[k])
        if k + 1 < len(many):
            finer = rules[k + 1][1]
            if waiting * (finer[0] * finer[1] - nodes[0] * nodes[1]) < _NODES_NOT_WORTH_A_PASS:
                continue
        those = np.flatnonzero((rank >= first) & (rank <= k))
        waiting, first = 0, k + 1
        at_once = max(1, _NODES_AT_ONCE // (nodes[0] * nodes[1]))
        for start in range(0, len(those), at_once):
            yield nodes, those[start : start + at_once]


@lru_cache(maxsize=len(WHOLE_DISC_RULES))
def _whole_disc_terms(nodes: Nodes) -> tuple[FloatArray, FloatArray, FloatArray]:
    along, distance, weight = half_disc(*nodes)
    return np.stack([np.ones_like(along), along, distance**2], axis=1), weight, weight * along


def _whole(nodes: Nodes, discs: DiscGeometry) -> FloatArray:
    terms, weight, leaning = _whole_disc_terms(nodes)
    h2, offset, radius = discs.height * discs.height, discs.offset, discs.radius
    of_terms = np.empty((3, len(radius)))
    of_terms[0], of_terms[1], of_terms[2] = h2 + offset * offset, 2 * offset * radius, radius * radius
    inverse = 1 / (terms @ of_terms)
    value = relative_intensity(discs.spread, h2 * inverse)
    value *= inverse
    means = np.empty_like(of_terms)
    means[0] = weight @ value
    value *= np.sqrt(inverse, out=inverse)
    means[1], means[2] = weight @ value, (leaning @ value) * radius
    return means


@lru_cache(maxsize=len(CUT_DISC_RULES))
def _chord_terms(nodes: int) -> tuple[FloatArray, FloatArray]:
    y, weight = legendre(nodes)
    return np.stack([np.ones_like(y), y, y * y], axis=1), weight


def _cut(
    nodes: Nodes, discs: DiscGeometry, ahead: FloatArray, lean: FloatArray, uphill: FloatArray
) -> FloatArray:
    rise = discs.radius * lean
    along, half, weight = chords(np.arccos(np.maximum(np.minimum(-ahead / rise, 1.0), -1.0)), nodes[0])
    aside = np.sqrt(np.maximum(discs.offset * discs.offset - uphill * uphill, 0.0))
    h2, half_m = discs.height * discs.height, discs.radius * half
    terms, share = _chord_terms(nodes[1])
    by_chord = np.empty((5, *along.shape))
    by_chord[0] = h2 + aside * aside + (uphill + discs.radius * along) ** 2
    by_chord[1], by_chord[2], by_chord[3], by_chord[4] = 2 * aside * half_m, half_m**2, h2, discs.spread
    flat = by_chord.reshape(5, -1)
    inverse = 1 / (terms @ flat[:3])
    value = relative_intensity(flat[4], flat[3] * inverse)
    value *= inverse
    value *= np.sqrt(inverse, out=inverse)
    on_chord = (share @ value).reshape(along.shape)
    mean: FloatArray = (on_chord * weight * (ahead + rise * along)).sum(axis=0)
    return mean
