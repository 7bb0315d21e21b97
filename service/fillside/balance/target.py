"""The target of the balance: the `[balance]` table of the rig file as numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Never

from fillside.rig.notation import OUT
from fillside.rig.scene.scene import exposure_target_lux
from fillside.rig.tables.model import DEFAULT_RELATIVE_STOPS, ReadAs, Rig

NO_ROLES: Mapping[str, Never] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class BalanceTarget:
    """The target ratio, exposure and relative stops.

    `ratio` is in the terms of `read_as`; `exposure_lux` is the target reading of the exposure receptor [lux];
    `relative` gives stops by role, None for one that is out; `against` gives the reference of each ("key" or
    "exposure"); `most_lux` bounds the brighter side of the face [lux].
    """

    ratio: float
    exposure_lux: float
    read_as: ReadAs = "key:fill"
    protect: str = "ratio"
    most_over: float = 0.5
    most_under: float = 1.0
    relative: Mapping[str, float | None] = field(default_factory=lambda: NO_ROLES)
    against: Mapping[str, str] = field(default_factory=lambda: NO_ROLES)
    most_lux: float | None = None

    @property
    def quotient(self) -> float:
        """The target bright side over shadow side: the ratio, less the 1 that key+fill:fill adds."""
        return self.ratio - 1.0 if self.read_as == "key+fill:fill" else self.ratio

    def ratio_from_quotient(self, quotient: float) -> float:
        """Return the ratio in the terms of `read_as` of a bright side over shadow side."""
        return quotient + 1.0 if self.read_as == "key+fill:fill" else quotient

    @property
    def out_roles(self) -> frozenset[str]:
        """The roles whose heads are to give no light."""
        return frozenset(role for role, stops in self.relative.items() if stops is None)

    def relative_stops(self, role: str, rule: str) -> float | None:
        """Return the target of a role, in stops against its reference; None for one that is out."""
        return self.relative.get(role, DEFAULT_RELATIVE_STOPS[rule])

    def relative_share(self, role: str, rule: str) -> float:
        """Return the target of a role as a share of its reference."""
        stops = self.relative_stops(role, rule)
        return 0.0 if stops is None else math.exp2(stops)

    def reference(self, role: str, rule: str) -> str:
        """Return the reference of a role: "key" or "exposure"."""
        return self.against.get(role, "exposure" if rule == "background" else "key")


def target_from_rig(rig: Rig) -> BalanceTarget:
    """Return the target that the rig file states."""
    balance = rig.balance
    return BalanceTarget(
        ratio=balance.ratio_value,
        exposure_lux=exposure_target_lux(rig),
        read_as=balance.read_as,
        protect=balance.protect,
        most_over=balance.most_over,
        most_under=balance.most_under,
        relative=MappingProxyType(
            {role: None if stops == OUT else stops for role, stops in balance.relative.items()}
        ),
        against=MappingProxyType(dict(balance.against)),
        most_lux=rig.subject.most_lux,
    )
