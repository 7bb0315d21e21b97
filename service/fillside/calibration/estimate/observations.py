"""Readings as numbers a fit can weigh: stops, what would be expected, and how sure each is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.model import LN2, Direction, Model, Quantities, Shapes, Term, direction_of
from fillside.calibration.readings import OWN_HEAD, Reading
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


def stops(lux: FloatArray) -> FloatArray:
    """Lux on the scale readings are weighed on [stops]."""
    return np.asarray(np.log2(lux + DARK_LUX))


def stops_slopes(lux: FloatArray, slopes: FloatArray) -> FloatArray:
    """Slopes of lux (m, k) as slopes of `stops`."""
    return np.asarray(slopes / ((lux + DARK_LUX) * LN2)[:, None])


@dataclass(frozen=True)
class Observations:
    """Readings (m) as `stops`, the quantities they are of, and what the meter adds in uncertainty [stops]."""

    stops: FloatArray
    quantities: Quantities
    meter_sd: FloatArray

    def __len__(self) -> int:
        return len(self.stops)

    def of(self, chosen: BoolArray) -> Observations:
        """Only the chosen (m,) readings."""
        return Observations(self.stops[chosen], self.quantities.of(chosen), self.meter_sd[chosen])


def quantity_of(reading: Reading, model: Model) -> tuple[tuple[Term, ...], Direction]:
    """The terms and the ambient direction of a reading; with facing "head" every head is faced in turn."""
    terms = tuple(
        Term(
            model.beliefs.names.index(name),
            1.0 if model.rig.head(name).dimming.fixed else level,
            reading.at,
            name if reading.facing == OWN_HEAD else reading.facing,
            reading.receptor == "dome",
        )
        for name, level in zip(reading.heads, reading.levels, strict=True)
    )
    return terms, ambient_direction(model.rig, reading)


def ambient_direction(rig: Rig, reading: Reading) -> Direction:
    """The direction of ambient light that is in a reading."""
    facing = reading.heads[0] if reading.facing == OWN_HEAD else reading.facing
    return direction_of(rig, facing, reading.receptor)


def observations(readings: Sequence[Reading], model: Model) -> Observations:
    """What the readings say, with the spread of the rig's meter."""
    rig = model.rig
    lux = np.array([reading.lux(rig.meter.constant_of(reading.receptor)) for reading in readings])
    rounding = np.array([r.rounding_lux(float(value)) for r, value in zip(readings, lux, strict=True)])
    share = lux / (lux + DARK_LUX)
    meter = np.hypot(rig.meter.sigma * share, rounding / ((lux + DARK_LUX) * LN2))
    quantities = model.quantities([quantity_of(reading, model) for reading in readings])
    return Observations(stops(lux), quantities, np.maximum(meter, 1e-3))


def hand_slopes(model: Model, z: FloatArray, shapes: Shapes, quantities: Quantities) -> FloatArray:
    """How much the quantities (m,) [stops] change per metre that the receptor is off, over all directions."""
    step = 0.01
    changes = []
    for axis in np.eye(3):
        ahead, behind = (
            stops(model.lux(z, shapes, replace(quantities, paths=quantities.paths.moved(sign * step * axis))))
            for sign in (1.0, -1.0)
        )
        changes.append((ahead - behind) / (2 * step))
    return np.asarray(np.sqrt(np.sum(np.square(changes), axis=0)))


def reading_sd(meter_sd: FloatArray, hand: FloatArray, hand_sd_m: float = HAND_SD_M) -> FloatArray:
    """Standard uncertainty of readings [stops]: the meter's, and the hand's through `hand` [stops/m]."""
    return np.hypot(meter_sd, hand_sd_m * hand)


def meter_sd_expected(sigma: float, lux: float) -> float:
    """The meter's own uncertainty [stops] of a reading not yet taken, written in whole lux."""
    share = lux / (lux + DARK_LUX)
    return math.hypot(sigma * share, 1 / math.sqrt(12) / ((lux + DARK_LUX) * LN2))
