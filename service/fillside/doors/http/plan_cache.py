"""The plan of what is held, worked out on a thread, one at a time, and kept until the question is another."""

from __future__ import annotations

import asyncio

from fillside.calibration.result.intervals import Intervals
from fillside.planning.plan import PlanReport, plan_rig
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig


class PlanRoom:
    """Answers for the plan; who asks while one is worked out waits for it and mostly gets the same."""

    def __init__(self) -> None:
        self._busy = asyncio.Lock()
        self._asked: tuple[Rig, Calibration | None] | None = None
        self._kept: dict[bool, PlanReport] = {}

    async def answer(self, rig: Rig, calibration: Calibration | None, *, wander: bool) -> PlanReport:
        """The plan of a rig by its calibration; with `wander` also its maps, which take most of the time."""
        async with self._busy:
            if self._asked != (rig, calibration):
                self._asked, self._kept = (rig, calibration), {}
            if wander not in self._kept:
                add_uncertainty = Intervals(rig, calibration).of
                self._kept[wander] = await asyncio.to_thread(
                    plan_rig, rig, calibration, wander=wander, add_uncertainty=add_uncertainty
                )
            return self._kept[wander]
