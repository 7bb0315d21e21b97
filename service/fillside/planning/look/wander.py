"""Balance errors over the set as the subject wanders, with fixed levels and with levels that follow."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fillside.balance.measure import MeteredBalance, measure
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import BalanceTarget
from fillside.planning.figures import PlanningAnswer
from fillside.rig.scene.scene import subject_place_error

FloatArray = npt.NDArray[np.float64]

ACROSS = 9
"""Places in each direction of the map."""

ASSUMES = (
    "the head at one height and turned to where the face looks; what is told beside it is for that circle"
)


class LightErrors(PlanningAnswer):
    """Errors and face ratio at one place, under one way of setting the levels."""

    ratio_error_stops: float | None
    exposure_error_stops: float | None
    face_ratio: float | None


class WanderPlace(PlanningAnswer):
    """One place of the map [m]; the errors are None where no subject can be, such as inside a lamp."""

    x_m: float
    y_m: float
    alone: LightErrors | None
    followed: LightErrors | None


class LargestErrors(PlanningAnswer):
    """The largest errors within the circle, in stops without sign, and the range of the face's ratio."""

    ratio_error_stops: float
    exposure_error_stops: float
    face_least: float | None
    face_most: float | None


class WanderAnswer(PlanningAnswer):
    """A square map about a mark, row by row from the camera's side.

    `alone` and `followed` have the largest errors within the radius.
    """

    radius_m: float
    places: tuple[WanderPlace, ...]
    across: int
    alone: LargestErrors
    followed: LargestErrors
    assumes: str = ASSUMES


def wander_answer(
    solver: BalanceSolver,
    target: BalanceTarget,
    centre: tuple[float, float, float],
    outputs: FloatArray,
    radius_m: float,
    across: int = ACROSS,
) -> WanderAnswer:
    """Return the map about a place [m]: with fixed `outputs` (heads,), and solved anew everywhere.

    `radius_m` is the radius of the circle [m] and `across` the number of places in each direction.
    """
    x, y, z = centre
    steps = np.linspace(-radius_m, radius_m, across)
    places = tuple(
        _place(solver, target, (x + float(dx), y + float(dy), z), outputs) for dy in steps for dx in steps
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
    solver: BalanceSolver, target: BalanceTarget, point: tuple[float, float, float], outputs: FloatArray
) -> WanderPlace:
    if subject_place_error(solver.scene.rig, point) is not None:
        return WanderPlace(x_m=point[0], y_m=point[1], alone=None, followed=None)
    solution = solver.solve(point, target)
    metering, rows = solution.metering, solution.rows
    return WanderPlace(
        x_m=point[0],
        y_m=point[1],
        alone=light_errors(target, measure(metering, rows, target, outputs)),
        followed=light_errors(target, measure(metering, rows, target, solution.subject_outputs)),
    )


def light_errors(target: BalanceTarget, now: MeteredBalance) -> LightErrors:
    """Return the errors of a metered balance against the target."""
    return LightErrors(
        ratio_error_stops=None if now.ratio_stops is None else now.ratio_stops - math.log2(target.quotient),
        exposure_error_stops=math.log2(now.exposure_lux / target.exposure_lux)
        if now.exposure_lux > 0
        else None,
        face_ratio=now.face_ratio,
    )


def _worst(there: list[LightErrors | None]) -> LargestErrors:
    known = [one for one in there if one is not None]
    faces = [one.face_ratio for one in known if one.face_ratio is not None]
    return LargestErrors(
        ratio_error_stops=max((abs(one.ratio_error_stops or 0.0) for one in known), default=0.0),
        exposure_error_stops=max((abs(one.exposure_error_stops or 0.0) for one in known), default=0.0),
        face_least=min(faces, default=None),
        face_most=max(faces, default=None),
    )
