"""Light that does not come direct: what a room sends back, and daylight from all around.

Such light is smooth, so four numbers describe it where a person may be: a mean m [lx] and a vector v [lx] of
length 2 m at most. A flat receptor along n shows max(0, m + v n), a dome (which weights by (1 + cos) / 2)
2 m + v n. They are the first two orders of spherical harmonics of the light: m is a quarter of the scalar
illuminance (the mean over a small sphere), v half the illumination vector.

Reference: Cuttle, "Lighting by Design" (scalar illuminance, illumination vector); Ramamoorthi and Hanrahan,
"An efficient representation for irradiance environment maps", 2001; both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillside.photometry.source import LightSources, receptor_lux

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class RoomLight:
    """Room light at the places of a subject: `mean_lux`, and `vector_lux` of twice that length at most."""

    mean_lux: float
    vector_lux: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def on(self, axes: ArrayLike, dome: ArrayLike) -> FloatArray:
        """Return the illuminance (m,) on receptors along `axes` (m, 3), flat or `dome` (m,) [lx]."""
        if self.mean_lux == 0:
            return np.zeros(len(np.asarray(dome)))
        mean, vector = np.array([self.mean_lux]), np.array([self.vector_lux])
        lux: FloatArray = room_lux(mean, vector, axes, dome)[:, 0]
        return lux

    def times(self, factor: float) -> RoomLight:
        """Return this light brighter by a factor."""
        x, y, z = (factor * part for part in self.vector_lux)
        return RoomLight(factor * self.mean_lux, (x, y, z))


NO_ROOM_LIGHT = RoomLight(0.0)


def room_lux(mean_lux: FloatArray, vector_lux: FloatArray, axes: ArrayLike, dome: ArrayLike) -> FloatArray:
    """Return the room light (m, n) [lx] of n heads on m receptors.

    Parameters:
        mean_lux, vector_lux: (n,) and (n, 3) of the heads.
        axes: unit vectors the receptors face, (m, 3), or (m, n, 3) if they turn from head to head.
        dome: (m,) true for a dome, false for a flat receptor.
    """
    is_dome = np.asarray(dome, dtype=np.bool_)[:, None]
    lux = np.where(is_dome, 2 * mean_lux, mean_lux)
    if vector_lux.any():
        axis = np.asarray(axes, dtype=np.float64)
        along = axis @ vector_lux.T if axis.ndim == 2 else np.einsum("mnk,nk->mn", axis, vector_lux)
        lux = np.maximum(lux + along, 0.0)
    return lux


def received_lux(sources: LightSources, point: ArrayLike, axes: ArrayLike, dome: ArrayLike) -> FloatArray:
    """Return the illuminance (m, n) [lx] on receptors from each head alone at full, direct and by the room.

    The parameters are those of `receptor_lux`.
    """
    lux = receptor_lux(sources, point, axes, dome)
    if sources.has_room_light:
        lux += room_lux(sources.room_mean_lux, sources.room_vector_lux, axes, dome)
    return lux


def flux_lm(sources: LightSources) -> FloatArray:
    """Return the luminous flux (n,) of the heads at full [lm].

    The integral of I0 cos^m over a hemisphere is 2 pi I0 / (m + 1); of a head with a table that of the table,
    over all directions.
    """
    flux = 2 * math.pi * sources.intensity_cd / (sources.spread + 1)
    if sources.tabled is not None:
        for i, table in sources.tabled.each():
            flux[i] = sources.intensity_cd[i] * table.flux_lm_per_cd()
    return flux


def sphere_mean_lux(flux: FloatArray, surface_m2: float, reflectance: float) -> FloatArray:
    """Return the mean m (n,) [lx] of the light that a room sends back of a flux (n,) [lm].

    The law of the integrating sphere, E = flux rho / (A (1 - rho)): of the flux the share rho is sent back,
    of that rho again, and so on, and it spreads evenly over the surface A.

    Reference: Walsh, "Photometry", the integrating sphere; CIE 84 (from memory).
    """
    mean: FloatArray = flux * (reflectance / (surface_m2 * (1 - reflectance)))
    return mean


def smoothest_room_light(lux: Sequence[float], axes: ArrayLike, dome: ArrayLike) -> RoomLight:
    """Return the most even room light, that of least |v|, with which receptors show `lux` (k,) [lx].

    With independent directions up to four numbers are met exactly unless that takes more than |v| = 2 m, the
    light of a single point; then light with |v| = 2 m that comes near in least squares is returned.
    The receptors face along `axes` (k, 3), flat or `dome` (k,).

    Reference: minimum-norm and bounded least squares, as in Golub and Van Loan, "Matrix Computations".
    """
    shown = np.asarray(lux, dtype=np.float64)
    if not shown.any():
        return NO_ROOM_LIGHT
    means = np.where(np.asarray(dome, dtype=np.bool_), 2.0, 1.0)[:, None]
    seen = np.concatenate([means, np.asarray(axes, dtype=np.float64).reshape(-1, 3)], axis=1)
    found = _of_least_vector(seen, shown)
    if not _is_light(found):
        found = _nearest_light(seen, shown)
    return room_light_within(float(found[0]), found[1:].tolist())


def room_light_within(mean_lux: float, vector_lux: Sequence[float]) -> RoomLight:
    """Return the room light of a mean and a vector [lx], shortened to twice the mean where it is longer."""
    length, most = math.hypot(*vector_lux), 2 * max(mean_lux, 0.0)
    x, y, z = (part * min(1.0, most / length) for part in vector_lux) if length > 0 else (0.0, 0.0, 0.0)
    return RoomLight(most / 2, (x, y, z))


_MET = 1e-9
"""Relative size below which a direction counts as not independent."""
_FAINT = 1e-3
"""Weight of the light's own square beside those of the errors, where not all numbers can be met: without it
light of any size from where no receptor looks could stand for a trifle."""
_HALVINGS, _FAR = 70, 1e6
_AT = 1e-7
"""Relative distance from the pole within which rounding errors are all that is left."""


def _of_least_vector(seen: FloatArray, shown: FloatArray) -> FloatArray:
    """Return (m, v) of least squared errors and, among those, of least |v|."""
    particular = np.linalg.pinv(seen) @ shown
    _, sizes, ways = np.linalg.svd(seen)
    free = ways[int((sizes > _MET * sizes[0]).sum()) :].T
    if free.size:
        particular = particular - free @ (np.linalg.pinv(free[1:]) @ particular[1:])
    found: FloatArray = particular
    return found


def _is_light(found: FloatArray) -> bool:
    return bool(np.linalg.norm(found[1:]) <= 2 * found[0] * (1 + _MET))


def _nearest_light(seen: FloatArray, shown: FloatArray) -> FloatArray:
    """Return (m, v) with |v| = 2 m of little squared error; nothing where that is darkness.

    With a multiplier mu >= 0 for the bound, (A'A + mu diag(-4, 1, 1, 1)) x = A't. Up to the pole at which
    that matrix is singular, x passes from outside the bound to inside it. If x has m < 0 there, m > 0 lies
    beyond the pole, and x passes from inside the bound to outside it.
    """
    normal = seen.T @ seen + np.diag([_FAINT] * 4)
    bound, aimed = np.diag([-4.0, 1.0, 1.0, 1.0]), seen.T @ shown
    unit = np.linalg.inv(np.linalg.cholesky(normal))
    pole = -1.0 / float(np.linalg.eigvalsh(unit @ bound @ unit.T)[0])
    found: FloatArray = np.zeros(4)
    for first, last in ((0.0, pole * (1 - _AT)), (_FAR * pole, pole * (1 + _AT))):
        outside, inside = first, last
        for _ in range(_HALVINGS):
            middle = (outside + inside) / 2
            tried = np.asarray(np.linalg.solve(normal + middle * bound, aimed), dtype=np.float64)
            if _is_light(tried):
                inside, found = middle, tried
            else:
                outside = middle
        if found[0] > 0:
            return found
    return found
