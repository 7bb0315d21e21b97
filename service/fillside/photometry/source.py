"""Illuminance from a lit disc with an intensity distribution on a flat or a dome receptor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cache, cached_property
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillside.photometry.disc import DiscGeometry, cut_disc_means, whole_disc_means
from fillside.photometry.distribution import HeadDistributions

_IN_THE_PLANE_M = 1e-9

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


_NONE = np.zeros(0)
_LEFT_OUT = ("room_mean_lux", "room_vector_lux")


@dataclass(frozen=True, eq=False)
class LightSources:
    """Heads as lit discs, one row per head, all at full output.

    Attributes:
        position: (n, 3) [m], the point that receptors face.
        axis: (n, 3) unit vectors in which the light leaves.
        intensity_cd: (n,) far-field intensity on the axis [cd].
        spread: (n,) exponent m of cos^m, 0 or more.
        diameter_m: (n,) diameter of the disc [m]; 0 is a point.
        setback_m: (n,) distance of the disc's centre behind `position` along the axis [m].
        room_mean_lux: (n,) mean of the light that the room sends back [lx]; left out, none. `receptor_lux`
            does not count it, `received_lux` does.
        room_vector_lux: (n, 3) its vector [lx], at most twice as long as the mean; left out, none.
        tabled: the heads with a measured distribution in place of cos^m; None without any.

    Raises:
        ValueError: shapes disagree, a number is not finite, an axis is not of unit length, or an intensity,
            spread, diameter or room light is negative.
    """

    position: FloatArray
    axis: FloatArray
    intensity_cd: FloatArray
    spread: FloatArray
    diameter_m: FloatArray
    setback_m: FloatArray
    room_mean_lux: FloatArray = field(default_factory=lambda: _NONE)
    room_vector_lux: FloatArray = field(default_factory=lambda: _NONE)
    tabled: HeadDistributions | None = None

    def __post_init__(self) -> None:
        heads = len(self.position)
        for name in _arrays():
            values = np.ascontiguousarray(getattr(self, name), dtype=np.float64)
            shape = (heads, 3) if name in ("position", "axis", "room_vector_lux") else (heads,)
            if name in _LEFT_OUT and not values.size:
                values = np.zeros(shape)
            if values.shape != shape:
                raise ValueError(f"{name} has shape {values.shape}, not {shape}")
            if not np.isfinite(values).all():
                raise ValueError(f"{name} has a number that is not finite")
            object.__setattr__(self, name, values)
        if self.tabled is not None and len(self.tabled.which) != heads:
            raise ValueError(f"tabled is of {len(self.tabled.which)} heads, not {heads}")
        if heads and np.abs(np.linalg.norm(self.axis, axis=1) - 1).max() > 1e-9:
            raise ValueError("axis has a row that is not of unit length")
        for name in ("intensity_cd", "spread", "diameter_m", "room_mean_lux"):
            if (getattr(self, name) < 0).any():
                raise ValueError(f"{name} has a negative number")
        if self.room_vector_lux.any():
            length = np.linalg.norm(self.room_vector_lux, axis=1)
            if (length > 2 * self.room_mean_lux * (1 + 1e-9)).any():
                raise ValueError("room_vector_lux has a row longer than twice room_mean_lux")

    def __len__(self) -> int:
        return len(self.position)

    def take(self, heads: Sequence[int] | NDArray[np.intp] | BoolArray) -> Self:
        """Select heads by index or by mask, in that order."""
        chosen = np.asarray(heads, dtype=None if len(heads) else np.intp)
        tabled = None if self.tabled is None else self.tabled.take(chosen)
        return type(self)(**{name: getattr(self, name)[chosen] for name in _arrays()}, tabled=tabled)

    def scaled(self, factors: FloatArray) -> Self:
        """Return the heads with their light, direct and by the room, times factors (n,)."""
        return replace(
            self,
            intensity_cd=self.intensity_cd * factors,
            room_mean_lux=self.room_mean_lux * factors,
            room_vector_lux=self.room_vector_lux * factors[:, None],
        )

    def with_room_light(self, mean_lux: FloatArray, vector_lux: FloatArray) -> Self:
        """Return the heads with other room light: means (n,) and vectors (n, 3) [lx]."""
        return replace(self, room_mean_lux=mean_lux, room_vector_lux=vector_lux)

    @cached_property
    def has_room_light(self) -> bool:
        """True if the room sends light of any head back."""
        return bool(self.room_mean_lux.any())

    @cached_property
    def centre(self) -> FloatArray:
        """Centres of the lit discs (n, 3) [m]."""
        return self.position - self.setback_m[:, None] * self.axis

    @cached_property
    def radius_m(self) -> FloatArray:
        return self.diameter_m / 2


@cache
def _arrays() -> tuple[str, ...]:
    return tuple(own.name for own in fields(LightSources) if own.name != "tabled")


def head_directions(sources: LightSources, point: ArrayLike) -> FloatArray:
    """Return unit vectors (n, 3) from `point` [m] to each head's `position`; zero where they coincide."""
    away = sources.position - _place(point)
    length = np.sqrt(np.einsum("nk,nk->n", away, away))
    unit: FloatArray = away / np.where(length > 0, length, 1.0)[:, None]
    return unit


