"""The part of a solution that is the same for every ratio, kept with the supply it is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.balance.solver.plane import Plane
from fillside.balance.solver.relative import following_heads, with_followers
from fillside.balance.solver.role_path import Path
from fillside.balance.solver.supply import Supply
from fillside.balance.target import BalanceTarget

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Ground:
    """The key with the roles that follow it, and its plane while all other heads are at their least.

    `asked` is what of the target it depends on.
    """

    asked: tuple[float, float | None, Mapping[str, float | None], Mapping[str, str]]
    supply: Supply
    key: Path
    followers: npt.NDArray[np.intp]

    @cached_property
    def base(self) -> FloatArray:
        """The outputs (heads,) outside the plane at their least."""
        return self.without_plane(self.supply.limits.least)

    @cached_property
    def plane(self) -> Plane:
        """The plane over the light of these outputs."""
        exposure_lux, most_lux, _, _ = self.asked
        return Plane(self.key, self.supply.fill, self.supply.rows.lux(self.base), exposure_lux, most_lux)

    def without_plane(self, outputs: FloatArray) -> FloatArray:
        """Return outputs (heads,) with those that the plane covers at 0."""
        base = outputs.copy()
        base[self.key.heads] = base[self.supply.fill.heads] = base[self.followers] = 0.0
        return base


def ground_of(supply: Supply, target: BalanceTarget) -> Ground:
    """Return the ground of a supply under a target; the latest is kept."""
    asked = (target.exposure_lux, target.most_lux, target.relative, target.against)
    ground = supply.ground
    if ground is None or ground.asked != asked:
        key = with_followers(supply, target)
        ground = supply.ground = Ground(asked, supply, key, following_heads(supply, target))
    return ground
