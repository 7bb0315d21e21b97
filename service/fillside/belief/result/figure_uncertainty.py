"""Standard uncertainties of single figures of a believed studio, by which they are told with fewer digits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.belief.belief import Belief
from fillside.belief.forward.model import LN2
from fillside.belief.forward.paths import unit
from fillside.belief.forward.priors import (
    AMBIENT,
    AMBIENT_DIRECTION_SD,
    AMBIENT_X,
    FIGURES,
    INTENSITY,
    INTENSITY_SD_STOPS,
    ROOM,
    WINDOW_AWAY,
    WINDOW_AWAY_SD,
    WINDOW_GROWTH,
    WINDOW_LUX,
    WINDOW_X,
)
from fillside.belief.forward.quantities import Term, Wanted

FloatArray = NDArray[np.float64]


def intensity_sd_stops(belief: Belief, head: int) -> float:
    """The uncertainty of a head's intensity [stops]."""
    return _sd(belief, _intensity_row(belief, head))


def room_sd_stops(belief: Belief, head: int) -> float:
    """The uncertainty of the mean of a head's room light [stops]."""
    row = _intensity_row(belief, head)
    row[belief.model.head_block(head).start + ROOM] = belief.model.prior.log_room[1][head] / LN2
    return _sd(belief, row)


def output_sd_stops(belief: Belief, head: int, levels: FloatArray) -> FloatArray:
    """The uncertainty of a head's output (m,) at levels (m,) above 0 [stops]."""
    rows = np.zeros((len(levels), belief.model.size))
    start = belief.model.head_block(head).start + FIGURES
    slopes = belief.figures.dimmers.log2_and_slopes(np.full(len(levels), head), levels)[1]
    rows[:, start : start + slopes.shape[1]] = slopes
    return np.sqrt(belief.posterior.variance(rows))


def direct_lux(belief: Belief, head: int) -> float:
    """The direct light of a head at full on a flat receptor at the first mark that faces it [lx]."""
    model, mark = belief.model, belief.rig.first_mark
    wanted = model.quantities([Wanted((Term(head, 1.0, mark, model.names[head]),), mark)])
    return float(belief.figures.intensity_cd[head] * model.direct(belief.figures, wanted.paths).lux[0])


@dataclass(frozen=True)
class AmbientUncertainty:
    """The uncertainty of the light with all heads out.

    Attributes:
        mean_stops: uncertainty of its mean [stops].
        lean: length of its vector over its mean, 0..2, and the uncertainty of that.
        window_lux: uncertainty of a window's light at the first mark [lx].
        window_away: uncertainty of the logarithm of its distance.
    """

    mean_stops: float
    lean: tuple[float, float]
    window_lux: float
    window_away: float


def ambient_uncertainty(belief: Belief) -> AmbientUncertainty:
    """The uncertainty of the light with all heads out."""
    model, there = belief.model, belief.figures
    mean, lean, window, away = (np.zeros(model.size) for _ in range(4))
    mean[model.index_of_shared(AMBIENT)] = model.prior.ambient_lux[1] / LN2
    along = unit(there.ambient_lean)
    place = model.index_of_shared(AMBIENT_X)
    lean[place : place + 3] = 2 * AMBIENT_DIRECTION_SD * along @ there.ambient_turn
    place = model.index_of_shared(WINDOW_X)
    growth = WINDOW_LUX * WINDOW_GROWTH * np.cosh(WINDOW_GROWTH * belief.z[place : place + 3])
    window[place : place + 3] = unit(np.array(there.window.toward_lux)) * growth
    away[model.index_of_shared(WINDOW_AWAY)] = WINDOW_AWAY_SD
    return AmbientUncertainty(
        mean_stops=_sd(belief, mean),
        lean=(2 * float(np.linalg.norm(there.ambient_lean)), _sd(belief, lean)),
        window_lux=_sd(belief, window),
        window_away=_sd(belief, away),
    )


def steps_believed(belief: Belief) -> list[tuple[float, float]]:
    """The effect of each event with its uncertainty: how far the stand went away from the first mark [m], or
    how much more the lamp gives [stops]."""
    found = []
    for number, step in enumerate(belief.model.steps):
        place = belief.model.index_of_step(number)
        row = np.zeros(belief.model.size)
        row[place] = step.size
        found.append((float(row[place] * belief.z[place]), _sd(belief, row)))
    return found


def tapes_off_m(belief: Belief) -> list[float]:
    """Distances of heads by tape over what is believed [m]."""
    seen = len(belief.problem.seen)
    off = belief.problem.values[seen:] - belief.point.expected[seen:]
    return [float(metres) for metres in off]


def _intensity_row(belief: Belief, head: int) -> FloatArray:
    """Slopes (size,) of a head's log2 intensity."""
    model, row = belief.model, np.zeros(belief.model.size)
    row[model.head_block(head).start + INTENSITY] = INTENSITY_SD_STOPS
    row[model.index_of_step(0) :] = model.by_step("changed")[head]
    return row


def _sd(belief: Belief, row: FloatArray) -> float:
    return math.sqrt(float(belief.posterior.variance(row[None, :])[0]))
