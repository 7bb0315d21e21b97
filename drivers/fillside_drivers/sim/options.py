"""What a rig file may say about a simulated wire and about a head on it."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Annotated, Self

from pydantic import Field, Strict, model_validator

from fillside_drivers.driver import OptionsModel
from fillside_drivers.slots import SlotKeys

Number = Annotated[float, Strict()]
Direction = tuple[Number, Number, Number]


class HeadTruth(OptionsModel):
    """How the simulated lamp differs from what the rig file says of it; what is left out is as the file says.

    Attributes:
        output_factor: its light over the stated intensity.
        exponent: curve's power: output is ((level - dead_zone) / (saturation - dead_zone)) to this power.
        dead_zone: level up to which it stays dark.
        saturation: level from which it is full.
        setback: how far the effective source sits behind the lit face, m.
        diameter: of the effective source, m.
        bounce: part of its light at the subject that the room sends back evenly from all sides.
        warm_factor: its light when warm over its light when cold.
        warm_up_s: time constant of warming and cooling, s.
    """

    output_factor: Annotated[Number, Field(ge=0, le=10)] = 1.0
    exponent: Annotated[Number, Field(gt=0, le=10)] | None = None
    dead_zone: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    saturation: Annotated[Number, Field(gt=0, le=1)] = 1.0
    setback: Annotated[Number, Field(ge=-1, le=2)] = 0.0
    diameter: Annotated[Number, Field(ge=0, le=5)] | None = None
    bounce: Annotated[Number, Field(ge=0, le=1)] | None = None
    warm_factor: Annotated[Number, Field(gt=0, le=2)] = 1.0
    warm_up_s: Annotated[Number, Field(gt=0, le=36_000)] = 300.0

    @model_validator(mode="after")
    def _lights(self) -> Self:
        if self.saturation <= self.dead_zone:
            raise ValueError("saturation must be above dead_zone")
        return self


class SimOptions(OptionsModel):
    """``[drivers.NAME]`` with ``kind = "sim"``.

    Attributes:
        seed: of the meter's noise.
        noise_stops: standard deviation of one reading, stops.
        ambient_lux: light from all sides evenly, all heads out, lux.
        window_lux: daylight on a receptor facing the window, lux.
        window_from: the direction the window is in, seen from the subject (x right, y away from the camera,
            z up).
    """

    seed: Annotated[int, Field(ge=0), Strict()] = 0
    noise_stops: Annotated[Number, Field(ge=0, le=2)] = 0.0
    ambient_lux: Annotated[Number, Field(ge=0, le=200_000)] | None = None
    window_lux: Annotated[Number, Field(ge=0, le=200_000)] = 0.0
    window_from: Direction = (-1.0, 0.0, 0.0)

    @model_validator(mode="after")
    def _window_has_a_direction(self) -> Self:
        if not any(self.window_from):
            raise ValueError("window_from must not be [0, 0, 0]")
        return self


class SimDrive(SlotKeys):
    """A head on the simulated wire.

    `universe` and the slots mean nothing here but are taken and checked for overlaps, so that a rig can be
    rehearsed by changing the word after `kind` and nothing else.
    """

    universe: Annotated[int, Field(ge=1, le=63999), Strict()] | None = None
    truth: HeadTruth = HeadTruth()

    def claims(self) -> tuple[Hashable, ...]:
        return tuple((self.universe, slot) for slot in super().claims())
