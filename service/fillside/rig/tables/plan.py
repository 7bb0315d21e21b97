"""The `[plan]` table of a rig file, which planning uses and the hold ignores."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from fillside.rig.fields import Flag, InconsistencyError, Name, Number, Point, Table

Degrees = Annotated[Number, Field(ge=-80, le=80)]


class Glasses(Table):
    """The wearer's spectacles; sizes in millimetres, angles in degrees."""

    tilt: Annotated[Number, Field(ge=-20, le=30)] = Field(
        default=8.0, description="degrees the lenses' lower edge is turned to the cheek, such as 8"
    )
    wrap: Annotated[Number, Field(ge=-10, le=30)] = Field(
        default=5.0, description="degrees each lens is turned outward, such as 5"
    )
    curve: Annotated[Number, Field(ge=0, le=12)] = Field(
        default=6.0, description="base curve of the front surface in dioptres, such as 6; 0 is flat"
    )
    width_mm: Annotated[Number, Field(ge=10, le=90)] = Field(default=50.0, description="width of one lens")
    height_mm: Annotated[Number, Field(ge=10, le=80)] = Field(default=35.0, description="height of one lens")
    apart_mm: Annotated[Number, Field(ge=40, le=90)] = Field(
        default=66.0, description="from the middle of one lens to that of the other"
    )
    temple_mm: Annotated[Number, Field(ge=60, le=160)] = Field(
        default=105.0, description="from the hinge to where the temple rests on the ear"
    )


class Pose(Table):
    """The person's head, turned relative to the direction the face looks in, and the spectacles."""

    yaw: Degrees = Field(default=0.0, description="degrees turned, to the camera's right above 0")
    pitch: Degrees = Field(default=0.0, description="degrees of chin up; chin down is below 0")
    brow: Annotated[Number, Field(ge=20, le=89)] = Field(
        default=55.0, description="degrees above the line of sight from where the brow hides a light"
    )
    glasses: Glasses | None = Field(
        default=None, description="the wearer's spectacles, as { tilt = 8.0, curve = 6.0 }; left out: none"
    )


