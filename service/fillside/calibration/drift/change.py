"""What a repeated reading says: as calibrated, a lamp that gives more or less, or a stand that was bumped.

A changed lamp changes every reading of the head by the same number of stops; a stand that was moved changes
near readings more than far ones. Each story is given its probability from how well it explains the readings
(normal errors; what the calibration itself is unsure of counts as shared error, JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fillside.belief.belief import Belief
from fillside.belief.evidence import Reading
from fillside.belief.model import Quantities
from fillside.belief.observations import (
    hand_slopes,
    meter_sd_of,
    model_sd,
    own_sd,
    stops,
    stops_slopes,
    wanted_of,
)
from fillside.belief.paths import unit
from fillside.belief.result.restoring import known_belief
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]

Story = Literal["as calibrated", "lamp", "stand", "lamp or stand"]

LAMP_STOPS, STAND_M = 0.6, 0.2
"""How far lamps and stands are off when they are, as standard deviations."""
CHANGED_PROBABILITY = 0.1
CONVINCED = 0.8
"""Probability from which one story is told and not two."""
_TWO_DISTANCES = 1.15
_STEP_M = 0.01


@dataclass(frozen=True)
class HeadChange:
    """What became of a head since it was calibrated.

    `lamp_stops` is how much more it gives if the lamp changed, `moved_m` how much farther away it stands if
    the stand moved, each with its standard uncertainty; `probability` is that of the story told.
    """

    story: Story
    probability: float
    off_stops: float
    lamp_stops: float
    lamp_sigma_stops: float
    moved_m: float
    moved_sigma_m: float


def change_of(readings: Sequence[Reading], belief: Belief) -> HeadChange:
    """The most probable story behind new readings of one head alone; lamp and stand need two distances.

    Raises ValueError unless every reading is of the same one head, at least one reading.
    """
    heads = {reading.heads for reading in readings}
    if len(heads) != 1 or len(next(iter(heads))) != 1:
        raise ValueError("a change is judged from readings of one head alone")
    off, sure = _off(readings, belief)
    weight = np.asarray(np.linalg.inv(sure))
    stories = {
        "lamp": _Story(_per_stop(readings, belief), LAMP_STOPS),
        "stand": _Story(_per_metre(readings, belief), STAND_M),
    }
    scores = {"as calibrated": _score(off, sure) + math.log(1 - CHANGED_PROBABILITY)}
    for name, story in stories.items():
        spread = sure + story.spread**2 * np.outer(story.slopes, story.slopes)
        scores[name] = _score(off, spread) + math.log(CHANGED_PROBABILITY / 2)
    (lamp, lamp_sd), (moved, moved_sd) = (story.size(off, weight) for story in stories.values())
    likeliest, probability = _likeliest(scores, _tells_apart(stories["lamp"].slopes, stories["stand"].slopes))
    mean = float(np.sum(weight @ off) / np.sum(weight))
    return HeadChange(likeliest, probability, mean, lamp, lamp_sd, moved, moved_sd)


@dataclass(frozen=True)
class _Story:
    """One number behind all readings: their slopes in it, and how large it is wont to be."""

    slopes: FloatArray
    spread: float

    def size(self, off: FloatArray, weight: FloatArray) -> tuple[float, float]:
        information = float(self.slopes @ weight @ self.slopes) + self.spread**-2
        return float(self.slopes @ weight @ off) / information, information**-0.5


def _tells_apart(per_stop: FloatArray, per_metre: FloatArray) -> bool:
    """Whether lamp and stand would show differently in the readings: those are at two distances."""
    ratio = np.abs(per_metre) / np.maximum(np.abs(per_stop), 1e-9)
    return bool(ratio.max() > _TWO_DISTANCES * ratio.min())


def _likeliest(scores: dict[str, float], apart: bool) -> tuple[Story, float]:
    top = max(scores.values())
    shares = {name: math.exp(score - top) for name, score in scores.items()}
    total = sum(shares.values())
    probability = {name: share / total for name, share in shares.items()}
    stories: tuple[Story, Story, Story] = ("as calibrated", "lamp", "stand")
    best = max(stories, key=lambda name: probability[name])
    changed = probability["lamp"] + probability["stand"]
    if best != "as calibrated" and (not apart or probability[best] < CONVINCED * changed):
        return "lamp or stand", changed
    return best, probability[best]


def _score(off: FloatArray, spread: FloatArray) -> float:
    """Logarithm of the normal density of `off` with covariance `spread`, but for a constant."""
    _, size = np.linalg.slogdet(spread)
    return float(-0.5 * (off @ np.linalg.solve(spread, off) + size))


def _quantities(readings: Sequence[Reading], belief: Belief) -> Quantities:
    return belief.model.quantities([wanted_of(reading, belief.model) for reading in readings])


def _off(readings: Sequence[Reading], belief: Belief) -> tuple[FloatArray, FloatArray]:
    """Readings over what is believed [stops] (m,), and the covariance of that (m, m)."""
    model, there, wanted = belief.model, belief.figures, _quantities(readings, belief)
    read, meter = meter_sd_of(readings, model)
    lux, slopes = model.lux_and_slopes(there, wanted)
    rows = stops_slopes(lux, slopes)
    hand, coarse = hand_slopes(model, there, wanted), model_sd(model, there, wanted, lux)
    own = own_sd(meter, hand, belief.hand_sd_m, coarse) ** 2
    return read - stops(lux), belief.posterior.covariance(rows, rows) + np.diag(own)


def _per_stop(readings: Sequence[Reading], belief: Belief) -> FloatArray:
    """Slopes (m,) of the readings in stops of the lamp: 1, less where ambient light is part of them."""
    wanted = _quantities(readings, belief)
    lux = belief.model.lux(belief.figures, wanted)
    ambient = belief.model.ambient_lux(belief.figures, wanted)
    brighter = 2.0 * (lux - ambient) + ambient
    return np.asarray(stops(brighter) - stops(lux))


def _per_metre(readings: Sequence[Reading], belief: Belief) -> FloatArray:
    """Slopes (m,) of the readings [stops/m] in how far the head was moved away from where they are taken."""
    wanted, model, there = _quantities(readings, belief), belief.model, belief.figures
    paths = wanted.paths
    away = unit(paths.place - model.prior.sources.position[paths.head])
    moved = replace(paths, place=paths.place + _STEP_M * away)
    before, after = (stops(model.lux(there, one)) for one in (wanted, replace(wanted, paths=moved)))
    return np.asarray((after - before) / _STEP_M)


def slow_correction(
    corrected_stops: float, drift_stops: float, elapsed_s: float, *, per_hour: float = 0.2, most: float = 0.5
) -> float:
    """The correction [stops] to use after `elapsed_s`, on the way from the present one to undoing a drift.

    A head that gives `drift_stops` more than calibrated is corrected by as much less, at most `per_hour`
    stops an hour and never by more than `most` stops.

    >>> slow_correction(0.0, -0.3, 1800.0)
    0.1
    """
    wanted = min(max(-drift_stops, -most), most)
    step = per_hour * max(elapsed_s, 0.0) / 3600
    return min(max(wanted, corrected_stops - step), corrected_stops + step)


def change_since(rig: Rig, calibration: Calibration | None, readings: Sequence[Reading]) -> HeadChange:
    """What became of a head since it was calibrated, from new readings of it alone."""
    return change_of(readings, known_belief(rig, calibration))
