"""Readings that are hard to believe: taken all the same, but flagged, with the reason in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fillside.belief.belief import Belief, believe
from fillside.belief.evidence import Evidence, Reading
from fillside.belief.observations import observations, stops, stops_slopes, wanted_of
from fillside.rig.notation import stop_size
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]

_HARD_TO_BELIEVE = 3.0
"""From how many standard uncertainties off a reading is flagged."""
_MARGIN = 2.0
"""Standard uncertainties that are granted before light is more than a head can give."""


def suspicions(readings: Sequence[Reading], believed: Belief) -> list[str | None]:
    """The reason why each reading is hard to believe, by a belief without it; None where it is not.

    With that of no readings (`labels_alone`) it is held against lamp, modifier and rig file alone.
    """
    if not readings:
        return []
    model, there = believed.model, believed.figures
    seen = observations(Evidence(tuple(readings)), model)
    wanted = model.quantities([wanted_of(reading, model, sky=believed.sky) for reading in readings])
    lux, slopes = model.lux_and_slopes(there, wanted)
    sd = np.sqrt(believed.posterior.variance(stops_slopes(lux, slopes)) + seen.meter_sd[: len(readings)] ** 2)
    read = np.array([r.lux(model.rig.meter.constant_of(r.receptor)) for r in readings])
    most = _most_lux(readings, believed)
    found: list[str | None] = []
    for i, reading in enumerate(readings):
        off = float(seen.stops[i] - stops(lux)[i])
        hard = abs(off) > _HARD_TO_BELIEVE * float(sd[i])
        found.append(
            _why_hard_to_believe(reading, float(read[i]), float(lux[i]), float(most[i]), off)
            if hard
            else None
        )
    return found


def labels_alone(rig: Rig) -> Belief:
    """The belief that lamp, modifier and rig file alone give."""
    return believe((), rig)


def _most_lux(readings: Sequence[Reading], believed: Belief) -> FloatArray:
    """The light with the same heads at full [lux], and two standard uncertainties on top."""
    model = believed.model
    full = [reading.model_copy(update={"levels": (1.0,) * len(reading.heads)}) for reading in readings]
    wanted = model.quantities([wanted_of(reading, model, sky=believed.sky) for reading in full])
    lux, slopes = model.lux_and_slopes(believed.figures, wanted)
    sd = np.sqrt(believed.posterior.variance(stops_slopes(lux, slopes)))
    return np.asarray(lux * np.exp2(_MARGIN * sd))


def _why_hard_to_believe(reading: Reading, read: float, expected: float, most: float, off: float) -> str:
    what = "these heads" if len(reading.heads) > 1 else "this head"
    if not reading.heads:
        side = "above" if off > 0 else "below"
        return f"{stop_size(off)} {side} the ambient light expected in that direction ({expected:.0f} lx)"
    if read <= 0:
        return f"no light where {expected:.0f} lx are expected: was the head out, or the meter turned away?"
    if read > most:
        return f"{stop_size(math.log2(read / most))} above what {what} can give there ({most:.0f} lx)"
    if off > 0:
        return f"{stop_size(off)} above what is expected at that level and place ({expected:.0f} lx)"
    return f"{stop_size(off)} below what is expected at that level and place ({expected:.0f} lx)"


def suspicion(reading: Reading, earlier: Sequence[Reading], rig: Rig) -> str | None:
    """The reason why a new reading is hard to believe after the `earlier` ones; None for a good one."""
    return suspicions((reading,), believe(tuple(earlier), rig))[0]
