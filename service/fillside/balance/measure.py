"""The readings a person would take at given outputs, in the terms of the target."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import (
    EXPOSURE,
    FACE_FILL,
    FACE_KEY,
    FIRST_ROLE_ROW,
    Metering,
    Rows,
    compared_sides,
)
from fillside.balance.solver.relative import DARK_LUX, reference_lux
from fillside.balance.target import BalanceTarget

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeteredBalance:
    """Ratio in the terms of `read_as` and in stops, exposure [lux], relative stops, face sides [lux].

    None stands for a value that does not exist: a ratio without a key or fill that counts, or the logarithm
    of no light.
    """

    ratio: float | None
    ratio_stops: float | None
    exposure_lux: float
    relative: Mapping[str, float | None]
    face_key_lux: float
    face_fill_lux: float

    @property
    def face_ratio(self) -> float | None:
        """Key side over fill side of the face."""
        return self.face_key_lux / self.face_fill_lux if self.face_fill_lux > DARK_LUX else None


def stops_over(value: float, reference: float) -> float | None:
    """Return log2(value / reference), or None if either is no light.

    >>> stops_over(200.0, 100.0)
    1.0
    """
    return math.log2(value / reference) if value > DARK_LUX and reference > DARK_LUX else None


def measure(
    metering: Metering, rows: Rows, target: BalanceTarget, outputs: FloatArray, dropped: tuple[str, ...] = ()
) -> MeteredBalance:
    """Return every quantity of the balance at the outputs (heads,) of all heads.

    `dropped` names the roles among "key" and "fill" that give too little light to count; with any, there is
    no ratio.
    """
    lux = rows.lux(outputs)
    bright, dark = compared_sides(target.read_as)
    both = bool((outputs[metering.is_key] > 0).any() and (outputs[metering.is_fill] > 0).any())
    quotient = (
        float(lux[bright] / lux[dark])
        if both and not dropped and lux[dark] > DARK_LUX and lux[bright] > DARK_LUX
        else None
    )
    relative: dict[str, float | None] = {}
    for k, role in enumerate(rows.roles):
        reference = reference_lux(rows, target, role, metering.role_rules[role], outputs)
        relative[role] = stops_over(float(lux[FIRST_ROLE_ROW + k]), reference)
    return MeteredBalance(
        ratio=None if quotient is None else target.ratio_from_quotient(quotient),
        ratio_stops=None if quotient is None else math.log2(quotient),
        exposure_lux=float(lux[EXPOSURE]),
        relative=relative,
        face_key_lux=float(lux[FACE_KEY]),
        face_fill_lux=float(lux[FACE_FILL]),
    )


def metered_target(metering: Metering, rows: Rows, target: BalanceTarget) -> MeteredBalance:
    """Return the target as metered values; the sides of the face have no target and are 0."""
    quotient = target.quotient
    relative: dict[str, float | None] = {
        role: target.relative_stops(role, metering.role_rules[role]) for role in rows.roles
    }
    return MeteredBalance(target.ratio, math.log2(quotient), target.exposure_lux, relative, 0.0, 0.0)
