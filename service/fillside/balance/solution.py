"""Solution of the balance: from scene, target, limits and place to outputs, wire codes and readings.

The hold, the offline commands, planning and calibration all solve through `BalanceSolver`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.balance.halves import BallInPlace
from fillside.balance.judgement.reasons import JudgedLight
from fillside.balance.judgement.verdict import judge
from fillside.balance.limits import OutputLimits, limits_of
from fillside.balance.measure import MeteredBalance, measure
from fillside.balance.report import Report, achieved_of, face_of, head_reports
from fillside.balance.rows import Metering, Rows
from fillside.balance.solver.rounding import Codes, Trims, choose_codes, trim_codes
from fillside.balance.solver.solve import SolvedOutputs, solve
from fillside.balance.solver.supply import HeldHeads, Supply
from fillside.balance.solver.weight import dropped_roles
from fillside.balance.target import BalanceTarget, target_from_rig
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene, scene
from fillside.rig.tables.model import Rig

FloatArray = npt.NDArray[np.float64]
Place = Sequence[float]


@dataclass(frozen=True)
class Solution:
    """The balance at one place; everything after the solved outputs is computed on first use.

    `present` are the codes already on the wires, which stay unless others are clearly better.
    """

    supply: Supply
    target: BalanceTarget
    solved: SolvedOutputs
    present: Codes | None = None

    @property
    def metering(self) -> Metering:
        """The metering of the scene."""
        return self.supply.metering

    @property
    def rows(self) -> Rows:
        """The rows at the place."""
        return self.supply.rows

    @property
    def limits(self) -> OutputLimits:
        """The limits of the heads."""
        return self.supply.limits

    @cached_property
    def codes(self) -> Codes:
        """The wire codes, rounded together; heads that stay at a code keep it."""
        codes = choose_codes(self.supply, self.target, self.solved.outputs, self.present)
        stay = self.limits.stay
        return tuple(stay.get(i, code) for i, code in enumerate(codes)) if stay else codes

    @cached_property
    def outputs(self) -> FloatArray:
        """The outputs (heads,) that the codes give; a head without a wire gives 1."""
        return self.metering.scene.dimmers.outputs(self.codes)

    @property
    def subject_outputs(self) -> FloatArray:
        """The outputs (heads,) with work lights out, as during a shot."""
        return self.outputs * (self.limits.most > 0)

    @cached_property
    def metered(self) -> MeteredBalance:
        """The readings a person would take at these outputs."""
        return measure(self.metering, self.rows, self.target, self.outputs, self.solved.dropped)

    @cached_property
    def report(self) -> Report:
        """The report of this balance, without remedies, which take longer to find."""
        halves = BallInPlace(self.metering).at(self.rows.point)
        return self.judged.model_copy(update={"face": face_of(self.metered, halves.ratio(self.outputs))})

    @cached_property
    def judged(self) -> Report:
        """The report without the halves of the face, which no judgement needs."""
        light = JudgedLight(
            metering=self.metering,
            target=self.target,
            limits=self.limits,
            solved=self.solved,
            solved_rows=self.rows,
            rows=self.rows,
            untrimmed=self.outputs,
            codes=self.codes,
            final_outputs=self.outputs,
            reachable=np.ones(len(self.codes), dtype=bool),
            reliable=np.ones(len(self.codes), dtype=bool),
            trims={},
        )
        return Report(
            subject=self.rows.point,
            target=light.target_report,
            achieved=achieved_of(self.target, light.target_report, self.metered),
            face=face_of(self.metered, None),
            heads=head_reports(self.metering.scene, self.limits, self.rows, self.codes, self.solved.outputs),
            limits=judge(light).limits,
            room_light=self.metering.scene.room_light,
        )


class BalanceSolver:
    """Solves the balance of one scene for any place of the subject; `limits` are those of all its heads."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.metering = Metering(scene)
        self.limits = limits_of(scene)
        self._rows: Rows | None = None
        self._heads = HeldHeads(self.metering, self.limits)
        self._supply: Supply | None = None
        self._with_out: tuple[OutputLimits, frozenset[str], OutputLimits] | None = None

    def limits_for(self, target: BalanceTarget, limits: OutputLimits | None = None) -> OutputLimits:
        """Return limits, by default those of all heads, in which roles that the target puts out are out.

        The latest are cached."""
        bounded, out = self.limits if limits is None else limits, target.out_roles
        if not out:
            return bounded
        if self._with_out is None or self._with_out[0] is not bounded or self._with_out[1] != out:
            heads = np.array([role in out for role in self.scene.roles], dtype=bool)
            self._with_out = bounded, out, bounded.with_out(heads)
        return self._with_out[2]

    def rows_at(self, place: Place) -> Rows:
        """Return the rows for a subject at a place [m]; the latest are cached."""
        x, y, z = place
        if self._rows is None or self._rows.point != (x, y, z):
            self._rows = self.metering.rows_at(place)
        return self._rows

    def supply_at(self, place: Place, limits: OutputLimits | None = None) -> Supply:
        """Return the supply at a place [m], by default within the limits of all heads; the latest is
        cached."""
        rows, bounded = self.rows_at(place), self.limits if limits is None else limits
        if self._heads.limits is not bounded:
            self._heads = HeldHeads(self.metering, bounded)
        if self._supply is None or self._supply.rows is not rows or self._supply.heads is not self._heads:
            self._supply = Supply(self._heads, rows)
        return self._supply

    def solve(
        self,
        place: Place,
        target: BalanceTarget,
        limits: OutputLimits | None = None,
        present: Codes | None = None,
    ) -> Solution:
        """Solve the balance for a subject at a place [m]; `limits` are by default those of all heads."""
        supply = self.supply_at(place, self.limits_for(target, limits))
        return Solution(supply, target, solve(supply, target), present)

    def trim(self, place: Place, target: BalanceTarget, codes: Codes, trims: Trims) -> Codes:
        """Return the codes with trims applied; the place [m] matters only for the most light on the face."""
        if not any(stops != 0 for stops in trims.values()):
            return codes
        limits = self.limits_for(target)
        return trim_codes(self.metering, self.rows_at(place), target, limits, codes, trims)

    def dropped(
        self, place: Place, target: BalanceTarget, limits: OutputLimits | None = None
    ) -> tuple[str, ...]:
        """Return the roles among "key" and "fill" that give too little at a place [m] to count."""
        return dropped_roles(self.supply_at(place, self.limits_for(target, limits)), target)


def solve_rig(
    rig: Rig, subject: Place | None = None, ratio: float | None = None, calibration: Calibration | None = None
) -> Solution:
    """Solve the balance of a rig for a subject at a place [m], by default the rig's.

    `ratio` is in the terms of the rig's `read_as`.
    """
    target = target_from_rig(rig)
    if ratio is not None:
        target = replace(target, ratio=ratio)
    return BalanceSolver(scene(rig, calibration)).solve(rig.start if subject is None else subject, target)
