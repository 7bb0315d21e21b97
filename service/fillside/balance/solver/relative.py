"""Roles set relative to others: hair and background, in stops against the key or the exposure target."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import FIRST_ROLE_ROW, LIT, Rows
from fillside.balance.solver.role_path import Path, distinct, rising
from fillside.balance.solver.supply import Supply
from fillside.balance.target import BalanceTarget

FloatArray = npt.NDArray[np.float64]

DARK_LUX = 1e-9
"""Light that counts as darkness: no meter shows less, and a ratio to it has no meaning."""


def key_lux(rows: Rows, outputs: FloatArray) -> float:
    """K: the light of the key heads at the subject, without ambient light [lux]."""
    return float(rows.matrix[LIT] @ outputs)


def reference_lux(rows: Rows, target: BalanceTarget, role: str, rule: str, outputs: FloatArray) -> float:
    """Return the reference of a role's stops: the light of the key, or the exposure target [lux]."""
    return key_lux(rows, outputs) if target.reference(role, rule) == "key" else target.exposure_lux


def following_heads(supply: Supply, target: BalanceTarget) -> npt.NDArray[np.intp]:
    """Return the held heads of hair-like roles that refer to the key: they rise and fall with it."""
    metering, follows = supply.metering, np.zeros(len(supply.limits.held), dtype=bool)
    for role in metering.relative_roles:
        if _follows(role, metering.role_rules[role], target):
            follows |= metering.role_masks[role]
    return (follows & supply.limits.held).nonzero()[0]


def _follows(role: str, rule: str, target: BalanceTarget) -> bool:
    return rule == "hair" and target.reference(role, rule) == "key"


def with_followers(supply: Supply, target: BalanceTarget) -> Path:
    """Return the key's path with the light of the hair-like roles that follow it, and their bends."""
    key, rows, limits = supply.key, supply.rows, supply.limits
    for k, role in enumerate(rows.roles):
        rule = supply.metering.role_rules[role]
        if not _follows(role, rule, target) or len(supply.heads.of_role[role]) == 0:
            continue
        own = supply.path_of(role)
        row, share = FIRST_ROLE_ROW + k, target.relative_share(role, rule)
        fixed = np.where(limits.held, 0.0, limits.least)
        fixed_key, fixed_own = float(rows.matrix[LIT] @ fixed), float(rows.matrix[row] @ fixed)
        bends_lux = (own.lux[row] + fixed_own) / share - fixed_key
        bends = np.interp(bends_lux, rising(key.lux[LIT]), key.common)
        common = distinct(np.concatenate((key.common, bends)))
        lux = key.lux_at(common)
        wanted = (lux[LIT] + fixed_key) * share - fixed_own
        lux = lux + own.lux_at(np.interp(wanted, rising(own.lux[row]), own.common))
        key = Path(key.heads, key.least, key.most, common, lux)
    return key


def hold_relative_roles(supply: Supply, target: BalanceTarget, outputs: FloatArray) -> None:
    """Set the outputs of hair-like roles, then of background, in place; spill of the others counts."""
    rows = supply.rows
    for role, heads in supply.heads.of_role.items():
        if len(heads) == 0:
            continue
        rule, row = supply.metering.role_rules[role], FIRST_ROLE_ROW + rows.roles.index(role)
        path = supply.path_of(role)
        outputs[heads] = 0.0
        others = float(rows.matrix[row] @ outputs + rows.ambient[row])
        reference = reference_lux(rows, target, role, rule, outputs)
        own = _beside(others, reference * target.relative_share(role, rule))
        common = float(np.interp(own, rising(path.lux[row]), path.common))
        outputs[heads] = path.outputs_at(common)


SPILL_COUNTS = 12.0


def _beside(others: float, wanted: float) -> float:
    """Return the light [lux] that a role adds to that of the others to meet the target together.

    If the others alone come near the target, the role must not vanish from one centimetre to the next: each
    further stop of the others takes at most `SPILL_COUNTS` stops off it. This leaves at most 0.04 stop too
    much.
    """
    whole = SPILL_COUNTS / (SPILL_COUNTS + 1)
    if wanted <= 0 or others <= whole * wanted:
        return wanted - others
    return float((wanted - whole * wanted) * (whole * wanted / others) ** SPILL_COUNTS)
