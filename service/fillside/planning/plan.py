"""The whole plan of a rig: what each mark allows, how the light looks there, and what to mind."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import FACE_FILL, FACE_KEY
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.planning.answer import PlanningAnswer
from fillside.planning.equipment.lamps import LampLabel, lamps_said
from fillside.planning.look.colour import ASSUMES as COLOUR_ASSUMES
from fillside.planning.look.colour import ColourAnswer, colour_answers, stated_ccts_k
from fillside.planning.look.mark import MarkPlan, Planned, Surely, mark_plan, solve_mark
from fillside.planning.look.setup import UmbrellaAnswer, umbrella_answers
from fillside.planning.safety.flicker import FlickerAnswer, flicker_answer
from fillside.planning.safety.power import PowerAnswer, power_answer
from fillside.rig.calibration import Calibration
from fillside.rig.checks.cautions import camera_advice, cautions
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig.tables.plan import Glasses

FloatArray = npt.NDArray[np.float64]


class PlanReport(PlanningAnswer):
    """The plan of a rig, mark by mark, and what holds for the rig as a whole.

    `unknown` says what could not be answered and which key of the rig file would change that.
    """

    rig: str
    marks: tuple[MarkPlan, ...]
    flicker: tuple[FlickerAnswer, ...]
    colour: tuple[ColourAnswer, ...]
    colour_assumes: str
    power: PowerAnswer
    umbrellas: tuple[UmbrellaAnswer, ...]
    lamps: tuple[LampLabel, ...]
    cautions: tuple[str, ...]
    camera: tuple[str, ...]
    unknown: tuple[str, ...]


def plan_rig(
    rig: Rig,
    calibration: Calibration | None = None,
    *,
    marks: Collection[str] | None = None,
    glasses: bool = False,
    wander: bool = True,
    surely: Surely | None = None,
) -> PlanReport:
    """The plan of a rig at all its marks, or at those named in `marks`.

    With `glasses` a wearer without stated spectacles is given a usual pair; without `wander` the maps, which
    take most of the time, are left out. `surely` says how sure the balance at each mark is. KeyError for a
    mark that the rig does not have.
    """
    if glasses and rig.plan.pose.glasses is None:
        worn = rig.plan.pose.model_copy(update={"glasses": Glasses()})
        rig = rig.model_copy(update={"plan": rig.plan.model_copy(update={"pose": worn})})
    solver, target = BalanceSolver(scene(rig, calibration)), target_from_rig(rig)
    chosen = tuple(rig.marks) if marks is None else tuple(marks)
    solved = {mark: solve_mark(solver, target, rig.marks[mark]).surely(surely) for mark in chosen}
    start = rig.subject.at or next(iter(rig.marks))
    first = solved[start if start in solved else chosen[0]]
    return PlanReport(
        rig=rig.rig.name,
        marks=tuple(mark_plan(mark, planned, wander=wander) for mark, planned in solved.items()),
        flicker=_flicker(first),
        colour=_colour(first),
        colour_assumes=COLOUR_ASSUMES,
        power=power_answer(rig),
        umbrellas=umbrella_answers(rig),
        lamps=lamps_said(rig.heads),
        cautions=tuple(cautions(rig)),
        camera=tuple(camera_advice(rig)),
        unknown=_unknown(rig),
    )


def _flicker(planned: Planned) -> tuple[FlickerAnswer, ...]:
    rig, own = planned.rig, planned.metering.scene
    exposure_s, mains = rig.camera.exposure_time_s, rig.plan.mains_hertz
    if exposure_s is None:
        return ()
    answers = []
    for i in planned.lit:
        told = rig.plan.ripple.get(own.names[i])
        hertz = told.hertz if told is not None and told.hertz is not None else None
        hertz = 2 * mains if hertz is None and mains is not None else hertz
        if hertz is None:
            continue
        answers.append(
            flicker_answer(
                own.names[i],
                hertz,
                None if told is None else told.percent,
                exposure_s,
                frames_per_s=rig.camera.fps,
                readout_s=rig.plan.readout_ms / 1000,
                duty=float(planned.outputs[i]) if told is not None and told.pulsed else None,
            )
        )
    return tuple(answers)


def _colour(planned: Planned) -> tuple[ColourAnswer, ...]:
    rig, own = planned.rig, planned.metering.scene
    ccts = stated_ccts_k(rig)
    keys = [own.names[i] for i in planned.lit if own.rules[i] == "key" and own.names[i] in ccts]
    if not keys:
        return ()
    on_face = (planned.rows.matrix[FACE_KEY] + planned.rows.matrix[FACE_FILL]) * planned.outputs
    total = float(on_face.sum())
    faces = [i for i in planned.lit if own.rules[i] in ("key", "fill")]
    shares = {own.names[i]: float(on_face[i]) / total for i in faces if total > 0}
    lit = {name: cct for name, cct in ccts.items() if name in {own.names[i] for i in planned.lit}}
    unlit = {name: screen.cct for name, screen in rig.plan.screens.items()}
    if rig.plan.ambient_cct is not None:
        unlit["the room"] = rig.plan.ambient_cct
    return colour_answers({**lit, **unlit}, keys[0], shares)


def _unknown(rig: Rig) -> tuple[str, ...]:
    plan = rig.plan
    told = []
    if rig.camera.exposure_time_s is None:
        told.append("flicker: the shutter is not stated (camera.shutter)")
    elif plan.mains_hertz is None and any(h.name not in plan.ripple for h in rig.heads):
        told.append(
            "flicker: the mains are not stated (plan.mains_hertz), nor every head's ripple (plan.ripple)"
        )
    if plan.mains_volts is None:
        told.append(
            "power: the mains are not stated (plan.mains_volts), so watts are not turned into amperes"
        )
    elif not plan.circuits:
        told.append("power: no circuits are stated (plan.circuits), so no breaker is compared")
    stated = stated_ccts_k(rig)
    silent = [head.name for head in rig.heads if head.name not in stated]
    if silent:
        told.append(f"colour: no colour temperature is stated for {', '.join(silent)} (lamp.cct)")
    if plan.wall is None:
        told.append("spill: no wall behind the subject is stated (plan.wall)")
    if plan.view is None:
        told.append("lens: what the camera takes in is not stated (plan.view)")
    if plan.pose.glasses is None:
        told.append("glasses: none are stated (plan.pose.glasses)")
    return tuple(told)
