"""One mark planned: the balance solved there, and every answer about its light."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import OutputLimits
from fillside.balance.report import Report
from fillside.balance.rows import EXPOSURE, Metering, Rows
from fillside.balance.solution import BalanceSolver, Solution
from fillside.balance.target import BalanceTarget
from fillside.planning.figures import PlanningAnswer
from fillside.planning.look.catchlight import CatchLight, catch_light
from fillside.planning.look.face import FaceAnswer, face_answer
from fillside.planning.look.glasses_reflection import Disc, Wearer
from fillside.planning.look.glasses_remedies import GlassesAnswer, glasses_answer
from fillside.planning.look.lens import LensAnswer, lens_answer
from fillside.planning.look.pose import face_frame, unit
from fillside.planning.look.reach import HeadMargin, ReachAnswer, head_margins, reach_answer
from fillside.planning.look.softness import (
    OUT_OF_THE_WALL,
    SoftnessAnswer,
    WallAnswer,
    softness,
    wall_light,
    wall_point,
)
from fillside.planning.look.wander import WanderAnswer, wander_answer
from fillside.rig.tables.model import NEAREST_M, Head, Rig

FloatArray = npt.NDArray[np.float64]


AddUncertainty = Callable[[Report, BalanceTarget], Report]
"""Adds uncertainties to a report; planning knows light and balance, not readings."""
LOOKS_AHEAD = np.array([0.0, -1.0, 0.0])
"""Direction of a face that is at the point it looks at, as in the balance."""


class StandPosition(PlanningAnswer):
    """Position of a head as seen from the subject.

    `floor_m` is along the floor and `straight_m` from the face to the middle of the lit face. `side_deg` is
    the bearing from the line to the camera, above 0 to the camera's right, `up_deg` the elevation above the
    face, and `tilt_deg` the angle by which the head points down.
    """

    head: str
    floor_m: float
    straight_m: float
    height_m: float
    side_deg: float
    up_deg: float
    tilt_deg: float


def stand_position(rig: Rig, head: Head, point: Sequence[float]) -> StandPosition:
    """Return the position of a head relative to a subject at `point` [m]."""
    there, camera, aim = head.position, rig.camera.position, rig.aim_of(head)
    floor = math.dist(there[:2], point[:2])
    to_camera = math.atan2(camera[0] - point[0], point[1] - camera[1])
    to_head = math.atan2(there[0] - point[0], point[1] - there[1])
    return StandPosition(
        head=head.name,
        floor_m=floor,
        straight_m=math.dist(there, point),
        height_m=there[2],
        side_deg=math.degrees(math.remainder(to_head - to_camera, 2 * math.pi)),
        up_deg=math.degrees(math.atan2(there[2] - point[2], floor)),
        tilt_deg=math.degrees(math.atan2(there[2] - aim[2], math.dist(there[:2], aim[:2]))),
    )


class MarkPlan(PlanningAnswer):
    """Everything about one mark; `wall` is None if the rig file states no wall behind it."""

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
class MarkSolution:
    """One mark solved, the basis of every answer about it; `outputs` (heads,) 0..1."""

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
        """The point the face looks at [m]; toward the camera's side for a face at that point."""
        looks_at, place = self.metering.looks_at(), np.asarray(self.rows.point)
        met = float(np.linalg.norm(looks_at - place)) < 1e-9
        return place + LOOKS_AHEAD if met else looks_at

    def with_uncertainty(self, add_uncertainty: AddUncertainty | None) -> MarkSolution:
        """Return a copy with the uncertainties that `add_uncertainty` gives, or itself for None."""
        if add_uncertainty is None:
            return self
        return replace(self, report=add_uncertainty(self.report, self.target))

    @property
    def lit(self) -> list[int]:
        """The heads that light a subject or a background, without work lights."""
        return [int(i) for i in np.flatnonzero(self.outputs > 0)]


def solve_mark(
    solver: BalanceSolver, target: BalanceTarget, point: tuple[float, float, float]
) -> MarkSolution:
    """Solve the balance at one place [m], as the hold would."""
    solution = solver.solve(point, target)
    return MarkSolution(solver, solution, solution.report)


