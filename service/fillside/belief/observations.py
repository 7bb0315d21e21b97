"""Evidence as numbers that a fit can weigh: stops, what is expected, and how readings may err together.

Old evidence errs more. Lamps drift, so what a reading says of a lamp now is off by a random walk since then
(a Wiener process: its variance grows with the time, and two readings of one age share what came later).
Daylight walks faster. A stand that was moved and a lamp that was changed are steps of the model, and readings
from before a step are of the studio without it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.belief.evidence import OWN_HEAD, Evidence, Reading, seconds_of
from fillside.belief.model import (
    CAMERA,
    LN2,
    PER_HEAD,
    Figures,
    HeadStep,
    Model,
    Quantities,
    Term,
    Wanted,
    moved,
)
from fillside.belief.priors import (
    AMBIENT_STATED_SD,
    INTENSITY,
    INTENSITY_SD_STOPS,
    LEAST_AMBIENT_LUX,
)
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

DARK_LUX = 0.3
"""Light is weighed as log2(lux + DARK_LUX): stops where there is light, and finite where there is none."""
HAND_SD_M = 0.023
"""Standard deviation of where the receptor was against where it was said to be, on each axis [m]; 4 cm in
space. What it is for this person and these marks, the readings tell in time."""
HAND_SDS_M = np.array([0.0, 0.01, 0.02, 0.03, 0.04, 0.06])
HAND_PROBABILITIES = np.array([0.30, 0.21, 0.21, 0.15, 0.09, 0.04])
MODEL_SD_STOPS, SKY_SD_STOPS = 0.02, 0.2
"""Errors of the model: what four numbers for a room and an even disc for a canopy leave out, from one place
to the next; and what they and one small window leave out of the light with all heads out."""
CHEEK_SD_STOPS, SKY_ON_CHEEK_SD_STOPS = 0.03, 0.3
"""The same on the sides of a face, which look between the lamps, where nobody meters: half in the penumbra of
lamps that are not the even discs they are taken for, and by a part of the sky that was not read."""
LAMP_DRIFT_STOPS, DAYLIGHT_DRIFT_STOPS = 0.15, 1.2
"""Standard deviations of the walks of a lamp and of daylight in a day; the walk of a lamp ends after
`DRIFT_DAYS`, since lamps age slowly and come back with the weather and the mains."""
DRIFT_DAYS, DAYLIGHT_DAYS = 10.0, 1.0
MEASURED_SD_M = 0.015
"""Standard uncertainty of a tape measure held from a place to a head."""
_DAY_S = 86_400.0
_RECTANGULAR = math.sqrt(12)
"""The width of a rectangular distribution over its standard deviation (JCGM 100, 4.3.7)."""


def stops(lux: FloatArray) -> FloatArray:
    """Lux on the scale readings are weighed on [stops]."""
    return np.asarray(np.log2(np.maximum(lux, 0.0) + DARK_LUX))


def stops_slopes(lux: FloatArray, slopes: FloatArray) -> FloatArray:
    """Slopes of lux (m, k) as slopes of `stops`."""
    return np.asarray(slopes / ((lux + DARK_LUX) * LN2)[:, None])


@dataclass(frozen=True)
class Observations:
    """Observed values (m): first the readings, then what the rig file states of the ambient light.

    Attributes:
        stops: the light on the scale of `stops` (m,).
        quantities: what it is of.
        meter_sd: uncertainty by meter and display [stops] (m,).
        days: ages (m,) at the time for which the studio is believed.
        readings: how many of them are readings.
        tapes: per tape measure the head, after which steps it was (k,), and how far it says the stand is from
            where the file puts it [m].
    """

    stops: FloatArray
    quantities: Quantities
    meter_sd: FloatArray
    days: FloatArray
    readings: int
    tapes: tuple[tuple[int, tuple[bool, ...], float], ...] = ()

    def __len__(self) -> int:
        return len(self.stops)


def wanted_of(reading: Reading, model: Model, after: tuple[bool, ...] | None = None) -> Wanted:
    """The quantity of a reading, after which steps; with facing "head" every head is faced in turn."""
    dome = reading.receptor == "dome"
    terms = tuple(
        Term(
            model.names.index(name),
            1.0 if model.rig.head(name).dimming.fixed else level,
            reading.at,
            name if reading.facing == OWN_HEAD else reading.facing,
            dome,
        )
        for name, level in zip(reading.heads, reading.levels, strict=True)
    )
    facing = reading.heads[0] if reading.facing == OWN_HEAD else reading.facing
    return Wanted(terms, reading.at, facing, dome, metered=True, after=after)


def observations(evidence: Evidence, model: Model, now_s: float | None = None) -> Observations:
    """Return the evidence by the rig's meter as it counts at a time [s]; None is that of the newest."""
    readings = evidence.readings
    shown, meter = meter_sd_of(readings, model)
    stated = list(_stated_ambient(model))
    now = evidence.newest_s if now_s is None else now_s
    read = [wanted_of(reading, model, _after(evidence, reading.time)) for reading in readings]
    days = [_days(reading.time, now) for reading in readings] + [math.inf] * len(stated)
    return Observations(
        stops=np.concatenate([shown, [own for _, own in stated]]),
        quantities=model.quantities([*read, *(one for one, _ in stated)]),
        meter_sd=np.concatenate([meter, np.full(len(stated), AMBIENT_STATED_SD / LN2)]),
        days=np.where(np.isfinite(days), days, 0.0),
        readings=len(readings),
        tapes=tuple(_tapes(evidence, model)),
    )


