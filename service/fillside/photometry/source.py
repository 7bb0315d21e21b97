"""The light of a head at a place: a lit disc, an intensity distribution, and a flat or dome receptor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillside.photometry import quadrature

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Sources:
    """Heads as lit discs, one row per head, all at full output.

    `position` (n, 3) [m] is where receptors face; the lit disc is centred `setback_m` (n,) behind it, along
    `axis` (n, 3), a unit vector, the way the light leaves. `intensity_cd` (n,) is the far-field intensity
    on the axis, `spread` (n,) the exponent m of cos^m (0 or more), `diameter_m` (n,) that of the disc (0 is
    a point), `bounce` (n,) the part of a head's light that the room sends back evenly from all sides
    (counted by whoever meters, not here).

    Raises ValueError when shapes disagree, a number is not finite, an axis is not of unit length, or an
    intensity, spread or diameter is negative.
    """

    position: FloatArray
    axis: FloatArray
    intensity_cd: FloatArray
    spread: FloatArray
    diameter_m: FloatArray
    setback_m: FloatArray
    bounce: FloatArray

    def __post_init__(self) -> None:
        heads = len(self.position)
        for field in fields(self):
            values = np.ascontiguousarray(getattr(self, field.name), dtype=np.float64)
            shape = (heads, 3) if field.name in ("position", "axis") else (heads,)
            if values.shape != shape:
                raise ValueError(f"{field.name} has shape {values.shape}, not {shape}")
            if not np.isfinite(values).all():
                raise ValueError(f"{field.name} has a number that is not finite")
            object.__setattr__(self, field.name, values)
        if heads and np.abs(np.linalg.norm(self.axis, axis=1) - 1).max() > 1e-9:
            raise ValueError("axis has a row that is not of unit length")
        for name in ("intensity_cd", "spread", "diameter_m", "bounce"):
            if (getattr(self, name) < 0).any():
                raise ValueError(f"{name} has a negative number")

    def __len__(self) -> int:
        return len(self.position)

    def take(self, heads: Sequence[int] | NDArray[np.intp] | BoolArray) -> Self:
        """Only the heads chosen by index or by mask, in that order."""
        chosen = np.asarray(heads, dtype=None if len(heads) else np.intp)
        return type(self)(**{field.name: getattr(self, field.name)[chosen] for field in fields(self)})

    @cached_property
    def centre(self) -> FloatArray:
        """Centres of the lit discs (n, 3), m."""
        return self.position - self.setback_m[:, None] * self.axis

    @cached_property
    def radius_m(self) -> FloatArray:
        return self.diameter_m / 2


def toward(sources: Sources, point: ArrayLike) -> FloatArray:
    """Unit vectors (n, 3) from `point` to each head's `position`; a zero vector where they meet."""
    away = sources.position - _place(point)
    length = np.sqrt(np.einsum("nk,nk->n", away, away))
    unit: FloatArray = away / np.where(length > 0, length, 1.0)[:, None]
    return unit


def facing_lux(sources: Sources, point: ArrayLike) -> FloatArray:
    """E_i (n,) [lx]: a flat receptor at `point` facing each head's position, that head alone at full."""
    facing = toward(sources, point)[None]
    lux: FloatArray = receptor_lux(sources, point, facing, np.zeros(1, dtype=np.bool_))[0]
    return lux


def relative_intensity(spread: FloatArray, cosine_squared: FloatArray) -> FloatArray:
    """I(theta) / I(0) = cos^spread theta, from the square of the cosine (above 0).

    Everything that asks how a head spreads its light asks here.
    """
    shape: FloatArray = np.exp(0.5 * spread * np.log(cosine_squared))
    return shape


