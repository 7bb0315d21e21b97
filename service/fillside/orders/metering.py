"""The orders of the metering side, as models: readings, guided routines, the calibration in use.

They come through the same doors and in the same shape as the orders that move the light. The first line of
each docstring is the order's help line in the registry.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from fillside.orders.model import MeterOrder, models_of
from fillside.rig.fields import InconsistencyError, Number, Point

Whole = Annotated[int, Field(strict=True, ge=1, le=10**15 - 1)]

Act = Literal["start", "tick", "go", "skip", "repeat", "leave", "resume", "finish", "more"]


class Read(MeterOrder):
    """Hand in a meter reading, or a tape measure of a head.

    Fields left out take the values that the guided routine asks for, or the usual ones. With the unit m or ft
    the value is how far the middle of the head's lit face is from the place.
    """

    do: Literal["read"]
    value: Annotated[Number, Field(ge=0, le=1_000_000)] | str | None = Field(
        default=None, description="the number shown, such as 640; left out where the unit says it all"
    )
    unit: str = Field(
        default="lux", max_length=64, description="lux, fc, ev100, or such as f/4@400@1/50; m or ft"
    )
    head: str | None = Field(
        default=None, max_length=512, description='"key", "key+fill", or "" for none lit'
    )
    level: Number | str | None = Field(
        default=None, description='a level from 0 to 1, or such as "1.0+0.4" or "45%"'
    )
    at: str | Point | None = Field(default=None, description="a mark, or x, y, z in metres")
    receptor: Literal["flat", "dome"] | None = None
    facing: str | None = Field(default=None, max_length=64, description='"head", "camera", or a head\'s name')
    note: str | None = Field(default=None, max_length=200)
    virtual: bool = Field(
        default=False, strict=True, description="the simulated meter reads, in a simulated studio"
    )
    check: bool = Field(
        default=False,
        strict=True,
        description="only tells how far the lamps have drifted; the calibration stays",
    )


class HeadEventOrder(MeterOrder):
    """Say that a stand was moved, or a lamp changed.

    What was metered of the head before counts less from now on.
    """

    do: Literal["event"]
    head: str = Field(max_length=64, description="its name in the rig file, such as fill")
    kind: Literal["moved", "changed"] = Field(description="moved: its stand; changed: its lamp or bulb")
    note: str | None = Field(default=None, max_length=200)


class Strike(MeterOrder):
    """Let a reading not count any more."""

    do: Literal["strike"]
    reading: Whole = Field(description="its number")
    why: str = Field(default="struck by hand", max_length=200)


class CalibrateOrder(MeterOrder):
    """Guided, with a light meter: what your lamps really do.

    Start, continue or leave the routine.
    """

    do: Literal["calibrate"]
    act: Act = "start"
    item: str | None = Field(default=None, max_length=64, description="what is ticked")


class LineupOrder(MeterOrder):
    """Two minutes before a shoot: is all as calibrated?

    Start, continue or leave the routine.
    """

    do: Literal["lineup"]
    act: Act = "start"
    item: str | None = Field(default=None, max_length=64, description="what is ticked")


class RoundOrder(MeterOrder):
    """Read each head once: all are lit by themselves, one after the other.

    Start, continue or leave the round.
    """

    do: Literal["round"]
    act: Act = "start"
    item: str | None = Field(default=None, max_length=64, description="nothing is ticked in a round")


class UseCalibration(MeterOrder):
    """Go back to an earlier calibration, or to the rig file alone.

    Null stands for the rig file alone.
    """

    do: Literal["calibration"]
    use: Whole | None = Field(description="its number")


class SensorReport(MeterOrder):
    """Report what a sensor of the rig shows.

    The value keeps the balance in step with the daylight, or shows the drift of heads.
    """

    do: Literal["sensor"]
    name: str = Field(max_length=64, description="its name in the rig file, such as window")
    value: Annotated[Number, Field(ge=-30, le=1_000_000)] = Field(description="the number it shows")
    unit: Literal["lux", "fc", "ev100"] | None = Field(
        default=None, description="lux, fc or ev100; left out: as the rig file says"
    )


class Import(MeterOrder):
    """Take in a file of readings, or a calibration.

    Readings, tape measures and events are the text of a CSV file; a calibration is the output of
    `fit --json`.
    """

    do: Literal["import"]
    readings: str | None = Field(
        default=None,
        max_length=60_000,
        description="the text of a CSV file; one wrong line and none is taken",
    )
    calibration: dict[str, Any] | None = Field(default=None, description="a whole calibration")

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if (self.readings is None) == (self.calibration is None):
            raise InconsistencyError("readings", 'give either "readings" or "calibration"')
        return self


MODELS = models_of(MeterOrder)
"""The models by word."""