def facing_lux(sources: LightSources, point: ArrayLike) -> FloatArray:
    """Return the lux (n,) on a flat receptor that faces each head in turn, that head alone at full."""
    facing = head_directions(sources, point)[None]
    lux: FloatArray = receptor_lux(sources, point, facing, np.zeros(1, dtype=np.bool_))[0]
    return lux


def receptor_lux(sources: LightSources, point: ArrayLike, axes: ArrayLike, dome: ArrayLike) -> FloatArray:
    """Return the illuminance (m, n) [lx] on m receptors at one point from each of n heads alone at full.

    E = I0 / A * integral of cos^m(theta_disc) w(theta_receptor) / r^2 dA over the disc, with a head's table
    in place of cos^m where it has one. Every element of a disc has an equal share of the head's intensity
    distribution, and none emits behind the disc's plane. The relative error is below 1e-4 from 0.3 diameters
    to the far field, also where the receptor's horizon cuts the disc. Room light is not included.

    Parameters:
        point: (3,) [m].
        axes: unit vectors the receptors face, (m, 3), or (m, n, 3) if they turn from head to head.
        dome: (m,) true for a dome, which weights by w = (1 + cos theta) / 2 over all directions; false for a
            flat receptor, w = max(0, cos theta); theta is measured from the receptor's axis.

    Raises:
        ValueError: the point is not finite, or shapes disagree.
    """
    place, axis = _place(point), np.asarray(axes, dtype=np.float64)
    is_dome = np.asarray(dome, dtype=np.bool_)
    heads = len(sources)
    if is_dome.ndim != 1 or axis.shape not in ((len(is_dome), 3), (len(is_dome), heads, 3)):
        raise ValueError(f"axes of shape {axis.shape} do not fit {is_dome.shape} receptors and {heads} heads")
    seen = _SourceGeometry.of(sources, place)
    ahead, along_head, outward = _dots(axis, (seen.centre, sources.axis, seen.outward))
    even, plain, leaning = seen.full_cd * whole_disc_means(seen.discs)
    weighed = ahead * plain + outward * leaning
    lean = np.sqrt(np.maximum(1 - along_head * along_head, 0.0))
    rise = sources.radius_m * lean
    flat = ~is_dome[:, None]
    lux: FloatArray = np.where(flat, np.where(ahead > -rise, weighed, 0.0), 0.5 * (even + weighed))
    cut = flat & (np.abs(ahead) < rise) & (seen.full_cd > 0)
    if cut.any():
        head = np.nonzero(cut)[1]
        uphill = (ahead[cut] + along_head[cut] * seen.discs.height[head]) / lean[cut]
        means = cut_disc_means(seen.discs.take(head), ahead[cut], lean[cut], uphill)
        lux[cut] = seen.full_cd[head] * means
    return lux


@dataclass(frozen=True, eq=False)
class _SourceGeometry:
    """All heads as seen from one point.

    `centre` (n, 3) [m] leads to the centres of the discs; `outward` (n, 3) are unit vectors in the planes of
    the discs.
    """

    centre: FloatArray
    outward: FloatArray
    full_cd: FloatArray
    discs: DiscGeometry

    @classmethod
    def of(cls, sources: LightSources, place: FloatArray) -> Self:
        centre = sources.centre - place
        height = -_dot(centre, sources.axis)
        way = centre + height[:, None] * sources.axis
        offset = np.sqrt(_dot(way, way))
        lit = height > _IN_THE_PLANE_M
        return cls(
            centre,
            way / np.where(offset > 0, offset, 1.0)[:, None],
            np.where(lit, sources.intensity_cd, 0.0),
            DiscGeometry(
                np.where(lit, height, 1.0), offset, sources.radius_m, sources.spread, sources.tabled
            ),
        )


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    product: FloatArray = np.einsum("nk,nk->n", a, b)
    return product


def _dots(axis: FloatArray, vectors: tuple[FloatArray, ...]) -> tuple[FloatArray, ...]:
    """Return scalar products (m, n) of receptor axes (m, 3) or (m, n, 3) with one vector per head."""
    if axis.ndim == 2:
        return tuple(axis @ v.T for v in vectors)
    return tuple(np.einsum("mnk,nk->mn", axis, v) for v in vectors)


def _place(point: ArrayLike) -> FloatArray:
    place = np.asarray(point, dtype=np.float64)
    if place.shape != (3,):
        raise ValueError(f"a point has three coordinates in metres, not shape {place.shape}")
    if not all(map(math.isfinite, place.tolist())):
        raise ValueError(f"the point {place.tolist()} is not finite")
    return place
