"""Integrals over evenly lit discs as seen from a point.

The light of a disc element depends on the point only through its distance r: the angle at which it leaves has
the cosine height / r, and the height above the disc's plane is the same for all elements. Two numbers
therefore describe a disc as seen from a point; the receptor's axis enters afterwards.
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
from fillside.photometry.integrals.quadrature import chords, half_disc, legendre
from fillside.photometry.integrals.rings import cut_disc, whole_disc

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
"""Rings and spokes that suffice up to a steepness.

Compared with dense rules for spreads 0 to 200 and points at least 0.15 diameters from the disc, the error is
below 1e-5 for receptors that face the light and below 1e-4 for a dome with its back to the light, where large
terms cancel. Closer, down to 0.05 diameters, the error is below 1e-3. The same holds for `CUT_DISC_RULES`.
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
"""Nodes across and along the cut that suffice up to a steepness."""

_NODES_AT_ONCE = 1 << 14
"""Most nodes per array: larger ones exceed the processor's cache and are allocated anew each time."""
_NODES_NOT_WORTH_A_PASS = 1 << 13


def relative_intensity(spread: FloatArray, cosine_squared: FloatArray) -> FloatArray:
    """Return I(theta) / I(0) = cos^spread theta from the squared cosine, above 0.

    This is the only definition of the spread of a head without a table.
    """
    shape: FloatArray = np.log(cosine_squared)
    shape *= 0.5 * spread
    return np.exp(shape, out=shape)


@dataclass(frozen=True, eq=False)
class DiscGeometry:
    """Discs as seen from a point, one entry of each array (n,) per disc.

    Attributes:
        height: distance of the point in front of the disc's plane [m], above 0.
        offset: distance of the foot of that perpendicular from the disc's centre [m].
        radius: radius of the disc [m].
        spread: exponent of the cosine.
        tabled: the discs with a table in place of the cosine.
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
        """Return height, offset and radius of one disc [m]."""
        return float(self.height[i]), float(self.offset[i]), float(self.radius[i])

    def steepness(self) -> FloatArray:
        """Return the difficulty of each integral: ln of the brightest over the dimmest element's light.

        A rule needs more nodes as the steepness grows, whether it comes from a short distance, a slant or a
        narrow spread. Closer than 0.3 radii the steepness is raised, because the peak below the point becomes
        narrow compared with the disc, which the logarithm alone does not show.
        """
        h2, r2 = self.height * self.height, self.radius * self.radius
        inward, farthest = np.maximum(self.offset - self.radius, 0.0), self.offset + self.radius
        nearest2 = h2 + inward * inward
        span = np.log((h2 + farthest * farthest) / nearest2)
        hard: FloatArray = 0.5 * (self.spread + 3) * span * np.maximum(1.0, 0.09 * r2 / nearest2)
        return hard


def whole_disc_means(discs: DiscGeometry) -> FloatArray:
    """Return the means (3, n) over each disc of i / r^2, i / r^3, and i / r^3 times the outward position.

    i is the relative intensity. Outward is the direction in the disc's plane from the foot of the
    perpendicular to the disc's centre; the position counts from the centre. The illuminance on a receptor
    that sees the whole disc is linear in its axis with these coefficients [1/m2, 1/m3, 1/m2].
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
    """Return means (n,) of i max(0, cos theta) / r^2 [1/m2] for flat receptors whose horizon cuts the disc.

    Parameters:
        discs: the discs, one per receptor.
        ahead: the receptor's axis dotted with the vector to the disc's centre [m].
        lean: length of the axis' component in the disc's plane, above 0 and at most 1.
        uphill: component of the disc's offset along that direction [m].

    theta is the angle from the receptor's axis.
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
    """Assign discs to rules; a rule needed by few discs is skipped in favour of the next finer one."""
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
