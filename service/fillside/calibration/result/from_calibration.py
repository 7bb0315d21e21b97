"""What a calibration knows of a studio, and how surely: a fit at the figures that the calibration states.

Nothing is fitted anew. The figures are turned back into the estimator's unknowns, and the readings that the
calibration carries say how sure those are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from fillside.calibration.estimate.fit import Fit
from fillside.calibration.estimate.gauss_newton import FitProblem
from fillside.calibration.estimate.model import PER_HEAD, Model, Shapes, exposure_direction, model_of
from fillside.calibration.estimate.observations import (
    HAND_SD_M,
    ambient_direction,
    hand_slopes,
    observations,
    reading_sd,
)
from fillside.calibration.estimate.priors import (
    BOUNCE,
    DEAD_ZONE,
    EXPONENT,
    FIGURES,
    FULL_SHORT,
    INTENSITY,
    LIT_SHARE,
    SETBACK,
    USUAL_EXPONENT,
)
from fillside.calibration.readings import CAMERA, OWN_HEAD, Reading, reading_from_entry
from fillside.rig.calibration import CalibratedHead, Calibration
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]

_LEAST_LUX = 1e-3
_MOST_HAND_M = 0.5


def known_fit(rig: Rig, calibration: Calibration | None) -> Fit:
    """The studio of a calibration, or of the rig file alone; what is not of the rig is passed over."""
    taken = [] if calibration is None else list(_readings(rig, calibration))
    readings = tuple(reading for reading, _ in taken)
    model = model_of(rig, [ambient_direction(rig, reading) for reading in readings])
    seen = observations(readings, model)
    read = {name for reading, counts in taken if counts for name in reading.heads}
    z, shapes, hand_m = np.zeros(model.size), _shapes(model, calibration, read), HAND_SD_M
    if calibration is not None:
        z = _unknowns(model, calibration, shapes, read)
        stated = calibration.hand_sd_m
        hand_m = HAND_SD_M if stated is None else min(max(stated, 0.0), _MOST_HAND_M)
    sd = reading_sd(seen.meter_sd, hand_slopes(model, z, shapes, seen.quantities), hand_m)
    counts = np.array([counts for _, counts in taken], dtype=np.bool_)
    question = FitProblem(model, shapes, seen, sd, counts)
    return Fit(readings, question, question.at(z), hand_m)


def _readings(rig: Rig, calibration: Calibration) -> Iterator[tuple[Reading, bool]]:
    """The readings behind a calibration that the rig could still have, and whether each counted."""
    names = {head.name for head in rig.heads}
    for entry in calibration.readings():
        try:
            reading = reading_from_entry(entry)
        except ValidationError:
            continue
        if set(reading.heads) <= names and reading.facing in (names | {CAMERA, OWN_HEAD}):
            yield reading, not entry.left_out


def _shapes(model: Model, calibration: Calibration | None, read: set[str]) -> Shapes:
    logarithmic = model.beliefs.says_log.copy()
    bent = np.zeros(model.heads, dtype=np.bool_)
    for i, name in enumerate(model.beliefs.names):
        head = None if calibration is None else calibration.heads.get(name)
        dimmer = "" if head is None or name not in read else head.dimmer or ""
        if dimmer:
            logarithmic[i] = dimmer.startswith("logarithmic")
            bent[i] = dimmer.endswith("bent")
    return Shapes(logarithmic, bent)


def _unknowns(model: Model, calibration: Calibration, shapes: Shapes, read: set[str]) -> FloatArray:
    """The unknowns (size,) that the figures of the heads which were read stand for, and the ambient light."""
    middle = model.figures(np.zeros(model.size))
    figures = middle.copy()
    offset = model.dimming(figures, shapes)[0][:, EXPONENT] - figures[:, EXPONENT]
    for i, name in enumerate(model.beliefs.names):
        head = calibration.heads.get(name)
        if head is not None and name in read:
            stated = _figures(head, float(model.beliefs.sources.diameter_m[i]), float(offset[i]))
            figures[i, list(stated)] = list(stated.values())
    z = np.zeros(model.size)
    moved = np.where(figures == middle, 0.0, model.beliefs.standard(figures))
    z[: model.heads * PER_HEAD].reshape(model.heads, PER_HEAD)[:, :FIGURES] = moved
    z[model.heads * PER_HEAD :] = _ambient(model, calibration)
    return z


def _figures(head: CalibratedHead, diameter_m: float, offset: float) -> dict[int, float]:
    """The figures that a calibrated head states; `offset` is what its family adds to the exponent."""
    exponent, full_from = head.exponent, head.full_from
    stated = {
        INTENSITY: None
        if head.intensity_cd is None
        else math.log2(head.intensity_cd * (1 + (head.bounce or 0.0))),
        SETBACK: head.setback_m,
        LIT_SHARE: None if head.diameter_m is None or diameter_m <= 0 else head.diameter_m / diameter_m,
        BOUNCE: head.bounce,
        EXPONENT: None if exponent is None else min(max(exponent - offset, 0.0), 5 * USUAL_EXPONENT),
        DEAD_ZONE: head.dead_zone,
        FULL_SHORT: None if full_from is None else 1 - full_from,
    }
    return {figure: value for figure, value in stated.items() if value is not None}


def _ambient(model: Model, calibration: Calibration) -> FloatArray:
    """The ambient light as unknowns: as a whole, then between directions."""
    found = np.zeros(1 + len(model.directions))
    read = calibration.ambient
    if read is None:
        return found
    sides = {("key", "flat"): read.toward_key, ("fill", "flat"): read.toward_fill}
    sides[exposure_direction(model.rig)] = read.toward_camera
    believed = dict(zip(model.directions, model.ambient_lux(np.zeros(model.size)).tolist(), strict=True))
    above = {
        model.directions.index(side): math.log(max(lux, _LEAST_LUX) / max(believed[side], _LEAST_LUX))
        for side, lux in sides.items()
        if lux is not None
    }
    if above:
        whole = float(np.mean(list(above.values())))
        found[0] = whole / model.ambient.whole_sd
        for place, own in above.items():
            found[1 + place] = (own - whole) / model.ambient.sides_sd
    return found
