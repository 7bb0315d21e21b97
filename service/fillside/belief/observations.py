"""Evidence as numbers that a fit can weigh: stops, what is expected, and how readings may err together.

Old evidence errs more. Lamps drift, so what a reading says of a lamp now is off by a random walk since then
(a Wiener process: its variance grows with the time, and two readings of one age share what came later).
Daylight walks faster: by days, or where a sensor told of it, by how far apart the skies are, since that does
not see all that the subject sees. A stand that was moved and a lamp that was changed are steps of the model,
and readings from before a step are of the studio without it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fillside.belief.daylight import Sky, sky_of, told_lux
from fillside.belief.evidence import CAMERA, OWN_HEAD, Evidence, Reading, seconds_of
from fillside.belief.forward.model import LN2, Figures, Model
from fillside.belief.forward.priors import (
    AMBIENT_STATED_SD,
    LEAST_AMBIENT_LUX,
)
from fillside.belief.forward.quantities import HeadStep, Quantities, Term, Wanted
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
DAYLIGHT_SD_STOPS = 0.15
"""Standard deviation of the ambient light under a sky against what a sensor tells, a stop brighter or darker
than the sky that the studio is believed for; its variance grows with the stops."""
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


def log2_slopes(lux: FloatArray, slopes: FloatArray) -> FloatArray:
    """Slopes of lux (m, k) as slopes of its log2."""
    return np.asarray(slopes / (np.maximum(lux, 1e-6) * LN2)[:, None])


@dataclass(frozen=True)
class Observations:
    """Observed values (m): first the readings, then what the rig file states of the ambient light.

    Attributes:
        stops: the light on the scale of `stops` (m,).
        quantities: what it is of.
        meter_sd: uncertainty by meter and display [stops] (m,).
        days: ages (m,) at the time for which the studio is believed.
        daylight_days: days (m,) by which they are newer, or else older, than the sky that it is believed for;
            0 where a sensor told.
        untold_stops: standard deviation (m,) of the sky where no sensor told, if it did of other readings.
        readings: how many of them are readings.
        tapes: per tape measure the head, after which steps it was (k,), and how far it says the stand is from
            where the file puts it [m].
    """

    stops: FloatArray
    quantities: Quantities
    meter_sd: FloatArray
    days: FloatArray
    daylight_days: FloatArray
    untold_stops: FloatArray
    readings: int
    tapes: tuple[tuple[int, tuple[bool, ...], float], ...] = ()

    def __len__(self) -> int:
        return len(self.stops)


def wanted_of(
    reading: Reading, model: Model, after: tuple[bool, ...] | None = None, sky: Sky | None = None
) -> Wanted:
    """The quantity that a reading shows, after some of the steps, in a studio believed for a sky; with
    facing "head" every head is faced in turn."""
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
    shown = told_lux(reading, model.rig)
    times = 1.0 if sky is None or shown is None else sky.times(shown)
    return Wanted(terms, reading.at, facing, dome, metered=True, after=after, daylight=times)


def observations(
    evidence: Evidence, model: Model, now_s: float | None = None, sky: Sky | None = None
) -> Observations:
    """Return the evidence by the rig's meter as it counts at a time [s] under a sky; None is that of the
    newest."""
    readings = evidence.readings
    shown, meter = meter_sd_of(readings, model)
    stated = list(_stated_ambient(model))
    sky = sky_of(evidence, model.rig) if sky is None else sky
    read = [wanted_of(reading, model, _after(evidence, reading.time), sky) for reading in readings]
    days, skies = ages_days(evidence, model, len(stated), now_s, sky)
    return Observations(
        stops=np.concatenate([shown, [own for _, own in stated]]),
        quantities=model.quantities([*read, *(one for one, _ in stated)]),
        meter_sd=np.concatenate([meter, np.full(len(stated), AMBIENT_STATED_SD / LN2)]),
        days=days,
        daylight_days=skies,
        untold_stops=np.array([*_untold_stops(readings, read, model.rig, sky), *(0.0 for _ in stated)]),
        readings=len(readings),
        tapes=tuple(_tapes(evidence, model)),
    )


def ages_days(
    evidence: Evidence, model: Model, stated: int, now_s: float | None, sky: Sky | None = None
) -> tuple[FloatArray, FloatArray]:
    """The ages (m,) of readings at a time [s], and by how much they are newer, or else older, than a sky (m,)
    [days], each then 0 for the `stated` values.

    A time before all of the evidence is that of a wrong clock; it counts as that of the newest, as None does.
    Readings without a date, or from later than the time, are of today. By default the sky is that of the
    newest dark reading beside which a sensor told; without one it is that of now.
    """
    sky = sky_of(evidence, model.rig) if sky is None else sky
    then = [seconds_of(reading.time) for reading in evidence.readings]
    known = evidence.times_s
    if not known:
        return np.zeros(len(then) + stated), np.zeros(len(then) + stated)
    now = max(known) if now_s is None or now_s < min(known) else now_s
    days = [0.0 if own is None else max(now - own, 0.0) / _DAY_S for own in then]
    skies = [-own for own in days]
    if sky is not None:
        of_sky = now if sky.at_s is None else sky.at_s
        told = [told_lux(reading, model.rig) is not None for reading in evidence.readings]
        skies = [
            0.0 if beside or own is None else (own - of_sky) / _DAY_S
            for own, beside in zip(then, told, strict=True)
        ]
    none = (0.0,) * stated
    return np.array([*days, *none]), np.array([*skies, *none])


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
    """The events as steps of a model."""
    names = [head.name for head in rig.heads]
    return tuple(HeadStep(names.index(e.head), e.kind, e.was, e.was_cd) for e in evidence.events)


def _after(evidence: Evidence, time: str | None) -> tuple[bool, ...]:
    """True for each event before a time; without a time, a piece is as new as can be."""
    then = seconds_of(time)
    events = [seconds_of(event.time) for event in evidence.events]
    return tuple(then is None or (event is not None and event <= then) for event in events)


def _untold_stops(
    readings: Sequence[Reading], read: Sequence[Wanted], rig: Rig, sky: Sky | None
) -> list[float]:
    """Standard deviations of the sky of readings beside which no sensor told [stops]: as far off as the
    sky was of those beside which one did."""
    told = [told_lux(reading, rig) is not None for reading in readings]
    apart = [math.log2(one.daylight) for one, known in zip(read, told, strict=True) if known]
    unrest = math.sqrt(sum(stops**2 for stops in apart) / len(apart)) if apart and sky is not None else 0.0
    return [0.0 if known else unrest for known in told]


def _tapes(evidence: Evidence, model: Model) -> Iterator[tuple[int, tuple[bool, ...], float]]:
    for tape in evidence.tapes:
        head = model.names.index(tape.head)
        after = _after(evidence, tape.time)
        yield head, after, tape.distance_m - math.dist(model.stood(head, after), tape.at)


def _stated_ambient(model: Model) -> Iterator[tuple[Wanted, float]]:
    """The rig file's three numbers as if they had been metered at the first mark; only those that it
    states."""
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

    def moved(step: FloatArray) -> FloatArray:
        paths = replace(quantities.paths, place=quantities.paths.place + step)
        return stops(model.lux(there, replace(quantities, paths=paths)))

    step_m = 0.01
    changes = [(moved(step) - moved(-step)) / (2 * step_m) for step in step_m * np.eye(3)]
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
    model: Model,
    there: Figures,
    wanted: Quantities,
    lux: FloatArray,
    told_sd: float = 0.0,
    cheeks: Sequence[int] = (),
) -> FloatArray:
    """The error that the model leaves in quantities (m,) of so many lux (m,) [stops]: most in daylight,
    of which a sensor tells to `told_sd` [stops], and more on the `cheeks`."""
    share = model.ambient_lux(there, wanted) / np.maximum(lux, 1e-6)
    known, beside = np.full(len(lux), MODEL_SD_STOPS), np.full(len(lux), SKY_SD_STOPS)
    known[list(cheeks)], beside[list(cheeks)] = CHEEK_SD_STOPS, SKY_ON_CHEEK_SD_STOPS
    walked = DAYLIGHT_SD_STOPS**2 * np.abs(np.log2(wanted.daylight))
    sky = np.sqrt(beside**2 + told_sd**2 + walked)
    return np.asarray(np.hypot(known, sky * np.minimum(share, 1.0)))


def age_covariance(seen: Observations, model: Model, rows: FloatArray, ambient: FloatArray) -> FloatArray:
    """The covariance of what was seen (m, m) [stops^2] by its age and its sky, with slopes `rows` (m, size)
    of readings in the unknowns and the share (m,) of ambient light in them."""
    lamps = model.shares(rows)
    aged = LAMP_DRIFT_STOPS**2 * _shared(np.minimum(seen.days, DRIFT_DAYS))
    days = np.clip(seen.daylight_days, -DAYLIGHT_DAYS, DAYLIGHT_DAYS)
    skies = DAYLIGHT_DRIFT_STOPS**2 * _shared(days)
    skies += DAYLIGHT_SD_STOPS**2 * _shared(np.log2(seen.quantities.daylight))
    skies += np.diag(seen.untold_stops**2)
    return np.asarray(lamps @ lamps.T * aged + np.outer(ambient, ambient) * skies)


def _shared(walked: FloatArray) -> FloatArray:
    """Products (m, m) that walks from one point share: those that went so far (m,) the same way share the
    shorter."""
    same = np.sign(walked)[:, None] == np.sign(walked)
    return np.asarray(np.minimum(np.abs(walked)[:, None], np.abs(walked)) * same)
