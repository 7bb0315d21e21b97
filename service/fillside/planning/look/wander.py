"""What happens over the set when the subject wanders: levels left alone, and levels that follow."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fillside.balance.measure import MeteredBalance, measure
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import BalanceTarget
from fillside.planning.answer import PlanningAnswer
from fillside.rig.scene.subject_limits import why_not_there

FloatArray = npt.NDArray[np.float64]

ACROSS = 9
"""Places looked at across the map, each way."""

ASSUMES = (
    "the head at one height and turned to where the face looks; what is told beside it is for that circle"
)


class LightAtPlace(PlanningAnswer):
    """Errors and face at one place, under one way of setting the levels."""

    ratio_error_stops: float | None
    exposure_error_stops: float | None
    face_ratio: float | None


class WanderPlace(PlanningAnswer):
    """One place of the map [m]; both None where no subject can be, as inside a lamp."""

    x_m: float
    y_m: float
    alone: LightAtPlace | None
    followed: LightAtPlace | None


class Worst(PlanningAnswer):
    """The largest errors within the circle, in stops without sign, and the range of the face's ratio."""

    ratio_error_stops: float
    exposure_error_stops: float
    face_least: float | None
    face_most: float | None


class WanderAnswer(PlanningAnswer):
    """A square map about a mark, row by row from the camera's side; the worst is taken within the radius."""

    radius_m: float
    places: tuple[WanderPlace, ...]
    across: int
    alone: Worst
    followed: Worst
    assumes: str = ASSUMES


def wander_answer(
    solver: BalanceSolver,
    wish: BalanceTarget,
    centre: tuple[float, float, float],
    outputs: FloatArray,
    radius_m: float,
    across: int = ACROSS,
) -> WanderAnswer:
    """The map about a place [m]: levels left at `outputs` (heads,), and solved anew everywhere."""
    x, y, z = centre
    steps = np.linspace(-radius_m, radius_m, across)
    places = tuple(
        _place(solver, wish, (x + float(dx), y + float(dy), z), outputs) for dy in steps for dx in steps
    )
    inside = [p for p in places if math.dist((p.x_m, p.y_m), (x, y)) <= radius_m + 1e-9]
    return WanderAnswer(
        radius_m=radius_m,
        places=places,
        across=across,
        alone=_worst([p.alone for p in inside]),
        followed=_worst([p.followed for p in inside]),
    )


def _place(
    solver: BalanceSolver, wish: BalanceTarget, point: tuple[float, float, float], outputs: FloatArray
) -> WanderPlace:
    if why_not_there(solver.scene.rig, point) is not None:
        return WanderPlace(x_m=point[0], y_m=point[1], alone=None, followed=None)
    solution = solver.solve(point, wish)
    metering, rows = solution.metering, solution.rows
    return WanderPlace(
        x_m=point[0],
        y_m=point[1],
        alone=held(wish, measure(metering, rows, wish, outputs)),
        followed=held(wish, measure(metering, rows, wish, solution.subject_outputs)),
    )


def held(wish: BalanceTarget, now: MeteredBalance) -> LightAtPlace:
    """How far what is measured is from the wish."""
    return LightAtPlace(
        ratio_error_stops=None if now.ratio_stops is None else now.ratio_stops - math.log2(wish.quotient),
        exposure_error_stops=math.log2(now.exposure_lux / wish.exposure_lux)
        if now.exposure_lux > 0
        else None,
        face_ratio=now.face_ratio,
    )


def _worst(there: list[LightAtPlace | None]) -> Worst:
    known = [one for one in there if one is not None]
    faces = [one.face_ratio for one in known if one.face_ratio is not None]
    return Worst(
        ratio_error_stops=max((abs(one.ratio_error_stops or 0.0) for one in known), default=0.0),
        exposure_error_stops=max((abs(one.exposure_error_stops or 0.0) for one in known), default=0.0),
        face_least=min(faces, default=None),
        face_most=max(faces, default=None),
    )
