"""A fit as curves and points that can be drawn: the dimmer, the fall-off with distance, the residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from fillside.calibration.estimate.fit import Fit
from fillside.calibration.estimate.model import Term
from fillside.calibration.estimate.uncertainty import Place, log2_slopes, own_term, propagated
from fillside.calibration.result.expanded_uncertainty import COVERAGE_FACTOR, expanded
from fillside.photometry.dimming import DimmingCurve, curve
from fillside.rig.calibration import Calibration, WeighedReading

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
    """What there is to draw of one head: output over level, lux at full over metres, residuals."""

    name: str
    dimmer: ChartCurve
    dimmed: tuple[Dot, ...]
    fall_off: ChartCurve
    fallen: tuple[Dot, ...]
    inverse_square: FloatArray
    residuals: tuple[Residual, ...]


def charts_of(fit: Fit, head: int) -> HeadCharts:
    """The curves, intervals and readings of one head."""
    model, mark = fit.model, fit.model.rig.first_mark
    full = _light(fit, [own_term(model, head, 1.0, mark)])
    dimmed = _light(fit, [own_term(model, head, float(level), mark) for level in _LEVELS])
    stops_sd = propagated(dimmed[1] - full[1], fit.covariance)
    distances, places = _line(fit, head)
    far = _light(fit, [own_term(model, head, 1.0, place) for place in places])
    at_mark = _distance(fit, head, mark)
    dots = _dots(fit, head)
    return HeadCharts(
        name=model.beliefs.names[head],
        dimmer=_never_falling(_curve(_LEVELS, dimmed[0] / full[0], stops_sd)),
        dimmed=tuple(dot[0] for dot in dots),
        fall_off=_curve(distances, far[0], propagated(far[1], fit.covariance)),
        fallen=tuple(dot[1] for dot in dots),
        inverse_square=full[0] * (at_mark / distances) ** 2,
        residuals=_residuals(fit, head),
    )


def _curve(at: FloatArray, value: FloatArray, sd_stops: FloatArray) -> ChartCurve:
    either_way = COVERAGE_FACTOR * sd_stops
    return ChartCurve(at, value, value * np.exp2(-either_way), value * np.exp2(either_way))


def _never_falling(curve: ChartCurve) -> ChartCurve:
    """The curve with its interval as narrow as it must be, since more level never gives less light."""
    high = np.minimum.accumulate(np.minimum(curve.high, 1.0)[::-1])[::-1]
    return ChartCurve(curve.at, curve.value, np.maximum.accumulate(curve.low), high)


def _light(fit: Fit, terms: list[Term]) -> tuple[FloatArray, FloatArray]:
    """Lux (m,) of one head's terms without ambient light, and slopes of its log2 (m, size)."""
    quantities = fit.model.quantities([([term], None) for term in terms])
    lux, slopes = fit.model.lux_and_slopes(fit.z, fit.shapes, quantities)
    return lux, log2_slopes(lux, slopes)


def _distance(fit: Fit, head: int, place: Place) -> float:
    return math.dist(place, fit.model.rig.heads[head].position)


def _line(fit: Fit, head: int) -> tuple[FloatArray, list[Place]]:
    """Distances [m] and places on the line from a head through the first mark and beyond."""
    start, mark = np.array(fit.model.rig.heads[head].position), np.array(fit.model.rig.first_mark)
    reach = float(np.linalg.norm(mark - start))
    distances = np.linspace(min(_NEAREST_M, reach), reach + _BEYOND_M, 60)
    points = start + np.outer(distances / max(reach, 1e-9), mark - start)
    return distances, [(float(x), float(y), float(z)) for x, y, z in points]


def _dots(fit: Fit, head: int) -> list[tuple[Dot, Dot]]:
    """Every reading of the head alone: as output at its level, and as lux at full at its distance."""
    name, found = fit.model.beliefs.names[head], []
    ambient = np.append(fit.model.ambient_lux(fit.z), 0.0)[fit.question.seen.quantities.ambient]
    for i, reading in enumerate(fit.readings):
        facing_it = reading.facing in ("head", name) or fit.model.rig.heads[head].rule == "background"
        if reading.heads != (name,) or not facing_it:
            continue
        full = _light(fit, [_as_read(fit, head, i, 1.0)])[0][0]
        here = _light(fit, [_as_read(fit, head, i, reading.levels[0])])[0][0]
        read = reading.lux(fit.model.rig.meter.constant_of(reading.receptor)) - float(ambient[i])
        output, left_out = max(read, 0.0) / float(full), not bool(fit.question.counts[i])
        at_full = output * float(full) * float(full) / max(float(here), 1e-9)
        far = _distance(fit, head, reading.at)
        found.append((Dot(i + 1, reading.levels[0], output, left_out), Dot(i + 1, far, at_full, left_out)))
    return found


def _as_read(fit: Fit, head: int, number: int, level: float) -> Term:
    reading = fit.readings[number]
    name = fit.model.beliefs.names[head]
    facing = name if reading.facing == "head" else reading.facing
    return Term(head, level, reading.at, facing, reading.receptor == "dome")


def _residuals(fit: Fit, head: int) -> tuple[Residual, ...]:
    name = fit.model.beliefs.names[head]
    off = fit.question.seen.stops - fit.point.expected
    return tuple(
        Residual(i + 1, float(off[i]), expanded(float(fit.question.sd[i])), not bool(fit.question.counts[i]))
        for i, reading in enumerate(fit.readings)
        if name in reading.heads
    )


class _Drawn(BaseModel):
    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class LearnedReading(_Drawn):
    """A reading on the curve: the level sent, and the output that the reading itself speaks for."""

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
    """What a calibration has learned about a head's dimming; None where it says nothing about that."""
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
    """A reading lies off the curve by its residual, in stops."""
    level = float(reading.levels[0])
    output = float(shape.output_from_level(level)) * 2.0 ** float(reading.residual_stops or 0.0)
    return LearnedReading(level=level, output=output, suspect=reading.suspect)
