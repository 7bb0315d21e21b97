"""The weight of key and fill at the subject, and their grip on the ratio of the face."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY, LIT, SHADOW
from fillside.balance.solver.supply import Supply
from fillside.balance.target import BalanceTarget

FloatArray = npt.NDArray[np.float64]

DROPS_OUT = 0.01
"""Weight below which a role has dropped out: less than 0.5 % of its part of the target."""
_LEAST_LUX = 1e-12
_APART_STOPS = 3.0
_STRAY = 0.15
"""Share of the lamps' light added to both cheeks: a lamp that only grazes a cheek gives no grip."""


@dataclass(frozen=True)
class Weights:
    """The weights 0..1 of key and fill, and the light of each at full in every row [lux].

    `lamps` is the lesser weight without ambient light.
    """

    key: float
    fill: float
    lamps: float
    key_full: FloatArray
    fill_full: FloatArray

    @property
    def both(self) -> float:
        """The weight of the bounds of the target."""
        return min(self.key, self.fill)

    @property
    def dropped(self) -> tuple[str, ...]:
        """The roles among "key" and "fill" that give too little to count."""
        roles = (("key", self.key), ("fill", self.fill))
        return tuple(role for role, weight in roles if weight < DROPS_OUT)


def weigh(supply: Supply, target: BalanceTarget) -> Weights:
    """Weigh each side at full against half its part of the target, or of the most that the lamps can give.

    With q the target lit side over shadow side, the parts of an exposure are q / (1 + q) and 1 / (1 + q).
    """
    key_full, fill_full, ambient = supply.key_full, supply.fill_full, supply.rows.ambient
    most = float(key_full[EXPOSURE] + fill_full[EXPOSURE] + ambient[EXPOSURE])
    asked, q = min(target.exposure_lux, most), target.quotient
    key_lit, fill_shadow = float(key_full[LIT]), float(fill_full[SHADOW])
    lit, shadow = key_lit + float(ambient[LIT]), fill_shadow + float(ambient[SHADOW])
    lit_part, shadow_part = asked * q / (1 + q), asked / (1 + q)
    lamps = min(_weight(key_lit, lit_part), _weight(fill_shadow, shadow_part))
    return Weights(_weight(lit, lit_part), _weight(shadow, shadow_part), lamps, key_full, fill_full)


def _weight(gives_lux: float, part_lux: float) -> float:
    if gives_lux <= _LEAST_LUX:
        return 0.0
    return min(1.0, 2 * gives_lux / part_lux) if part_lux > _LEAST_LUX else 1.0


def dropped_roles(supply: Supply, target: BalanceTarget) -> tuple[str, ...]:
    """Return the roles among "key" and "fill" that have heads but give too little at the subject to count."""
    return weigh(supply, target).dropped if supply.heads.has_key_and_fill else ()


def grip_stops(weights: Weights, rest: FloatArray, target: BalanceTarget, mix_stops: float) -> float:
    """Return the change of the face ratio [stops] when key and fill trade three stops about a mix.

    The result is negative if the fill lights the key side of the face more than the key does. `rest` (rows,)
    is all other light [lux].
    """
    more, less = (
        _face_stops(
            weights.key_full * 2.0 ** (about / 2), weights.fill_full * 2.0 ** (-about / 2), rest, target
        )
        for about in (mix_stops + _APART_STOPS, mix_stops - _APART_STOPS)
    )
    return more - less


def _face_stops(key: FloatArray, fill: FloatArray, rest: FloatArray, target: BalanceTarget) -> float:
    both = key + fill
    if both[EXPOSURE] <= 0:
        return 0.0
    lux = both * (target.exposure_lux / float(both[EXPOSURE])) + rest
    stray = _STRAY * max(float(lux[LIT] + lux[SHADOW]), _LEAST_LUX)
    return math.log2((float(lux[FACE_KEY]) + stray) / (float(lux[FACE_FILL]) + stray))
