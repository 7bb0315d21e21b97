"""A diffuse room by radiosity: an empty box of Lambertian walls, cut into patches that light one another.

Nothing of the product is imported here. C. M. Goral, K. E. Torrance, D. P. Greenberg, B. Battaile, "Modeling
the Interaction of Light Between Diffuse Surfaces", SIGGRAPH 1984: with exitance M, reflectance rho, form
factors F and the light that reaches a patch from lamps E0, M = rho (E0 + F M). The form factors between
patches are exact: those of rectangles in parallel and in perpendicular planes (J. R. Howell, A Catalog of
Radiation Heat Transfer Configuration Factors, C-13 and C-15, from memory; that every row sums to 1, as it
does in a closed room, is tested).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]

AXES = ((1, 2), (0, 2), (0, 1))
"""The two axes in which a wall across x, y or z extends."""
WALL_NAMES = ("left", "right", "front", "back", "floor", "ceiling")
_SPOTS = 3
"""A patch is this many points squared for what is not another patch."""


@dataclass(frozen=True)
class Room:
    """A box from `low` (3,) to `low` + `size` [m]; `reflectances` as in `WALL_NAMES`; patches of about
    `patch_m`."""

    low: Vector
    size: Vector
    reflectances: tuple[float, ...]
    patch_m: float = 0.5

    @cached_property
    def cells(self) -> tuple[int, int, int]:
        x, y, z = (max(2, round(float(s) / self.patch_m)) for s in self.size)
        return x, y, z

    @cached_property
    def wall(self) -> npt.NDArray[np.intp]:
        """The wall (p,) that each patch is of."""
        counts = [self.cells[a] * self.cells[b] for a, b in (AXES[w // 2] for w in range(6))]
        return np.repeat(np.arange(6), counts)

    @cached_property
    def corners(self) -> Vector:
        """Low and high corner of each patch (p, 2, 3) [m]."""
        found = []
        for wall in range(6):
            across, (a, b) = wall // 2, AXES[wall // 2]
            at = self.low[across] + (self.size[across] if wall % 2 else 0.0)
            for i, j in product(range(self.cells[a]), range(self.cells[b])):
                ends = np.empty((2, 3))
                ends[:, across] = at
                for axis, k in ((a, i), (b, j)):
                    step = self.size[axis] / self.cells[axis]
                    ends[:, axis] = self.low[axis] + step * np.array([k, k + 1])
                found.append(ends)
        return np.array(found)

    @cached_property
    def centre(self) -> Vector:
        return np.asarray(self.corners.mean(axis=1))

    @cached_property
    def normal(self) -> Vector:
        """Unit vectors into the room (p, 3)."""
        inward = np.zeros((6, 3))
        for wall in range(6):
            inward[wall, wall // 2] = -1.0 if wall % 2 else 1.0
        return inward[self.wall]

    @cached_property
    def area(self) -> Vector:
        sides = self.corners[:, 1] - self.corners[:, 0]
        sides[np.arange(len(sides)), self.wall // 2] = 1.0
        return np.asarray(sides.prod(axis=1))

    @cached_property
    def reflectance(self) -> Vector:
        return np.array(self.reflectances)[self.wall]

    @cached_property
    def form_factors(self) -> Vector:
        """Share (p, p) of the light leaving patch i that reaches patch j."""
        factors = np.zeros((len(self.area),) * 2)
        for one in range(6):
            for other in range(one + 1, 6):
                block = np.ix_(self.wall == one, self.wall == other)
                shared = _exchange_area(
                    self.corners[self.wall == one], self.corners[self.wall == other], one, other
                )
                factors[block] = shared / self.area[self.wall == one][:, None]
                factors[block[1].T, block[0].T] = shared.T / self.area[self.wall == other][:, None]
        return factors

    def exitance(self, lit_lux: Vector, own: Vector | None = None) -> Vector:
        """Exitance (p, k) [lm/m2] of the patches where lamps light them by `lit_lux` (p, k); `own` is what
        patches send of themselves."""
        system = np.eye(len(self.area)) - self.reflectance[:, None] * self.form_factors
        source = self.reflectance[:, None] * lit_lux
        return np.asarray(np.linalg.solve(system, source if own is None else source + own))

    def receptor_weights(self, place: Vector, axis: Vector, dome: bool) -> Vector:
        """Lux on a receptor per unit of exitance of each patch (p,)."""
        away = self._spots - place
        square = np.einsum("psk,psk->ps", away, away)
        length = np.sqrt(square)
        leaving = np.maximum(-np.einsum("psk,pk->ps", away, self.normal) / length, 0.0)
        arriving = away @ axis / length
        seen = (1 + arriving) / 2 if dome else np.maximum(arriving, 0.0)
        return np.asarray((leaving * seen / square).mean(axis=1) * self.area / math.pi)

    @cached_property
    def _spots(self) -> Vector:
        share = (np.arange(_SPOTS) + 0.5) / _SPOTS
        low, side = self.corners[:, 0], self.corners[:, 1] - self.corners[:, 0]
        u, v = (part.ravel() for part in np.meshgrid(share, share))
        steps = np.zeros((len(low), _SPOTS**2, 3))
        for across, (a, b) in enumerate(AXES):
            own = self.wall // 2 == across
            steps[own, :, a] = side[own, a][:, None] * u
            steps[own, :, b] = side[own, b][:, None] * v
        return np.asarray(low[:, None] + steps)


def _exchange_area(one: Vector, other: Vector, wall: int, opposite: int) -> Vector:
    """Area times form factor (n, m) [m2] between patches (n, 2, 3) and (m, 2, 3) of two walls."""
    across, beyond = wall // 2, opposite // 2
    parallel = across == beyond
    if parallel:
        a, b = AXES[across]
        gap = abs(float(one[0, 0, across] - other[0, 0, across]))
    else:
        shared = 3 - across - beyond
        gap = 0.0
    total = np.zeros((len(one), len(other)))
    for i, j, k, m in product(range(2), repeat=4):
        sign = (-1) ** (i + j + k + m)
        if parallel:
            x = one[:, i, a][:, None] - other[:, k, a][None]
            y = one[:, j, b][:, None] - other[:, m, b][None]
            total += sign * _parallel(x, y, gap)
        else:
            # Distances from the line in which the two planes meet, and along it.
            rise = np.abs(one[:, i, beyond] - other[0, 0, beyond])[:, None]
            run = np.abs(other[:, k, across] - one[0, 0, across])[None]
            along = one[:, j, shared][:, None] - other[:, m, shared][None]
            flips = (one[0, 1, beyond] < one[0, 0, beyond]) != (other[0, 1, across] < other[0, 0, across])
            near_far = np.sign(one[0, 1, beyond] + one[0, 0, beyond] - 2 * other[0, 0, beyond])
            far_near = np.sign(other[0, 1, across] + other[0, 0, across] - 2 * one[0, 0, across])
            turn = near_far * far_near * (-1.0 if flips else 1.0)
            total += sign * turn * _perpendicular(rise, run, along)
    return total


def _parallel(x: Vector, y: Vector, gap: float) -> Vector:
    by_x, by_y = np.sqrt(x**2 + gap**2), np.sqrt(y**2 + gap**2)
    bent = y * by_x * np.arctan(y / by_x) + x * by_y * np.arctan(x / by_y)
    return np.asarray((bent - gap**2 / 2 * np.log(x**2 + y**2 + gap**2)) / (2 * math.pi))


def _perpendicular(rise: Vector, run: Vector, along: Vector) -> Vector:
    square = rise**2 + run**2
    reach = np.sqrt(square)
    turned = np.where(reach > 0, along * reach * np.arctan2(along, reach), 0.0)
    whole = square + along**2
    logarithm = np.where(whole > 0, np.log(np.where(whole > 0, whole, 1.0)), 0.0)
    return np.asarray((turned - (square - along**2) / 4 * logarithm) / (2 * math.pi))
