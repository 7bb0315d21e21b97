"""The true light of the simulated lamps, by independent physics against which the product is checked.

This module shares nothing with the code that computes the balance: light is summed over elements of the disc
by quadrature, and the curves are written out again.

It does not model light that one head's modifier throws on another, shadows, the subject's own body, colour,
flicker, stray light from a modifier's back, or a bounce that depends on direction. A heated lamp follows one
time constant. A tabulated curve is linear between its points.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fillside_drivers.sim.options import HeadTruth

Vector = tuple[float, float, float]
FloatArray = NDArray[np.float64]
Receptor = Literal["flat", "dome"]
CurveName = Literal["linear", "square", "log", "lightness"]
CurvePoints = tuple[tuple[float, ...], tuple[float, ...]]

_RINGS, _SPOKES = 24, 48


@dataclass(frozen=True)
class SimHead:
    """The true properties of one lamp.

    Attributes:
        name: name of the head, and of its channel on the wire.
        position: centre of the lit face [m].
        axis: the way from there to the point that it is aimed at [m], any length above 0.
        intensity_cd: on the axis at full, cold, before `output_factor` [cd].
        spread: exponent m of cos^m.
        profile: angles from the axis [degrees] and relative intensities, in place of cos^m.
        diameter_m: diameter of the effective source [m]; 0 for a point.
        setback_m: distance of the effective source behind `position` along the axis [m].
        output_factor: true light relative to `intensity_cd`.
        curve: output by level, by name or as levels and outputs; `exponent` replaces it.
        exponent: power law in place of `curve`.
        dead_zone: level up to which it stays dark.
        saturation: level from which it is at full.
        bounce: mean of what the room sends back, as a part of its direct light at that point.
        cool_share: the cool channel's share of the light with both channels at full, if there are two.
        warm_factor: light when warm relative to light when cold.
        warm_up_s: time constant of warming and cooling [s].
        fixed: not dimmed, always at full, and on no wire.
    """

    name: str
    position: Vector
    axis: Vector
    intensity_cd: float
    spread: float = 1.0
    profile: CurvePoints | None = None
    diameter_m: float = 0.0
    setback_m: float = 0.0
    output_factor: float = 1.0
    curve: CurveName | CurvePoints = "linear"
    exponent: float | None = None
    dead_zone: float = 0.0
    saturation: float = 1.0
    bounce: float = 0.0
    cool_share: float | None = None
    warm_factor: float = 1.0
    warm_up_s: float = 300.0
    fixed: bool = False

    def altered(self, truth: HeadTruth) -> SimHead:
        """Return this head with the hidden differences of its drive table."""
        return replace(
            self,
            output_factor=truth.output_factor,
            exponent=self.exponent if truth.exponent is None else truth.exponent,
            dead_zone=truth.dead_zone,
            saturation=truth.saturation,
            setback_m=truth.setback,
            diameter_m=self.diameter_m if truth.diameter is None else truth.diameter,
            bounce=self.bounce if truth.bounce is None else truth.bounce,
            warm_factor=truth.warm_factor,
            warm_up_s=truth.warm_up_s,
        )

    def output(self, level: float, cool_level: float = 0.0) -> float:
        """Return the output, 0..1, at the wire levels of its channels, 0..1, apart from warmth."""
        if self.cool_share is None:
            return self._channel(level)
        warm, cool = self._channel(level), self._channel(cool_level)
        return (1 - self.cool_share) * warm + self.cool_share * cool

    def _channel(self, level: float) -> float:
        share = (level - self.dead_zone) / (self.saturation - self.dead_zone)
        share = min(max(share, 0.0), 1.0)
        return share**self.exponent if self.exponent is not None else _shape(self.curve, share)


@dataclass(frozen=True)
class SimTruth:
    """The simulated room.

    Attributes:
        heads: all heads, on whatever driver.
        ambient_lux: even light from all sides, as a flat receptor shows it [lx].
        window_lux: distant light from one direction, on a receptor facing it [lx].
        window_from: that direction as seen from the subject, any length above 0.
        noise_stops: standard deviation of one reading [stops].
        seed: seed of the noise.
    """

    heads: tuple[SimHead, ...]
    ambient_lux: float = 0.0
    window_lux: float = 0.0
    window_from: Vector = (-1.0, 0.0, 0.0)
    noise_stops: float = 0.0
    seed: int = 0


def _shape(curve: CurveName | CurvePoints, level: float) -> float:
    if isinstance(curve, tuple):
        levels, outputs = curve
        if levels[0] > 0:
            levels, outputs = (0.0, *levels), (0.0, *outputs)
        return float(np.interp(level, levels, outputs))
    if curve == "square":
        return level * level
    if curve == "log":
        return 10 ** (3 * (level - 1)) if level > 0 else 0.0
    if curve == "lightness":
        lightness = 100 * level
        return ((lightness + 16) / 116) ** 3 if lightness > 8 else lightness * (3 / 29) ** 3
    return level


def unit(vector: Sequence[float]) -> FloatArray:
    """Normalize a direction; raise ValueError if it is not three finite numbers or has no length."""
    array = np.asarray(vector, dtype=np.float64)
    length = float(np.linalg.norm(array))
    if array.shape != (3,) or not math.isfinite(length) or length == 0:
        raise ValueError(f"{vector!r} is not a direction of three numbers")
    return array / length


@functools.lru_cache(maxsize=256)
def _disc_elements(head: SimHead) -> tuple[FloatArray, FloatArray]:
    """Return points on the effective disc (k, 3) [m] and their shares of its light (k,), adding up to 1."""
    axis = unit(head.axis)
    centre = np.asarray(head.position) - head.setback_m * axis
    if head.diameter_m == 0:
        return centre[None, :], np.ones(1)
    nodes, weights = np.polynomial.legendre.leggauss(_RINGS)
    radius = head.diameter_m / 2 * np.sqrt((nodes + 1) / 2)
    turn = 2 * math.pi * (np.arange(_SPOKES) + 0.5) / _SPOKES
    across = unit(np.cross(axis, (1.0, 0.0, 0.0) if abs(axis[0]) < 0.9 else (0.0, 1.0, 0.0)).tolist())
    up = np.cross(axis, across)
    spokes = np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * up
    places = centre + (radius[:, None, None] * spokes[None, :, :]).reshape(-1, 3)
    return places, np.repeat(weights / 2 / _SPOKES, _SPOKES)


def direct_lux(head: SimHead, receptor: Receptor, at: Sequence[float], facing: FloatArray) -> float:
    """Return the illuminance [lx] from the lit disc alone at full output, cold.

    Inverse-square and cosine laws are summed over the disc: each element emits I cos^spread forward, and a
    flat receptor weights it by max(0, cos), a dome by (1 + cos) / 2.

    Parameters:
        head: the lamp.
        receptor: shape of the receptor.
        at: place of the receptor [m].
        facing: unit vector of its axis.
    """
    places, shares = _disc_elements(head)
    away = np.asarray(at, dtype=np.float64) - places
    squared = np.maximum(np.einsum("ij,ij->i", away, away), 1e-12)
    direction = away / np.sqrt(squared)[:, None]
    leaving = direction @ unit(head.axis)
    arriving = -(direction @ facing)
    taken = np.maximum(arriving, 0.0) if receptor == "flat" else (1 + arriving) / 2
    emitted = np.where(leaving > 0, _spread(head, np.maximum(leaving, 1e-300)), 0.0)
    lux = float(np.sum(shares * emitted * taken / squared))
    return head.intensity_cd * head.output_factor * lux


@functools.lru_cache(maxsize=256)
def room_lux(head: SimHead) -> float:
    """Return what the room sends back of a head at full, cold, to a flat receptor facing anywhere [lx].

    It comes evenly from all sides, so a dome shows twice that.
    """
    if head.bounce == 0:
        return 0.0
    aim = [p + a for p, a in zip(head.position, head.axis, strict=True)]
    return head.bounce * direct_lux(head, "flat", aim, -unit(head.axis))


def _spread(head: SimHead, cosine: FloatArray) -> FloatArray:
    if head.profile is None:
        power: FloatArray = cosine**head.spread
        return power
    angles, relative = head.profile
    return np.interp(np.degrees(np.arccos(np.minimum(cosine, 1.0))), angles, relative, right=0.0)
