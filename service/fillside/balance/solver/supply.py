"""The light at hand: everything a solution needs that no wish for a ratio changes.

A ratio is asked for again and again at one place, so what follows from the heads, the place and the exposure
is found once. `BalanceSolver` owns the latest supply.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import OutputLimits
from fillside.balance.rows import Metering, Rows
from fillside.balance.solver.role_path import Path, role_path

if TYPE_CHECKING:
    from fillside.balance.solver.ground import Ground

FloatArray = npt.NDArray[np.float64]
HeadIndices = npt.NDArray[np.intp]


@dataclass(frozen=True)
class HeldHeads:
    """The heads of a scene within limits, whatever the place of the subject."""

    metering: Metering
    limits: OutputLimits

    @cached_property
    def key(self) -> HeadIndices:
        """The held heads of the key."""
        return (self.metering.is_key & self.limits.held).nonzero()[0]

    @cached_property
    def fill(self) -> HeadIndices:
        """The held heads of the fill."""
        return (self.metering.is_fill & self.limits.held).nonzero()[0]

    @cached_property
    def is_balanced(self) -> npt.NDArray[np.bool_]:
        """True for each head (heads,) of key or fill, held or not."""
        value: npt.NDArray[np.bool_] = self.metering.is_key | self.metering.is_fill
        return value

    @cached_property
    def balanced(self) -> HeadIndices:
        """The held heads of key and fill."""
        return (self.is_balanced & self.limits.held).nonzero()[0]

    @cached_property
    def is_other(self) -> npt.NDArray[np.bool_]:
        """True for each held head (heads,) of neither key nor fill."""
        value: npt.NDArray[np.bool_] = self.limits.held & ~self.is_balanced
        return value

    @cached_property
    def is_given(self) -> npt.NDArray[np.bool_]:
        """True for each head (heads,) that has a wire and is not held."""
        value: npt.NDArray[np.bool_] = ~self.limits.held & ~self.metering.scene.fixed
        return value

    @cached_property
    def has_others(self) -> bool:
        """True if a head of neither key nor fill is held."""
        return bool(self.is_other.any())

    @cached_property
    def has_key_and_fill(self) -> bool:
        """True if both key and fill give light at all: a head of each is held or fixed."""
        most, metering = self.limits.most, self.metering
        return all(float(most[of].max(initial=0.0)) > 0 for of in (metering.is_key, metering.is_fill))

    @cached_property
    def key_most(self) -> FloatArray:
        """The most output of each head (heads,) of the key, 0 for the others."""
        value: FloatArray = self.metering.is_key * self.limits.most
        return value

    @cached_property
    def fill_most(self) -> FloatArray:
        """The most output of each head (heads,) of the fill, 0 for the others."""
        value: FloatArray = self.metering.is_fill * self.limits.most
        return value

    @cached_property
    def of_role(self) -> dict[str, HeadIndices]:
        """The held heads of each role other than key, fill and work, background roles last."""
        rules = self.metering.role_rules
        roles = sorted(self.metering.relative_roles, key=lambda role: rules[role] == "background")
        return {role: (self.metering.role_masks[role] & self.limits.held).nonzero()[0] for role in roles}

    @cached_property
    def floor_codes(self) -> npt.NDArray[np.int64]:
        """The wire codes (heads,) of the least outputs."""
        return np.array(self.limits.floor_codes)


class Supply:
    """The light that heads give within limits, at the place of some rows."""

    def __init__(self, heads: HeldHeads, rows: Rows) -> None:
        self.heads, self.rows = heads, rows
        self.metering, self.limits = heads.metering, heads.limits
        self._by_role: dict[str, Path] = {}
        self.ground: Ground | None = None

    @cached_property
    def key(self) -> Path:
        """The path of the key alone."""
        return self._path(self.heads.key)

    @cached_property
    def fill(self) -> Path:
        """The path of the fill."""
        return self._path(self.heads.fill)

    def path_of(self, role: str) -> Path:
        """Return the path of a role other than key, fill and work."""
        path = self._by_role.get(role)
        if path is None:
            path = self._by_role[role] = self._path(self.heads.of_role[role])
        return path

    @cached_property
    def key_full(self) -> FloatArray:
        """The light (rows,) of the key at its most [lux]."""
        value: FloatArray = self.rows.matrix @ self.heads.key_most
        return value

    @cached_property
    def fill_full(self) -> FloatArray:
        """The light (rows,) of the fill at its most [lux]."""
        value: FloatArray = self.rows.matrix @ self.heads.fill_most
        return value

    @cached_property
    def by_balanced(self) -> FloatArray:
        """The columns of the rows (rows, n) of the held heads of key and fill [lux]."""
        return self.rows.matrix[:, self.heads.balanced]

    def _path(self, heads: HeadIndices) -> Path:
        return role_path(self.rows.matrix, heads, self.limits.least, self.limits.most)


def supply_of(metering: Metering, rows: Rows, limits: OutputLimits) -> Supply:
    """Return the supply at the place of some rows."""
    return Supply(HeldHeads(metering, limits), rows)