class View(Table):
    """The camera's field of view."""

    degrees: Annotated[Number, Field(ge=2, le=140)] | None = Field(
        default=None, description="angle across the frame, such as 40"
    )
    focal_mm: Annotated[Number, Field(ge=0.1, le=2000)] | None = Field(
        default=None, description="focal length in mm, together with sensor_mm, instead of degrees"
    )
    sensor_mm: Annotated[Number, Field(ge=0.1, le=100)] | None = Field(
        default=None, description="width of the sensor in mm, such as 36"
    )
    aspect: Annotated[Number, Field(ge=0.3, le=4)] = Field(
        default=16 / 9, description="width over height of the frame"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        by_lens = self.focal_mm is not None or self.sensor_mm is not None
        if by_lens and self.degrees is not None:
            raise InconsistencyError("degrees", "give degrees, or focal_mm with sensor_mm, not both")
        if by_lens and (self.focal_mm is None or self.sensor_mm is None):
            lacking = "focal_mm" if self.focal_mm is None else "sensor_mm"
            raise InconsistencyError(lacking, "is missing; focal_mm and sensor_mm go together")
        return self


class Circuit(Table):
    """One breaker and the load behind it."""

    amps: Annotated[Number, Field(ge=0.1, le=1000)] = Field(
        description="the rated current of the breaker in amperes, such as 16"
    )
    heads: tuple[Name, ...] = Field(default=(), description='names of the heads on it, as ["key", "fill"]')
    other_watts: Annotated[Number, Field(ge=0, le=100_000)] = Field(
        default=0.0, description="watts of whatever else hangs on it"
    )


class Ripple(Table):
    """The flicker of a lamp's light."""

    hertz: Annotated[Number, Field(ge=0.1, le=1_000_000)] | None = Field(
        default=None, description="the frequency in hertz; left out: twice the mains"
    )
    percent: Annotated[Number, Field(ge=0, le=100)] | None = Field(
        default=None, description="modulation, 100 (max - min) / (max + min)"
    )
    pulsed: Flag = Field(
        default=False, description="true for a light dimmed by switching it on and off at hertz"
    )

    @model_validator(mode="after")
    def _pulses_have_a_rate(self) -> Self:
        if self.pulsed and self.hertz is None:
            raise InconsistencyError("hertz", "is missing; a pulsed lamp needs the rate of its pulses")
        if self.pulsed and self.percent is not None:
            raise InconsistencyError("percent", "a pulsed lamp is off between its pulses; leave percent out")
        return self


class ScreenTable(Table):
    """A monitor, prompter or window that adds its own light."""

    position: Point = Field(description="its middle, as [x, y, z] in metres")
    diameter: Annotated[Number, Field(ge=0.01, le=10)] = Field(
        default=0.6, description="its diagonal in metres"
    )
    cct: Annotated[Number, Field(ge=1000, le=20_000)] = Field(
        default=6500.0, description="colour temperature of its white in kelvin"
    )


class Umbrella(Table):
    """An umbrella's position on its shaft and its shape, in metres."""

    bulb: Annotated[Number, Field(ge=0.01, le=3)] = Field(description="from lamp to crown, along the shaft")
    beam: Annotated[Number, Field(ge=1, le=180)] = Field(
        default=180.0, description="degrees the lamp lights evenly, such as 120"
    )
    open_diameter: Annotated[Number, Field(ge=0.01, le=5)] | None = Field(
        default=None, description="across the rim when fully open; left out: the modifier's diameter"
    )
    depth: Annotated[Number, Field(ge=0.001, le=3)] | None = Field(
        default=None, description="from the rim's plane to the crown when fully open"
    )
    closed_to: Annotated[Number, Field(ge=0.01, le=5)] | None = Field(
        default=None, description="across the rim when pulled in part way"
    )


class Plan(Table):
    """Room, mains, pose and other facts for planning and advice only; all of them are optional."""

    wall: Annotated[Number, Field(ge=-20, le=50)] | None = Field(
        default=None, description="y of the wall behind the subject in metres, such as 1.8"
    )
    ceiling: Annotated[Number, Field(ge=0.1, le=20)] | None = Field(
        default=None, description="height of the ceiling in metres, such as 2.5"
    )
    mains_volts: Annotated[Number, Field(ge=90, le=500)] | None = Field(
        default=None, description="such as 230 or 120"
    )
    mains_hertz: Annotated[Number, Field(ge=40, le=70)] | None = Field(default=None, description="50 or 60")
    ambient_cct: Annotated[Number, Field(ge=1000, le=20_000)] | None = Field(
        default=None, description="colour temperature of the room's own light in kelvin"
    )
    wander: Annotated[Number, Field(ge=0.01, le=5)] = Field(
        default=0.5, description="metres the subject may wander from a mark"
    )
    readout_ms: Annotated[Number, Field(ge=0, le=200)] = Field(
        default=20.0, description="milliseconds the sensor takes from its first line to its last"
    )
    view: View | None = Field(
        default=None, description="the field of view, as { degrees = 40.0 } or { focal_mm, sensor_mm }"
    )
    pose: Pose = Pose()
    circuits: dict[Name, Circuit] = Field(
        default_factory=dict, description='one table a breaker, as { amps = 16.0, heads = ["key", "fill"] }'
    )
    ripple: dict[Name, Ripple] = Field(
        default_factory=dict, description="by head, as key = { hertz = 100.0, percent = 20.0 }"
    )
    umbrellas: dict[Name, Umbrella] = Field(
        default_factory=dict, description="by head, as key = { bulb = 0.4, beam = 120.0 }"
    )
    screens: dict[Name, ScreenTable] = Field(
        default_factory=dict, description="by name, as monitor = { position = [0.4, -0.8, 1.2] }"
    )
