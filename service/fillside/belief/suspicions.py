"""Readings that are hard to believe: taken all the same, but flagged, with the reason in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fillside.belief.belief import Belief
from fillside.belief.evidence import Reading
from fillside.belief.since.changes import NewEvidence
from fillside.rig.notation import stop_size

_HARD_TO_BELIEVE = 3.0
"""From how many standard uncertainties off a reading is flagged."""
_MARGIN = 2.0
"""Standard uncertainties that are granted before light is more than a head can give."""


def suspicions(readings: Sequence[Reading], believed: Belief) -> list[str | None]:
    """The reason why each reading is hard to believe, by a belief without it; None where it is not.

    With the belief of no readings it is held against lamp, modifier and rig file alone.
    """
    seen, meter = NewEvidence(believed, readings), believed.rig.meter
    full = [reading.model_copy(update={"levels": (1.0,) * len(reading.heads)}) for reading in readings]
    given = NewEvidence(believed, (), full)
    most = given.expected * np.exp2(_MARGIN * np.sqrt(believed.posterior.variance(given.rows)))
    sd = np.sqrt(believed.posterior.variance(seen.rows) + seen.shown[1] ** 2)
    found: list[str | None] = [None] * len(readings)
    for i in np.flatnonzero(np.abs(seen.off) > _HARD_TO_BELIEVE * sd).tolist():
        read = readings[i].lux(meter.constant_of(readings[i].receptor))
        light = float(seen.expected[i]), float(most[i]), float(seen.off[i])
        found[i] = _why_hard_to_believe(readings[i], read, *light)
    return found


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
