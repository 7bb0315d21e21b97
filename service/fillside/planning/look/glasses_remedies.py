"""Remedies for a source mirrored in spectacles: raise it, carry it round, tilt the lenses, lower the chin."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from fillside.planning.figures import PlanningAnswer, degrees_text
from fillside.planning.look.glasses_reflection import Disc, Wearer, covered_share, margin_deg
from fillside.planning.look.pose import unit

FloatArray = npt.NDArray[np.float64]

WANTED_MARGIN_DEG = 3.0
"""Margin wanted between image and lens, since heads nod (common practice, no source)."""
HIGHEST_M, STEP_M = 4.0, 0.05
WIDEST_SHIFT_DEG, SHIFT_STEP_DEG = 90.0, 2.0
MOST_NOD_DEG, NOD_STEP_DEG = 30.0, 1.0

ASSUMES = (
    "front surface only, one sphere, edges of the lens as a rectangle; the back surface adds a second, "
    "weaker image in another place, and a coating makes both fainter but does not remove them"
)
MOST_TILT_DEG = 12.0
"""Largest lens tilt at which lifted temples still stay on (common practice, no source)."""


class GlassesRemedy(PlanningAnswer):
    """One way to clear the lens: the instruction, its amount, and the margin it leaves.

    `turned_deg` is the angle round the subject, above 0 to the camera's right, or the tilt of the lenses.
    """

    way: Literal["raise", "carry", "temples", "chin"]
    do: str
    amount: float
    unit: Literal["m", "deg", "mm"]
    turned_deg: float | None = None
    margin_deg: float


class GlassesAnswer(PlanningAnswer):
    """The effect of one source in the spectacles, and its remedies.

    `margin_deg` is the angle between image and lens, negative where the image is seen. `lowest_height_m` is
    the lowest place of the source's centre, straight above or below its present one and aimed as it is, that
    keeps the wanted margin from there up to the present height or higher; None where no height up to
    `highest_m` does.
    """

    source: str
    seen: bool
    margin_deg: float
    covered_percent: float
    wanted_margin_deg: float
    lowest_height_m: float | None
    highest_m: float
    cures: tuple[GlassesRemedy, ...]
    assumes: str = ASSUMES


Move = Callable[[float], tuple[Wearer, Disc]]


def _first_clear(moved: Move, amounts: Sequence[float], wanted_deg: float) -> tuple[float, float] | None:
    """Return the first rising amount with the wanted margin, refined by bisection, and its margin."""
    before: float | None = None
    for amount in amounts:
        if margin_deg(*moved(amount)) >= wanted_deg:
            least = amount if before is None else _halved(moved, before, amount, wanted_deg)
            return least, margin_deg(*moved(least))
        before = amount
    return None


def _halved(moved: Move, hides: float, clear: float, wanted_deg: float) -> float:
    for _ in range(7):
        middle = (hides + clear) / 2
        if margin_deg(*moved(middle)) >= wanted_deg:
            clear = middle
        else:
            hides = middle
    return clear


COINCIDE_M = 1e-6
"""Distance [m] below which a source has reached its own target and keeps its direction."""


def _aimed(disc: Disc, centre: FloatArray, target: FloatArray) -> Disc:
    away = target - centre
    if np.linalg.norm(away) < COINCIDE_M:
        return replace(disc, centre=centre)
    return replace(disc, centre=centre, axis=unit(away))


def _at_height(wearer: Wearer, disc: Disc) -> Callable[[float], tuple[Wearer, Disc]]:
    reach = float((np.asarray(wearer.place) - disc.centre) @ disc.axis)
    target = disc.centre + max(reach, 0.1) * disc.axis
    return lambda z: (wearer, _aimed(disc, np.array([*disc.centre[:2], z]), target))


def lowest_height_m(
    wearer: Wearer, disc: Disc, wanted_deg: float = WANTED_MARGIN_DEG, highest_m: float = HIGHEST_M
) -> float | None:
    """Return the lowest centre height [m] that keeps the wanted margin from there up; None if none does.

    Searches upward from the present height until the image is off the lens or, where it already is, downward
    until it comes back. The source keeps its place on the floor and stays aimed at the same point.
    `wanted_deg` is the margin [degrees] and `highest_m` the limit of the search [m].
    """
    moved = _at_height(wearer, disc)
    height = float(disc.centre[2])
    if margin_deg(wearer, disc) < wanted_deg:
        found = _first_clear(moved, list(np.arange(height, highest_m + STEP_M / 2, STEP_M)), wanted_deg)
        return None if found is None else found[0]
    clear = height
    while clear - STEP_M > 0:
        if margin_deg(*moved(clear - STEP_M)) < wanted_deg:
            return _halved(moved, clear - STEP_M, clear, wanted_deg)
        clear -= STEP_M
    return clear


def _round_subject(wearer: Wearer, disc: Disc, turn_deg: float) -> tuple[Wearer, Disc]:
    place = np.asarray(wearer.place)
    angle = math.radians(turn_deg)
    turn = np.array(
        [[math.cos(angle), -math.sin(angle), 0], [math.sin(angle), math.cos(angle), 0], [0, 0, 1.0]]
    )
    return wearer, Disc(place + turn @ (disc.centre - place), turn @ disc.axis, disc.radius_m)


def _turning(wearer: Wearer, disc: Disc, sign: float) -> Move:
    return lambda turn_deg: _round_subject(wearer, disc, sign * turn_deg)


def _side_shift(wearer: Wearer, disc: Disc, wanted_deg: float) -> GlassesRemedy | None:
    steps = list(np.arange(SHIFT_STEP_DEG, WIDEST_SHIFT_DEG + 0.1, SHIFT_STEP_DEG))
    found = []
    for sign in (1.0, -1.0):
        way = _first_clear(_turning(wearer, disc, sign), steps, wanted_deg)
        if way is not None:
            found.append((way[0], sign, way[1]))
    if not found:
        return None
    turn, sign, margin = min(found)
    moved = _round_subject(wearer, disc, sign * turn)[1].centre - disc.centre
    side = "right" if moved[0] >= 0 else "left"
    return GlassesRemedy(
        way="carry",
        turned_deg=turn if moved[0] >= 0 else -turn,
        do=f"carry it {degrees_text(turn)} round the subject, to the camera's {side}, at the same distance",
        amount=float(np.hypot(moved[0], moved[1])),
        unit="m",
        margin_deg=margin,
    )


def _wearer_cures(wearer: Wearer, disc: Disc, wanted_deg: float) -> list[GlassesRemedy]:
    steps = list(np.arange(NOD_STEP_DEG, MOST_NOD_DEG + 0.1, NOD_STEP_DEG))
    pose, form = wearer.pose, wearer.glasses

    def chin_down(by: float) -> tuple[Wearer, Disc]:
        return replace(wearer, pose=pose.model_copy(update={"pitch": pose.pitch - by})), disc

    def tilted(by: float) -> tuple[Wearer, Disc]:
        return replace(wearer, glasses=form.model_copy(update={"tilt": form.tilt + by})), disc

    chin, tilt = _first_clear(chin_down, steps, wanted_deg), _first_clear(tilted, steps, wanted_deg)
    cures = []
    if tilt is not None and tilt[0] <= MOST_TILT_DEG:
        lift_mm = form.temple_mm * math.sin(math.radians(tilt[0]))
        cures.append(
            GlassesRemedy(
                way="temples",
                turned_deg=tilt[0],
                do=f"raise the temples {lift_mm:.0f} mm off the ears: the lenses tilt "
                f"{degrees_text(tilt[0])}",
                amount=lift_mm,
                unit="mm",
                margin_deg=tilt[1],
            )
        )
    if chin is not None:
        cures.append(
            GlassesRemedy(
                way="chin",
                do=f"chin down by {degrees_text(chin[0])}",
                amount=chin[0],
                unit="deg",
                margin_deg=chin[1],
            )
        )
    return cures


def glasses_answer(
    source: str,
    wearer: Wearer,
    disc: Disc,
    wanted_deg: float = WANTED_MARGIN_DEG,
    highest_m: float = HIGHEST_M,
) -> GlassesAnswer:
    """Return the effect of one source in the wearer's spectacles, and every remedy that was found."""
    margin = margin_deg(wearer, disc)
    lowest = lowest_height_m(wearer, disc, wanted_deg, highest_m)
    cures: list[GlassesRemedy] = []
    if margin < wanted_deg:
        if lowest is not None:
            raised = lowest - float(disc.centre[2])
            at = margin_deg(*_at_height(wearer, disc)(lowest))
            cures.append(
                GlassesRemedy(
                    way="raise", do=f"raise it to {lowest:.2f} m", amount=raised, unit="m", margin_deg=at
                )
            )
        shift = _side_shift(wearer, disc, wanted_deg)
        cures += [] if shift is None else [shift]
        cures += _wearer_cures(wearer, disc, wanted_deg)
    return GlassesAnswer(
        source=source,
        seen=margin < 0,
        margin_deg=margin,
        covered_percent=100 * covered_share(wearer, disc),
        wanted_margin_deg=wanted_deg,
        lowest_height_m=lowest,
        highest_m=highest_m,
        cures=tuple(cures),
    )
