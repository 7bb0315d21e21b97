"""Lamps as they are, not as a model has them: canopies with a hot spot that leak behind, and their dimmers.

Nothing of the product is imported here. A canopy is points over a bowl, each sending a power of the cosine
forward and some of its light backward. What a dimmer gives at a level is one of many kinds of monotone curve,
most of which no label names.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]
Dimmer = Callable[[Vector], Vector]

_POINTS = 61
_TURN = np.arange(_POINTS) * math.pi * (3 - math.sqrt(5))
_RADIUS = np.sqrt((np.arange(_POINTS) + 0.5) / _POINTS)


@dataclass(frozen=True)
class TrueLamp:
    """One lamp and its modifier.

    Attributes:
        position, aim: centre of the lit face [m], and where it points.
        intensity_cd: on the axis at full, the light that leaves forward.
        diameter_m: of the face.
        depth_m: how far behind the rim the middle of the bowl lies.
        hot: how much brighter the middle is than the rim.
        spread: exponent of the cosine with which each point sends forward.
        behind: light sent backward as a share of that sent forward.
        dimmer: output (…) from level (…), both 0..1.
    """

    name: str
    role: str
    position: Vector
    aim: Vector
    intensity_cd: float
    diameter_m: float
    depth_m: float
    hot: float
    spread: float
    behind: float
    dimmer: Dimmer

    @property
    def axis(self) -> Vector:
        away = self.aim - self.position
        return np.asarray(away / np.linalg.norm(away))

    def output(self, level: float) -> float:
        return float(self.dimmer(np.array([level]))[0])

    @property
    def points(self) -> tuple[Vector, Vector]:
        """Places (n, 3) [m] and shares (n,) of the light."""
        own = self.axis
        aside = np.cross(own, [0.0, 0.0, 1.0])
        aside = aside / np.linalg.norm(aside)
        upward = np.cross(aside, own)
        across = self.diameter_m / 2 * _RADIUS
        places = (
            self.position
            - (self.depth_m * (1 - _RADIUS**2))[:, None] * own
            + np.outer(across * np.cos(_TURN), aside)
            + np.outer(across * np.sin(_TURN), upward)
        )
        shares = 1 + self.hot * np.exp(-((_RADIUS / 0.45) ** 2))
        return places, shares / shares.sum()

    def lux(self, places: Vector, axes: Vector, weigh: Callable[[Vector], Vector]) -> Vector:
        """Direct light (p,) at full on receptors at places (p, 3) facing along axes (p, 3), which weigh light
        by the cosine of its angle to their axis."""
        spots, shares = self.points
        ray = places[:, None] - spots
        square = np.einsum("psk,psk->ps", ray, ray)
        length = np.sqrt(square)
        cosine = ray @ self.axis / length
        # The same flux backward as `behind` says of that forward, sent by the law of Lambert.
        back = self.behind * 2 / (self.spread + 1)
        leaving = np.where(cosine > 0, np.maximum(cosine, 0.0) ** self.spread, -back * cosine)
        arriving = -np.einsum("psk,pk->ps", ray, axes) / length
        return np.asarray(self.intensity_cd * (leaving * weigh(arriving) / square) @ shares)


def flat(cosine: Vector) -> Vector:
    return np.maximum(cosine, 0.0)


def dome(cosine: Vector) -> Vector:
    return np.asarray((1 + cosine) / 2)


def _lightness(level: Vector) -> Vector:
    bright = ((100 * level + 16) / 116) ** 3
    return np.asarray(np.where(level > 0.08, bright, level * 100 / 903.3))


def _voltage(level: Vector) -> Vector:
    """A filament behind a dimmer of leading edges: light goes by the power 3.4 of the voltage's mean square
    root, and the level is the share of the half cycle that conducts."""
    conducting = math.pi * level
    square = (conducting - np.sin(2 * conducting) / 2) / math.pi
    return np.asarray(np.maximum(square, 0.0) ** 1.7)


def _late(curve: Dimmer, dead: float, full: float) -> Dimmer:
    return lambda level: curve(np.clip((level - dead) / (full - dead), 0.0, 1.0))


def power(rng: np.random.Generator) -> Dimmer:
    """A power of the level between a dead zone and fullness."""
    exponent = rng.uniform(0.9, 2.9)
    return _late(lambda level: level**exponent, rng.uniform(0, 0.07), rng.uniform(0.93, 1.0))


def any_dimmer(rng: np.random.Generator) -> tuple[Dimmer, str]:
    """A dimmer of any kind, and the label that would be right for it ("" where none is)."""
    kind = rng.choice(["linear", "square", "log", "lightness", "s", "voltage", "knee", "flattened"])
    if kind == "linear":
        return lambda level: level, "linear"
    if kind == "square":
        return lambda level: level**2, "square"
    if kind == "log":
        return lambda level: np.where(level > 0, 10 ** (3 * (level - 1)), 0.0), "log"
    if kind == "lightness":
        return _lightness, "lightness"
    if kind == "s":
        steep = rng.uniform(4.0, 8.0)
        low, high = 1 / (1 + math.exp(steep / 2)), 1 / (1 + math.exp(-steep / 2))
        return lambda level: (1 / (1 + np.exp(-steep * (level - 0.5))) - low) / (high - low), ""
    if kind == "voltage":
        return _voltage, ""
    if kind == "knee":
        at, up = rng.uniform(0.3, 0.6), rng.uniform(0.1, 0.3)
        return lambda level: np.interp(level, [0.0, at, 1.0], [0.0, up, 1.0]), ""
    share = rng.uniform(0.3, 0.6)
    return _late(lambda level: share * level + (1 - share) * level**3, rng.uniform(0, 0.06), 1.0), ""
