"""The complete plan of a rig: the reach of every mark, the look of its light, and the cautions."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import FACE_FILL, FACE_KEY
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.planning.equipment.lamps import LampLabel, lamp_labels
from fillside.planning.equipment.modifiers import UmbrellaAnswer, umbrella_answers
from fillside.planning.figures import PlanningAnswer
from fillside.planning.look.colour import ASSUMES as COLOUR_ASSUMES
from fillside.planning.look.colour import ColourAnswer, colour_answers, stated_ccts_k
from fillside.planning.look.mark import AddUncertainty, MarkPlan, MarkSolution, mark_plan, solve_mark
from fillside.planning.safety.flicker import FlickerAnswer, flicker_answer
from fillside.planning.safety.power import PowerAnswer, power_answer
from fillside.rig.calibration import Calibration
from fillside.rig.checks.cautions import camera_advice, caution_texts
from fillside.rig.notation import RoomLightKnown
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig.tables.plan import Glasses

FloatArray = npt.NDArray[np.float64]


class PlanReport(PlanningAnswer):
    """The plan of a rig, mark by mark, and the answers that concern the whole rig.

    `unknown` lists the questions that could not be answered, each with the key of the rig file that would
    answer it.
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
    room_light: RoomLightKnown


def plan_rig(
    rig: Rig,
    calibration: Calibration | None = None,
    *,
    marks: Collection[str] | None = None,
    glasses: bool = False,
    wander: bool = True,
    add_uncertainty: AddUncertainty | None = None,
) -> PlanReport:
    """Plan a rig at all its marks, or at those named in `marks`.

    With `glasses`, a wearer without stated spectacles gets a typical pair. The maps of `wander` take most of
    the time and are left out without it. `add_uncertainty` adds the uncertainty of each mark's balance.
    Raises KeyError for a mark that the rig does not have.
    """
    if glasses and rig.plan.pose.glasses is None:
        worn = rig.plan.pose.model_copy(update={"glasses": Glasses()})
        rig = rig.model_copy(update={"plan": rig.plan.model_copy(update={"pose": worn})})
    solver, target = BalanceSolver(scene(rig, calibration)), target_from_rig(rig)
    chosen = tuple(rig.marks) if marks is None else tuple(marks)
    solved = {
        mark: solve_mark(solver, target, rig.marks[mark]).with_uncertainty(add_uncertainty) for mark in chosen
    }
    start = rig.subject.at or next(iter(rig.marks))
    first = solved[start if start in solved else chosen[0]]
    return PlanReport(
        rig=rig.rig.name,
        marks=tuple(mark_plan(mark, solution, wander=wander) for mark, solution in solved.items()),
        flicker=_flicker(first),
        colour=_colour(first),
        colour_assumes=COLOUR_ASSUMES,
        power=power_answer(rig),
        umbrellas=umbrella_answers(rig),
        lamps=lamp_labels(rig.heads),
        cautions=tuple(caution_texts(rig)),
        camera=tuple(camera_advice(rig)),
        unknown=_unknown(rig, solver.scene.room_light),
        room_light=solver.scene.room_light,
    )


def _flicker(solution: MarkSolution) -> tuple[FlickerAnswer, ...]:
    rig, own = solution.rig, solution.metering.scene
    exposure_s, mains = rig.camera.exposure_time_s, rig.plan.mains_hertz
    if exposure_s is None:
        return ()
    answers = []
    for i in solution.lit:
        ripple = rig.plan.ripple.get(own.names[i])
        hertz = ripple.hertz if ripple is not None and ripple.hertz is not None else None
        hertz = 2 * mains if hertz is None and mains is not None else hertz
        if hertz is None:
            continue
        answers.append(
            flicker_answer(
                own.names[i],
                hertz,
                None if ripple is None else ripple.percent,
                exposure_s,
                frames_per_s=rig.camera.fps,
                readout_s=rig.plan.readout_ms / 1000,
                duty=float(solution.outputs[i]) if ripple is not None and ripple.pulsed else None,
            )
        )
    return tuple(answers)


def _colour(solution: MarkSolution) -> tuple[ColourAnswer, ...]:
    rig, own = solution.rig, solution.metering.scene
    ccts = stated_ccts_k(rig)
    keys = [own.names[i] for i in solution.lit if own.rules[i] == "key" and own.names[i] in ccts]
    if not keys:
        return ()
    on_face = (solution.rows.matrix[FACE_KEY] + solution.rows.matrix[FACE_FILL]) * solution.outputs
    total = float(on_face.sum())
    faces = [i for i in solution.lit if own.rules[i] in ("key", "fill")]
    shares = {own.names[i]: float(on_face[i]) / total for i in faces if total > 0}
    lit = {name: cct for name, cct in ccts.items() if name in {own.names[i] for i in solution.lit}}
    unlit = {name: screen.cct for name, screen in rig.plan.screens.items()}
    if rig.plan.ambient_cct is not None:
        unlit["the room"] = rig.plan.ambient_cct
    return colour_answers({**lit, **unlit}, keys[0], shares)


def _unknown(rig: Rig, room_light: RoomLightKnown) -> tuple[str, ...]:
    plan = rig.plan
    unknown = []
    if room_light == "not known":
        unknown.append(
            "the room's light: no room, bounce, ambient or reading tells of it, and numbers are of direct "
            "light alone (room.size)"
        )
    if rig.camera.exposure_time_s is None:
        unknown.append("flicker: the shutter is not stated (camera.shutter)")
    elif plan.mains_hertz is None and any(h.name not in plan.ripple for h in rig.heads):
        unknown.append(
            "flicker: the mains are not stated (plan.mains_hertz), nor every head's ripple (plan.ripple)"
        )
    if plan.mains_volts is None:
        unknown.append(
            "power: the mains are not stated (plan.mains_volts), so watts are not turned into amperes"
        )
    elif not plan.circuits:
        unknown.append("power: no circuits are stated (plan.circuits), so no breaker is compared")
    stated = stated_ccts_k(rig)
    silent = [head.name for head in rig.heads if head.name not in stated]
    if silent:
        unknown.append(f"colour: no colour temperature is stated for {', '.join(silent)} (lamp.cct)")
    if plan.wall is None:
        unknown.append("spill: no wall behind the subject is stated (plan.wall)")
    if plan.view is None:
        unknown.append("lens: what the camera takes in is not stated (plan.view)")
    if plan.pose.glasses is None:
        unknown.append("glasses: none are stated (plan.pose.glasses)")
    return tuple(unknown)
