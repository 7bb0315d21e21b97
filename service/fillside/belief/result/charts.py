"""A fit as curves and points that can be drawn: the dimmer, the fall-off with distance, the residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from fillside.belief.belief import Belief
from fillside.belief.forward.quantities import Point
from fillside.belief.observations import wanted_of
from fillside.belief.result.expanded_uncertainty import COVERAGE_FACTOR, expanded
from fillside.belief.result.intervals import light_of, own_term
from fillside.photometry.dimming import DimmingCurve, curve
from fillside.rig.calibration import Calibration, WeighedReading
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]

_NEAREST_M, _BEYOND_M = 0.4, 1.0
_LEVELS = np.linspace(0.02, 1.0, 99)


@dataclass(frozen=True)
class ChartCurve:
    """A curve with its expanded uncertainty, all (m,)."""

    at: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class Dot:
    """One reading of the head alone, as `value` at `at`; number as in the file."""

    number: int
    at: float
    value: float
    left_out: bool


@dataclass(frozen=True)
class Residual:
    """One reading over what was expected [stops], and the expanded uncertainty of a good one."""

    number: int
    stops: float
    half_width_stops: float
    left_out: bool


@dataclass(frozen=True)
class HeadCharts:
    """All that is drawn of one head: output over level, lux at full over metres, residuals."""

    name: str
    dimmer: ChartCurve
    dimmed: tuple[Dot, ...]
    fall_off: ChartCurve
    fallen: tuple[Dot, ...]
    inverse_square: FloatArray
    residuals: tuple[Residual, ...]


def charts_of(belief: Belief, head: int) -> HeadCharts:
    """The curves, intervals and readings of one head."""
    rig, mark = belief.rig, belief.rig.first_mark
    full = light_of(belief, [own_term(rig, head, 1.0, mark)])
    dimmed = light_of(belief, [own_term(rig, head, float(level), mark) for level in _LEVELS])
    distances, places = _line(rig, head)
    far = light_of(belief, [own_term(rig, head, 1.0, place) for place in places])
    dots = _dots(belief, head)
    return HeadCharts(
        name=belief.model.names[head],
        dimmer=_never_falling(_curve(_LEVELS, dimmed[0] / full[0], _sd(belief, dimmed[1] - full[1]))),
        dimmed=tuple(dot[0] for dot in dots),
        fall_off=_curve(distances, far[0], _sd(belief, far[1])),
        fallen=tuple(dot[1] for dot in dots),
        inverse_square=full[0] * (math.dist(mark, rig.heads[head].position) / distances) ** 2,
        residuals=_residuals(belief, head),
    )


def _sd(belief: Belief, slopes: FloatArray) -> FloatArray:
    return np.sqrt(belief.posterior.variance(slopes))


def _curve(at: FloatArray, value: FloatArray, sd_stops: FloatArray) -> ChartCurve:
    either_way = COVERAGE_FACTOR * sd_stops
    return ChartCurve(at, value, value * np.exp2(-either_way), value * np.exp2(either_way))


def _never_falling(curve: ChartCurve) -> ChartCurve:
    """The curve with its interval as narrow as it must be, since more level never gives less light."""
    high = np.minimum.accumulate(np.minimum(curve.high, 1.0)[::-1])[::-1]
    return ChartCurve(curve.at, curve.value, np.maximum.accumulate(curve.low), high)


def _line(rig: Rig, head: int) -> tuple[FloatArray, list[Point]]:
    """Distances [m] and places on the line from a head through the first mark and beyond."""
    start, mark = np.array(rig.heads[head].position), np.array(rig.first_mark)
    reach = float(np.linalg.norm(mark - start))
    distances = np.linspace(min(_NEAREST_M, reach), reach + _BEYOND_M, 60)
    points = start + np.outer(distances / max(reach, 1e-9), mark - start)
    return distances, [(float(x), float(y), float(z)) for x, y, z in points]


def _dots(belief: Belief, head: int) -> list[tuple[Dot, Dot]]:
    """Every reading of the head alone: as output at its level, and as lux at full at its distance."""
    rig, model, found = belief.rig, belief.model, []
    name = model.names[head]
    for i, reading in enumerate(belief.readings):
        facing_it = reading.facing in ("head", name) or rig.heads[head].rule == "background"
        if reading.heads != (name,) or not facing_it:
            continue
        seen = wanted_of(reading, model, sky=belief.sky)
        term = seen.terms[0]
        (full, here), _ = light_of(belief, [replace(term, level=1.0), term])
        ambient = model.lux(belief.figures, model.quantities([replace(seen, terms=(), metered=False)]))[0]
        read = reading.lux(rig.meter.constant_of(reading.receptor)) - float(ambient)
        output, left_out = max(read, 0.0) / float(full), bool(belief.wrong[i])
        at_full = output * float(full) * float(full) / max(float(here), 1e-9)
        far = math.dist(reading.at, rig.heads[head].position)
        found.append((Dot(i + 1, reading.levels[0], output, left_out), Dot(i + 1, far, at_full, left_out)))
    return found


def _residuals(belief: Belief, head: int) -> tuple[Residual, ...]:
    name = belief.model.names[head]
    return tuple(
        Residual(i + 1, float(belief.off_stops[i]), expanded(float(belief.sd[i])), bool(belief.wrong[i]))
        for i, reading in enumerate(belief.readings)
        if name in reading.heads
    )


class _Drawn(BaseModel):
    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class LearnedReading(_Drawn):
    """A reading beside the curve: the level sent, and the output by that reading alone."""

    level: float
    output: float
    suspect: bool


class LearnedCurve(_Drawn):
    """The curve of a head as pairs of level and output, 0..1, and the readings of that head alone."""

    head: str
    levels: tuple[float, ...]
    outputs: tuple[float, ...]
    readings: tuple[LearnedReading, ...]


def learned_curve(calibration: Calibration | None, head: str) -> LearnedCurve | None:
    """The dimming of a head that a calibration has learned; None where it says nothing about that."""
    known = None if calibration is None else calibration.heads.get(head)
    if known is None or known.curve is None:
        return None
    levels, outputs = tuple(known.curve.levels), tuple(known.curve.outputs)
    shape = curve((levels, outputs))
    alone = [reading for reading in known.readings if reading.heads == (head,)]
    return LearnedCurve(
        head=head, levels=levels, outputs=outputs, readings=tuple(_on(shape, reading) for reading in alone)
    )


def _on(shape: DimmingCurve, reading: WeighedReading) -> LearnedReading:
    """A reading off the curve by its residual."""
    level = float(reading.levels[0])
    output = float(shape.output_from_level(level)) * 2.0 ** float(reading.residual_stops or 0.0)
    return LearnedReading(level=level, output=output, suspect=reading.suspect)