def meter_sd_of(readings: Sequence[Reading], model: Model) -> tuple[FloatArray, FloatArray]:
    """Readings on the scale of `stops` (m,), and the uncertainty by the rig's meter and its display [stops]
    (m,)."""
    meter = model.rig.meter
    lux = np.array([reading.lux(meter.constant_of(reading.receptor)) for reading in readings])
    half = (
        _RECTANGULAR
        / 2
        * np.array([reading.rounding_lux(float(value)) for reading, value in zip(readings, lux, strict=True)])
    )
    rounding = (stops(lux + half) - stops(lux - half)) / _RECTANGULAR
    share = lux / (lux + DARK_LUX)
    return stops(lux), np.maximum(np.hypot(meter.sigma * share, rounding), 1e-3)


def steps_of(evidence: Evidence, rig: Rig) -> tuple[HeadStep, ...]:
    """The steps of a model that the events are."""
    names = [head.name for head in rig.heads]
    return tuple(HeadStep(names.index(event.head), event.kind) for event in evidence.events)


def _after(evidence: Evidence, time: str | None) -> tuple[bool, ...]:
    """True for each event before a time; what does not say its time is as new as can be."""
    then = seconds_of(time)
    events = [seconds_of(event.time) for event in evidence.events]
    return tuple(then is None or (event is not None and event <= then) for event in events)


def _days(time: str | None, now: float | None) -> float:
    then = seconds_of(time)
    return 0.0 if then is None or now is None else max(now - then, 0.0) / _DAY_S


def _tapes(evidence: Evidence, model: Model) -> Iterator[tuple[int, tuple[bool, ...], float]]:
    for tape in evidence.tapes:
        head = model.names.index(tape.head)
        away = math.dist(model.rig.heads[head].position, tape.at)
        yield head, _after(evidence, tape.time), tape.distance_m - away


def _stated_ambient(model: Model) -> Iterator[tuple[Wanted, float]]:
    """The three numbers of the rig file as if they had been metered at the first mark, where it has any."""
    rig = model.rig
    stated = [rig.ambient.lux if own is None else own for own in rig.ambient.directions_given]
    for side, lux, given in zip(ambient_sides(rig), rig.ambient_toward, stated, strict=True):
        if given is None:
            continue
        yield side, float(stops(np.array(max(lux, LEAST_AMBIENT_LUX))))