def mark_plan(mark: str, solution: MarkSolution, *, wander: bool) -> MarkPlan:
    """Return the answers about one mark.

    The map of `wander` takes most of the time and is left out without it.
    """
    scene, rig, rows = solution.metering.scene, solution.rig, solution.rows
    return MarkPlan(
        mark=mark,
        point=rows.point,
        balance=solution.report,
        reach=reach_answer(solution.metering, rows, solution.target, solution.limits, solution.outputs),
        margins=head_margins(scene.names, solution.limits, solution.outputs),
        standings=tuple(stand_position(rig, head, rows.point) for head in rig.heads),
        softness=tuple(
            softness(scene.names[i], scene.sources, i, rows.point)
            for i in solution.lit
            if scene.rules[i] != "background"
        ),
        face=face_answer(solution.metering, rows, solution.outputs, rig.plan.pose, solution.looks_at),
        catch_lights=_catch_lights(solution),
        glasses=_glasses(solution),
        lens=_lens(solution),
        wall=_wall(solution),
        wander=_wander(solution) if wander else None,
    )


def _wander(solution: MarkSolution) -> WanderAnswer:
    return wander_answer(
        solution.solver, solution.target, solution.rows.point, solution.outputs, solution.rig.plan.wander
    )


def _catch_lights(solution: MarkSolution) -> tuple[CatchLight, ...]:
    scene, pose = solution.metering.scene, solution.rig.plan.pose
    looks_at = solution.looks_at
    frame = face_frame(solution.rows.point, looks_at, pose.yaw, pose.pitch)
    return tuple(
        catch_light(
            scene.names[i],
            scene.sources.centre[i],
            scene.sources.axis[i],
            float(scene.sources.diameter_m[i]),
            frame=frame,
            gaze_at=looks_at,
            camera=np.asarray(solution.rig.camera.position),
            brow_deg=pose.brow,
        )
        for i in solution.lit
        if scene.rules[i] != "background"
    )


def _glasses(solution: MarkSolution) -> tuple[GlassesAnswer, ...]:
    rig, scene = solution.rig, solution.metering.scene
    form = rig.plan.pose.glasses
    if form is None:
        return ()
    x, y, z = (float(v) for v in solution.looks_at)
    wearer = Wearer(solution.rows.point, (x, y, z), rig.camera.position, rig.plan.pose, form)
    place = np.asarray(solution.rows.point)
    discs = {
        scene.names[i]: Disc(scene.sources.centre[i], scene.sources.axis[i], float(scene.sources.radius_m[i]))
        for i in solution.lit
    }
    for name, screen in rig.plan.screens.items():
        centre = np.asarray(screen.position)
        if float(np.linalg.norm(place - centre)) < NEAREST_M:
            continue
        discs[name] = Disc(centre, unit(place - centre), screen.diameter / 2)
    ceiling = rig.plan.ceiling
    highest = {} if ceiling is None else {"highest_m": ceiling}
    return tuple(glasses_answer(name, wearer, disc, **highest) for name, disc in discs.items())


def _lens(solution: MarkSolution) -> tuple[LensAnswer, ...]:
    scene, rig = solution.metering.scene, solution.rig
    exposure = float(solution.rows.lux(solution.outputs)[EXPOSURE])
    return tuple(
        lens_answer(
            scene.names[i],
            scene.sources,
            i,
            float(solution.outputs[i]),
            camera=np.asarray(rig.camera.position),
            looks_at=np.asarray(solution.rows.point),
            view=rig.plan.view,
            exposure_lux=exposure,
        )
        for i in solution.lit
    )


def _wall(solution: MarkSolution) -> WallAnswer | None:
    scene, rig = solution.metering.scene, solution.rig
    if rig.plan.wall is None:
        return None
    point = wall_point(rig.camera.position, solution.rows.point, rig.plan.wall)
    if point is None:
        return None
    ambient = float(scene.ambient_light.on([OUT_OF_THE_WALL], [False])[0])
    return wall_light(
        scene.names, scene.sources, solution.outputs, point, ambient, solution.target.exposure_lux
    )
