"""One mark planned: the balance solved there, and every question about its light asked of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import OutputLimits
from fillside.balance.report import Report
from fillside.balance.rows import EXPOSURE, Metering, Rows
from fillside.balance.solution import BalanceSolver, Solution
from fillside.balance.target import BalanceTarget
from fillside.planning.answer import PlanningAnswer
from fillside.planning.look.catchlight import CatchLight, catch_light
from fillside.planning.look.clearing import GlassesAnswer, glasses_answer
from fillside.planning.look.face import FaceAnswer, face_answer
from fillside.planning.look.glasses import Disc, Wearer
from fillside.planning.look.lens import LensAnswer, lens_answer
from fillside.planning.look.pose import face_frame, unit
from fillside.planning.look.reach import HeadMargin, ReachAnswer, head_margins, reach_answer
from fillside.planning.look.setup import StandPosition, standing
from fillside.planning.look.softness import SoftnessAnswer, WallAnswer, softness, wall_light, wall_point
from fillside.planning.look.wander import WanderAnswer, wander_answer
from fillside.rig.tables.model import NEAREST_M, Rig

FloatArray = npt.NDArray[np.float64]


Surely = Callable[[Report, BalanceTarget], Report]
"""Gives a report the uncertainties of what it says; planning knows light and balance, not readings."""
LOOKS_AHEAD = np.array([0.0, -1.0, 0.0])
"""Where a face that stands on the very point it looks at is turned, as the balance takes it."""


class MarkPlan(PlanningAnswer):
    """Everything about one mark; `wall` is None where the rig file names no wall behind it."""

    mark: str
    point: tuple[float, float, float]
    balance: Report
    reach: ReachAnswer
    margins: tuple[HeadMargin, ...]
    standings: tuple[StandPosition, ...]
    softness: tuple[SoftnessAnswer, ...]
    face: FaceAnswer
    catch_lights: tuple[CatchLight, ...]
    glasses: tuple[GlassesAnswer, ...]
    lens: tuple[LensAnswer, ...]
    wall: WallAnswer | None
    wander: WanderAnswer | None


@dataclass(frozen=True)
class Planned:
    """One mark solved, from which every answer about it is worked out; `outputs` (heads,) 0..1."""

    solver: BalanceSolver
    solution: Solution
    report: Report

    @property
    def rig(self) -> Rig:
        return self.metering.scene.rig

    @property
    def metering(self) -> Metering:
        return self.solution.metering

    @property
    def target(self) -> BalanceTarget:
        return self.solution.target

    @property
    def limits(self) -> OutputLimits:
        return self.solution.limits

    @property
    def rows(self) -> Rows:
        return self.solution.rows

    @cached_property
    def outputs(self) -> FloatArray:
        return self.solution.subject_outputs

    @cached_property
    def looks_at(self) -> FloatArray:
        """The point the face looks at; straight toward the camera's side for one who stands on that point."""
        looks_at, place = self.metering.looks_at(), np.asarray(self.rows.point)
        met = float(np.linalg.norm(looks_at - place)) < 1e-9
        return place + LOOKS_AHEAD if met else looks_at

    def surely(self, surely: Surely | None) -> Planned:
        """The same with how sure it is, where there is somebody to say so."""
        return self if surely is None else replace(self, report=surely(self.report, self.target))

    @property
    def lit(self) -> list[int]:
        """The heads that give light to a subject or a background, work lights aside."""
        return [int(i) for i in np.flatnonzero(self.outputs > 0)]


def solve_mark(solver: BalanceSolver, target: BalanceTarget, point: tuple[float, float, float]) -> Planned:
    """The balance at one place [m], as the hold would settle it."""
    solution = solver.solve(point, target)
    return Planned(solver, solution, solution.report)


def mark_plan(mark: str, planned: Planned, *, wander: bool) -> MarkPlan:
    """The answers about one mark; without `wander` its map, which takes most of the time, is left out."""
    own, rig, rows = planned.metering.scene, planned.rig, planned.rows
    return MarkPlan(
        mark=mark,
        point=rows.point,
        balance=planned.report,
        reach=reach_answer(planned.metering, rows, planned.target, planned.limits, planned.outputs),
        margins=head_margins(own.names, planned.limits, planned.outputs),
        standings=tuple(standing(rig, head, rows.point) for head in rig.heads),
        softness=tuple(
            softness(own.names[i], own.sources, i, rows.point)
            for i in planned.lit
            if own.rules[i] != "background"
        ),
        face=face_answer(planned.metering, rows, planned.outputs, rig.plan.pose, planned.looks_at),
        catch_lights=_catch_lights(planned),
        glasses=_glasses(planned),
        lens=_lens(planned),
        wall=_wall(planned),
        wander=_wander(planned) if wander else None,
    )


def _wander(planned: Planned) -> WanderAnswer:
    return wander_answer(
        planned.solver, planned.target, planned.rows.point, planned.outputs, planned.rig.plan.wander
    )


def _catch_lights(planned: Planned) -> tuple[CatchLight, ...]:
    own, pose = planned.metering.scene, planned.rig.plan.pose
    looks_at = planned.looks_at
    frame = face_frame(planned.rows.point, looks_at, pose.yaw, pose.pitch)
    return tuple(
        catch_light(
            own.names[i],
            own.sources.centre[i],
            own.sources.axis[i],
            float(own.sources.diameter_m[i]),
            frame=frame,
            gaze_at=looks_at,
            camera=np.asarray(planned.rig.camera.position),
            brow_deg=pose.brow,
        )
        for i in planned.lit
        if own.rules[i] != "background"
    )


def _glasses(planned: Planned) -> tuple[GlassesAnswer, ...]:
    rig, own = planned.rig, planned.metering.scene
    form = rig.plan.pose.glasses
    if form is None:
        return ()
    x, y, z = (float(v) for v in planned.looks_at)
    wearer = Wearer(planned.rows.point, (x, y, z), rig.camera.position, rig.plan.pose, form)
    place = np.asarray(planned.rows.point)
    discs = {
        own.names[i]: Disc(own.sources.centre[i], own.sources.axis[i], float(own.sources.radius_m[i]))
        for i in planned.lit
    }
    for name, screen in rig.plan.screens.items():
        centre = np.asarray(screen.position)
        if float(np.linalg.norm(place - centre)) < NEAREST_M:
            continue
        discs[name] = Disc(centre, unit(place - centre), screen.diameter / 2)
    ceiling = rig.plan.ceiling
    highest = {} if ceiling is None else {"highest_m": ceiling}
    return tuple(glasses_answer(name, wearer, disc, **highest) for name, disc in discs.items())


def _lens(planned: Planned) -> tuple[LensAnswer, ...]:
    own, rig = planned.metering.scene, planned.rig
    exposure = float(planned.rows.lux(planned.outputs)[EXPOSURE])
    return tuple(
        lens_answer(
            own.names[i],
            own.sources,
            i,
            float(planned.outputs[i]),
            camera=np.asarray(rig.camera.position),
            looks_at=np.asarray(planned.rows.point),
            view=rig.plan.view,
            exposure_lux=exposure,
        )
        for i in planned.lit
    )


def _wall(planned: Planned) -> WallAnswer | None:
    own, rig = planned.metering.scene, planned.rig
    if rig.plan.wall is None:
        return None
    point = wall_point(rig.camera.position, planned.rows.point, rig.plan.wall)
    if point is None:
        return None
    return wall_light(
        own.names, own.sources, planned.outputs, point, own.ambient[2], planned.target.exposure_lux
    )
