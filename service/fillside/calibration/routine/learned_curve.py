"""A dimming curve as it has been learned so far, to be drawn beside the readings it rests on."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from fillside.photometry.dimming import DimmingCurve, curve
from fillside.rig.calibration import Calibration, WeighedReading


class _Drawn(BaseModel):
    model_config = ConfigDict(frozen=True, allow_inf_nan=False)


class LearnedReading(_Drawn):
    """A reading on the curve: the level sent, and the output that the reading itself speaks for."""

    level: float
    output: float
    suspect: bool


class Learned(_Drawn):
    """The curve of a head as pairs of level and output, 0..1, and the readings of that head alone."""

    head: str
    levels: tuple[float, ...]
    outputs: tuple[float, ...]
    readings: tuple[LearnedReading, ...]


def learned(calibration: Calibration | None, head: str) -> Learned | None:
    """What a calibration has learned about a head's dimming; None where it says nothing about that."""
    known = None if calibration is None else calibration.heads.get(head)
    if known is None or known.curve is None:
        return None
    levels, outputs = tuple(known.curve.levels), tuple(known.curve.outputs)
    shape = curve((levels, outputs))
    alone = [reading for reading in known.readings if reading.heads == (head,)]
    return Learned(
        head=head, levels=levels, outputs=outputs, readings=tuple(_on(shape, reading) for reading in alone)
    )


def _on(shape: DimmingCurve, reading: WeighedReading) -> LearnedReading:
    """A reading lies off the curve by its residual, in stops."""
    level = float(reading.levels[0])
    output = float(shape.output_from_level(level)) * 2.0 ** float(reading.residual_stops or 0.0)
    return LearnedReading(level=level, output=output, suspect=reading.suspect)
