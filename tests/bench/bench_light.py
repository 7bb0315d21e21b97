"""Time of all heads' light on four receptors, beside the bare inverse-square law in the same run.

The peer is what anybody would write first: I0 cos^m / d^2 times the receptor's weight, heads as points, plain
numpy; for heads with a photometric file, that table in place of cos^m. Measured are medians of calls taken in
turn. Run by ``python tests/bench/run.py light``.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bench.figures import Budget, Figure
from fillside.photometry.distribution import Distribution, HeadDistributions
from fillside.photometry.source import LightSources, head_directions, receptor_lux

Array = NDArray[np.float64]
SUBJECT = np.array([0.0, 0.0, 1.2])
DOME = np.array([False, True, False, False])
TURNS = 300
BUDGETS: dict[str, Budget] = {}
ANGLES = np.arange(0, 91, 5.0)
FILE = Distribution(tuple(ANGLES), tuple(np.cos(np.radians(ANGLES)).clip(0) ** 3))


def studio(count: int, before_the_face: bool) -> LightSources:
    """Heads one to four diameters away, aimed about at the subject; before the face no horizon cuts them."""
    chance = np.random.default_rng(7)
    way = chance.normal(size=(count, 3))
    if before_the_face:
        way = np.array([0.0, -1.0, 0.3]) + 0.12 * way
    way /= np.linalg.norm(way, axis=1)[:, None]
    diameter = chance.uniform(0.3, 1.2, count)
    axis = -way + chance.normal(size=way.shape) * 0.15
    axis /= np.linalg.norm(axis, axis=1)[:, None]
    none = np.zeros(count)
    return LightSources(
        SUBJECT + way * (diameter * chance.uniform(2.0 if before_the_face else 1.0, 4, count))[:, None],
        axis,
        chance.uniform(500, 3000, count),
        chance.choice([0.5, 1.0, 1.0, 2.0, 5.0, 20.0], count),
        diameter,
        none,
    )


def receptors(heads: LightSources) -> Array:
    axes = np.empty((4, len(heads), 3))
    axes[0] = head_directions(heads, SUBJECT)
    axes[1], axes[2], axes[3] = (
        (0.0, -1.0, 0.0),
        (0.8**0.5, -(0.2**0.5), 0.0),
        (-(0.2**0.5), -(0.8**0.5), 0.0),
    )
    return axes


def as_discs(heads: LightSources) -> Array:
    return receptor_lux(heads, SUBJECT, receptors(heads), DOME)


def as_points(heads: LightSources) -> Array:
    way = heads.position - SUBJECT
    far = np.linalg.norm(way, axis=1)
    leaving = np.maximum(-(way * heads.axis).sum(axis=1) / far, 0)
    arriving = np.einsum("mnk,nk->mn", receptors(heads), way) / far
    weight = np.where(DOME[:, None], (1 + arriving) / 2, np.maximum(arriving, 0))
    shape = leaving**heads.spread
    if heads.tabled is not None:
        shape = np.interp(np.degrees(np.arccos(leaving)), FILE.angles_deg, FILE.relative)
    return np.asarray(heads.intensity_cd * shape / far**2 * weight)


def seconds(call: Callable[[LightSources], Array], heads: LightSources) -> float:
    start = time.perf_counter()
    call(heads)
    return time.perf_counter() - start


def figures(quick: bool) -> list[Figure]:
    """Heads before the face, all round with many cut by the horizon, and with a photometric file."""
    found = []
    for title, before_the_face, tabled in (
        ("before the face", True, False),
        ("all round", False, False),
        ("with a photometric file", True, True),
    ):
        for count in (3, 32) if tabled else (3, 32, 512):
            heads = studio(count, before_the_face)
            if tabled:
                heads = replace(heads, tabled=HeadDistributions.of([FILE] * count))
            turns = [
                (seconds(as_discs, heads), seconds(as_points, heads)) for _ in range(50 if quick else TURNS)
            ]
            discs, points = (statistics.median(column) * 1e6 for column in zip(*turns, strict=True))
            found.append(Figure(f"light of {count} heads {title}", discs, "µs", points, "heads as points"))
    return found