def receptor_lux(sources: Sources, point: ArrayLike, axes: ArrayLike, dome: ArrayLike) -> FloatArray:
    """Lux (m, n) that m receptors at `point` show from each of n heads alone at full output.

    `point` (3,) [m]; `axes` (m, 3), or (m, n, 3) where a receptor turns from head to head, unit vectors the
    receptors face; `dome` (m,) true for a receptor that weighs by (1 + cos theta) / 2 over all directions,
    false for a flat one that weighs by max(0, cos theta), theta from its axis.

    Each disc element has an even share of the head's intensity distribution, nothing behind the disc's plane:
    E = I0 / A * integral of cos^m(theta_disc) w(theta_receptor) / r^2 dA. Relative error below 1e-4 from 0.3
    diameters to the far field, also where the receptor's horizon cuts the disc. No light is reflected here.

    Raises ValueError when the point is not finite or shapes disagree.
    """
    place, axis = _place(point), np.asarray(axes, dtype=np.float64)
    is_dome = np.asarray(dome, dtype=np.bool_)
    heads = len(sources)
    if is_dome.ndim != 1 or axis.shape not in ((len(is_dome), 3), (len(is_dome), heads, 3)):
        raise ValueError(f"axes of shape {axis.shape} do not fit {is_dome.shape} receptors and {heads} heads")
    view = _View(sources, place)
    if axis.ndim == 2:
        toward_centre, along = axis @ view.centre.T, axis @ sources.axis.T
        sideways = axis @ view.side.T
    else:
        toward_centre = np.einsum("mnk,nk->mn", axis, view.centre)
        along = np.einsum("mnk,nk->mn", axis, sources.axis)
        sideways = np.einsum("mnk,nk->mn", axis, view.side)
    even, plain, leaning = view.moments()
    cosine_weighed = toward_centre * plain + sideways * leaning
    rise = sources.radius_m * np.sqrt(np.maximum(0.0, 1 - along * along))
    lux: FloatArray = np.where(is_dome[:, None], 0.5 * (even + cosine_weighed), cosine_weighed)
    lux[~is_dome[:, None] & (toward_centre <= -rise)] = 0.0
    cut = ~is_dome[:, None] & (np.abs(toward_centre) < rise) & view.lit
    for receptor, head in zip(*np.nonzero(cut), strict=True):
        facing = axis[receptor] if axis.ndim == 2 else axis[receptor, head]
        lux[receptor, head] = view.cut_lux(
            int(head), facing, float(toward_centre[receptor, head]), float(rise[receptor, head])
        )
    return lux


class _View:
    """All heads seen from one place."""

    def __init__(self, sources: Sources, place: FloatArray) -> None:
        self.sources = sources
        self.centre = sources.centre - place
        height = -np.einsum("nk,nk->n", self.centre, sources.axis)
        self.lit = height > 0
        self.height = np.where(self.lit, height, 1.0)
        offset = self.centre + height[:, None] * sources.axis
        self.offset_m = np.sqrt(np.einsum("nk,nk->n", offset, offset))
        self.side = offset / np.where(self.offset_m > 0, self.offset_m, 1.0)[:, None]

    def moments(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean over the disc of I / r^2, of I / r^3, and of I / r^3 times the element's way along `side`."""
        sources, h2 = self.sources, self.height * self.height
        a, radius = self.offset_m, sources.radius_m
        rule = quadrature.half_disc(24, 48)
        ways = rule.along[:, None] * radius
        r2 = h2 + a * a + 2 * a * ways + (rule.distance**2)[:, None] * radius * radius
        even = relative_intensity(sources.spread, h2 / r2) / r2 * rule.weight[:, None]
        plain = even / np.sqrt(r2)
        full = np.where(self.lit, sources.intensity_cd, 0.0)
        return full * even.sum(0), full * plain.sum(0), full * (plain * ways).sum(0)

    def cut_lux(self, head: int, facing: FloatArray, toward_centre: float, rise: float) -> float:
        """Lux on a flat receptor whose horizon cuts the disc of one head."""
        sources = self.sources
        radius = float(sources.radius_m[head])
        axis = sources.axis[head]
        slope = facing - (facing @ axis) * axis
        slope = slope / np.linalg.norm(slope)
        across = np.cross(axis, slope)
        rule = quadrature.disc_segment(math.acos(max(-1.0, min(1.0, -toward_centre / rise))), 32, 32)
        t, x = rule.along * radius, rule.across * radius
        offset = self.centre[head] + self.height[head] * axis
        h2 = self.height[head] ** 2
        r2 = h2 + (offset @ slope + t) ** 2 + (offset @ across + x) ** 2
        cosine = (toward_centre + rise * rule.along) / np.sqrt(r2)
        value = relative_intensity(sources.spread[head], h2 / r2) / r2 * cosine
        return float(sources.intensity_cd[head] * (value @ rule.weight))


def _place(point: ArrayLike) -> FloatArray:
    place = np.asarray(point, dtype=np.float64)
    if place.shape != (3,):
        raise ValueError(f"a point has three coordinates in metres, not shape {place.shape}")
    if not all(map(math.isfinite, place.tolist())):
        raise ValueError(f"the point {place.tolist()} is not finite")
    return place