def exposure_facing(rig: Rig) -> str:
    """The target of the receptor when exposure is metered: the first key head, or the camera."""
    key = next((head.name for head in rig.heads if head.rule == "key"), CAMERA)
    return key if rig.meter.facing == "key" else CAMERA


def ambient_sides(rig: Rig) -> tuple[Wanted, Wanted, Wanted]:
    """The light with all heads out toward key, fill and as exposure is metered, at the first mark."""
    mark = rig.first_mark
    key, fill = (
        next((head.name for head in rig.heads if head.rule == rule), CAMERA) for rule in ("key", "fill")
    )
    dome = rig.meter.receptor == "dome"
    return (
        Wanted((), mark, key),
        Wanted((), mark, fill),
        Wanted((), mark, exposure_facing(rig), dome),
    )


def hand_slopes(model: Model, there: Figures, quantities: Quantities) -> FloatArray:
    """The change of the quantities (m,) [stops] per metre that the receptor is off, over all directions."""
    step = 0.01
    changes = []
    for axis in np.eye(3):
        ahead, behind = (
            stops(model.lux(there, moved(quantities, sign * step * axis))) for sign in (1.0, -1.0)
        )
        changes.append((ahead - behind) / (2 * step))
    return np.asarray(np.sqrt(np.sum(np.square(changes), axis=0)))


def meter_sd_expected(sigma: float, lux: FloatArray) -> FloatArray:
    """The meter's own uncertainty [stops] of readings not yet taken, written in whole lux."""
    share = lux / (lux + DARK_LUX)
    return np.hypot(sigma * share, 1 / math.sqrt(12) / ((lux + DARK_LUX) * LN2))


def own_sd(meter_sd: FloatArray, hand: FloatArray, hand_sd_m: float, coarse: FloatArray) -> FloatArray:
    """Standard uncertainty of each reading alone [stops]: meter, hand through `hand` [stops/m], and what is
    left out of the model, `coarse`."""
    return np.asarray(np.sqrt(meter_sd**2 + (hand_sd_m * hand) ** 2 + coarse**2))


def model_sd(
    model: Model, there: Figures, wanted: Quantities, lux: FloatArray, cheeks: Sequence[int] = ()
) -> FloatArray:
    """The part that the model leaves out of quantities (m,) of so many lux (m,) [stops]: most of daylight,
    and more where they are of the `cheeks`."""
    share = model.ambient_lux(there, wanted) / np.maximum(lux, 1e-6)
    known, sky = np.full(len(lux), MODEL_SD_STOPS), np.full(len(lux), SKY_SD_STOPS)
    known[list(cheeks)], sky[list(cheeks)] = CHEEK_SD_STOPS, SKY_ON_CHEEK_SD_STOPS
    return np.asarray(np.hypot(known, sky * np.minimum(share, 1.0)))


def age_covariance(seen: Observations, model: Model, rows: FloatArray, ambient: FloatArray) -> FloatArray:
    """The covariance by age of what was seen (m, m) [stops^2], with slopes `rows` (m, size) of readings in
    the unknowns and the share (m,) of ambient light in them."""
    found = np.zeros((len(seen), len(seen)))
    if not seen.days.any():
        return found
    days = np.minimum(seen.days[:, None], seen.days[None, :])
    by_head = rows[:, : model.heads * PER_HEAD].reshape(len(seen), model.heads, PER_HEAD)
    for head in range(model.heads):
        lamp = by_head[:, head, INTENSITY] / INTENSITY_SD_STOPS
        found += np.outer(lamp, lamp) * LAMP_DRIFT_STOPS**2 * np.minimum(days, DRIFT_DAYS)
    return found + np.outer(ambient, ambient) * DAYLIGHT_DRIFT_STOPS**2 * np.minimum(days, DAYLIGHT_DAYS)
