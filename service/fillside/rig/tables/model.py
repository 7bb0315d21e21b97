"""The rig file as pydantic models, with the consistency checks within each table.

`rig.file.load` parses a TOML text into a `Rig` and locates every error in the file;
`rig.checks.cross_checks` compares the tables with each other.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, PrivateAttr, field_validator, model_validator

from fillside.rig.fields import (
    FARTHEST_M,
    HIGHEST_M,
    LOWEST_M,
    NAME,
    NEAREST_M,
    Flag,
    InconsistencyError,
    Lux,
    Name,
    Number,
    Point,
    StopsOrOut,
    Table,
    Whole,
)
from fillside.rig.notation import WIDEST_RATIO, ReadAs, number_of_stops, ratio_number, shutter_seconds
from fillside.rig.tables.doors import DoorsTable
from fillside.rig.tables.drivers import DriverConfig, DriverTable
from fillside.rig.tables.head import (
    BALANCED_ROLES,
    RELATIVE_ROLES,
    WORK_ROLE,
    CurveTable,
    Dimming,
    Drive,
    Head,
)
from fillside.rig.tables.keys import Keys, ReadPhrase
from fillside.rig.tables.lamp import Kelvin, Lamp, ModifierTable
from fillside.rig.tables.plan import Plan
from fillside.rig.tables.room import Room

__all__ = [
    "BALANCED_ROLES",
    "CONSTANT_RANGE",
    "DEFAULT_CONSTANT",
    "DEFAULT_RELATIVE_STOPS",
    "FARTHEST_M",
    "HIGHEST_M",
    "LOWEST_M",
    "NAME",
    "NEAREST_M",
    "PACES",
    "RELATIVE_ROLES",
    "WIDEST_RATIO",
    "WORK_ROLE",
    "Ambient",
    "Balance",
    "Camera",
    "CurveTable",
    "Dimming",
    "DoorsTable",
    "Drive",
    "DriverTable",
    "Flag",
    "Head",
    "HoldTable",
    "Keys",
    "Lamp",
    "Lux",
    "Meter",
    "ModifierTable",
    "Name",
    "Number",
    "Point",
    "ReadAs",
    "Receptor",
    "Rig",
    "RigTable",
    "Room",
    "Sensor",
    "SubjectTable",
    "Table",
    "Whole",
    "number_of_stops",
    "ratio_number",
    "shutter_seconds",
]

DEFAULT_RELATIVE_STOPS = {"hair": 0.0, "background": -1.0}
"""Default stops of hair-like and background roles that `balance.relative` does not name."""


class RigTable(Table):
    name: Name = Field(description="the rig's name, such as corner-studio")


class Camera(Table):
    position: Point = Field(description="the position of the lens as [x, y, z] in metres")
    iso: Annotated[Number, Field(ge=0.1, le=10_000_000)] | None = Field(
        default=None, description="the ISO the camera is set to, such as 400"
    )
    shutter: str | Number | None = Field(default=None, description='"1/50", or a number of seconds')
    shutter_angle: Annotated[Number, Field(ge=0.1, le=360)] | None = Field(
        default=None, description="degrees, together with fps, instead of shutter"
    )
    fps: Annotated[Number, Field(ge=0.01, le=1000)] | None = Field(
        default=None, description="frames per second, such as 25"
    )
    aperture: Annotated[Number, Field(ge=0.5, le=128)] | None = Field(
        default=None, description="the f-number, such as 4.0"
    )
    nd_stops: Annotated[Number, Field(ge=0, le=20)] = Field(
        default=0.0, description="stops of neutral-density filters"
    )
    loss_stops: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=0.0, description="stops lost before the lens, in a prompter's glass for example"
    )
    offset_stops: Annotated[Number, Field(ge=-10, le=10)] = Field(
        default=0.0, description="stops found once with a grey card"
    )

    @field_validator("shutter")
    @classmethod
    def _shutter_is_a_time(cls, value: str | float | None) -> str | float | None:
        if value is not None:
            shutter_seconds(value)
        return value

    @model_validator(mode="after")
    def _one_shutter(self) -> Self:
        if self.shutter is not None and self.shutter_angle is not None:
            raise InconsistencyError("shutter_angle", "give shutter or shutter_angle, not both")
        if self.shutter_angle is not None and self.fps is None:
            raise InconsistencyError("shutter_angle", "a shutter angle needs fps, the frames per second")
        return self

    @property
    def exposure_time_s(self) -> float | None:
        """The exposure time of one frame [s]; None if the file does not say."""
        if self.shutter is not None:
            return shutter_seconds(self.shutter)
        if self.shutter_angle is not None and self.fps is not None:
            return self.shutter_angle / 360 / self.fps
        return None


Receptor = Literal["dome", "flat"]
DEFAULT_CONSTANT: dict[str, float] = {"flat": 250.0, "dome": 330.0}
"""Default constant C of ISO 2720 by receptor [lx s]."""
CONSTANT_RANGE: dict[str, tuple[float, float]] = {"flat": (240.0, 400.0), "dome": (320.0, 540.0)}
"""Least and most constant C that ISO 2720 recommends by receptor [lx s]."""


class Meter(Table):
    receptor: Receptor = Field(default="dome", description="the receptor that reads exposure")
    facing: Literal["camera", "key"] = Field(default="camera", description="the direction the receptor faces")
    constant: Annotated[Number, Field(ge=100, le=1000)] | None = Field(
        default=None, description="the C of ISO 2720 for that receptor, such as 330"
    )
    sigma: Annotated[Number, Field(ge=0.001, le=2)] = Field(
        default=0.05, description="standard deviation of a reading in stops"
    )

    def constant_of(self, receptor: str) -> float:
        """Return the constant C of ISO 2720 for readings made with `receptor` [lx s]."""
        if receptor == self.receptor and self.constant is not None:
            return self.constant
        return DEFAULT_CONSTANT[receptor]


class SubjectTable(Table):
    at: Name | None = Field(default=None, description="the mark the subject starts at")
    looks: Name = Field(default="camera", description='"camera", or the mark the face looks to')
    most_lux: Annotated[Number, Field(ge=0.01, le=200_000)] | None = Field(
        default=None, description="the most lux the brighter side of the face may get, such as 1500"
    )


RelativeTo = Literal["key", "exposure"]


class Balance(Table):
    ratio: str | Number = Field(default="2:1", description='a ratio such as "2:1", 2.0 or "1 stop"')
    read_as: ReadAs = Field(default="key:fill", description="the two lights that the ratio compares")
    exposure: Literal["camera"] | Annotated[Number, Field(ge=0.01, le=200_000)] = Field(
        default="camera", description='"camera", or a number of lux'
    )
    protect: Literal["ratio", "exposure"] = Field(
        default="ratio", description="the one to keep when both cannot be kept"
    )
    most_over: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=0.5,
        description="stops over the exposure target that keeping the ratio may cost",
    )
    most_under: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=1.0,
        description="stops under it, or under the most that the lamps can, that keeping the ratio may cost",
    )
    when_lost: Literal["keep", "solve"] = Field(
        default="keep", description="the behaviour of the other heads when a head is lost"
    )
    relative: dict[Name, StopsOrOut] = Field(
        default_factory=dict, description='stops of the other roles, as { hair = -0.5 }, or "out"'
    )
    against: dict[Name, RelativeTo] = Field(
        default_factory=dict, description='what those stops are against, as { background = "exposure" }'
    )
    cct: Kelvin | dict[Name, Kelvin] | None = Field(
        default=None, description="the white of all heads in kelvin, such as 4300, or by role, { key = 5600 }"
    )

    @model_validator(mode="after")
    def _ratio_reads(self) -> Self:
        try:
            ratio_number(self.ratio, self.read_as)
        except ValueError as error:
            raise InconsistencyError("ratio", str(error)) from None
        return self

    @property
    def ratio_value(self) -> float:
        """The target ratio in the convention `read_as`."""
        return ratio_number(self.ratio, self.read_as)


PACES: dict[str, tuple[float, float]] = {"calm": (0.15, 0.3), "quick": (0.0, 3.0)}
"""Dead band [stops] and follow speed [stops/s] of each pace."""


class HoldTable(Table):
    pace: Literal["calm", "quick"] = Field(default="calm", description="the pace of following the subject")
    dead_band: Annotated[Number, Field(ge=0, le=2)] | None = Field(
        default=None, description="stops that ratio or exposure may be off before the light is moved"
    )
    follow_speed: Annotated[Number, Field(ge=0.001, le=6)] | None = Field(
        default=None, description="stops per second while following the subject"
    )
    order_speed: Annotated[Number, Field(ge=0.001, le=6)] = Field(
        default=1.0, description="stops per second for orders"
    )

    @property
    def dead_band_stops(self) -> float:
        return PACES[self.pace][0] if self.dead_band is None else self.dead_band

    @property
    def follow_speed_stops_s(self) -> float:
        return PACES[self.pace][1] if self.follow_speed is None else self.follow_speed


class Ambient(Table):
    lux: Lux | None = Field(
        default=None, description="lux of even light from all sides with all heads out, on a flat receptor"
    )
    toward_key: Lux | None = Field(default=None, description="lux on a flat receptor facing the key")
    toward_fill: Lux | None = Field(default=None, description="lux on a flat receptor facing the fill")
    toward_camera: Lux | None = Field(
        default=None, description="lux on the exposure receptor, facing as it does"
    )

    @model_validator(mode="after")
    def _lux_alone(self) -> Self:
        if self.lux is not None and any(v is not None for v in self.directions_given):
            raise InconsistencyError(
                "lux", "lux stands for all three directions; give it alone, or the directions without it"
            )
        return self

    @property
    def directions_given(self) -> tuple[float | None, ...]:
        return (self.toward_key, self.toward_fill, self.toward_camera)

    @property
    def given(self) -> bool:
        """True if the file says anything of the ambient light."""
        return self.lux is not None or any(v is not None for v in self.directions_given)


SensorTarget = Literal["daylight", "heads"]


class Sensor(Table):
    """A lux sensor in a fixed place that watches the daylight, for example at a window, or the heads.

    A daylight sensor needs a place and a direction only if light of the heads reaches it, which is then
    subtracted.
    """

    watches: SensorTarget = Field(
        default="daylight", description='"daylight" to follow, or "heads" to see how far they have drifted'
    )

    at: Name | Point | None = Field(
        default=None, description="a mark, or [x, y, z] in metres; left out: it sees none of our heads"
    )
    facing: Name | Point | None = Field(
        default=None, description='"camera", a mark, a head or a point that it faces, with at'
    )
    receptor: Literal["flat", "dome"] = Field(default="flat", description="the shape of its receptor")
    unit: Literal["lux", "fc", "ev100"] = Field(
        default="lux", description="the unit of a number that it sends alone"
    )

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.at is None) != (self.facing is None):
            missing = "facing" if self.facing is None else "at"
            raise InconsistencyError(
                missing, "give at and facing together, or neither for one that sees no head"
            )
        if self.watches == "heads" and self.at is None:
            raise InconsistencyError("at", "a sensor that watches the heads needs at and facing")
        return self


class Rig(Table):
    """A rig file."""

    rig: RigTable = Field(description="the table [rig] with the rig's name")
    camera: Camera = Field(description="the table [camera]; it needs position")
    meter: Meter = Field(default=Meter(), description="the table [meter]: how exposure is read")
    marks: Annotated[dict[Name, Point], Field(min_length=1)] = Field(
        description="named places for the subject, as chair = [0.0, 0.0, 1.2]; at least one"
    )
    subject: SubjectTable = Field(
        default=SubjectTable(), description="the table [subject]: where it is and looks"
    )
    balance: Balance = Field(default=Balance(), description="the table [balance]: what light is wanted")
    hold: HoldTable = Field(default=HoldTable(), description="the table [hold]: how fast light may change")
    room: Room | None = Field(default=None, description="the table [room]: the room that sends light back")
    ambient: Ambient = Field(default=Ambient(), description="the table [ambient]: light with all heads out")
    heads: Annotated[tuple[Head, ...], Field(min_length=1, max_length=4096)] = Field(
        description="at least one [[heads]] table"
    )
    drivers: dict[Name, DriverTable] = Field(
        default_factory=dict, description="one [drivers.NAME] table for each wire"
    )
    doors: DoorsTable = Field(default=DoorsTable(), description="the table [doors]: ways in beside HTTP")
    sensors: Annotated[dict[Name, Sensor], Field(max_length=2)] = Field(
        default_factory=dict, description="the table [sensors.NAME]: one for the daylight, one for the heads"
    )
    keys: Keys = Field(default=Keys(), description="the table [keys]: what `fillside keys` does")
    plan: Plan = Plan()

    _driver_config: DriverConfig = PrivateAttr(default_factory=DriverConfig)
    _read_phrase: ReadPhrase | None = PrivateAttr(default=None)

    @property
    def driver_config(self) -> DriverConfig:
        """The drivers' options and drives as parsed by their kinds; empty before parsing."""
        return self._driver_config

    def set_driver_config(self, config: DriverConfig) -> None:
        """Set the parsed drivers; only `build_rig` calls this, before it returns the rig."""
        self._driver_config = config

    @property
    def read_phrase(self) -> ReadPhrase | None:
        """The reader of the phrases of `[keys]`; None if they were accepted unchecked."""
        return self._read_phrase

    def set_phrase_reader(self, read_phrase: ReadPhrase | None) -> None:
        """Set the reader of key phrases; only `build_rig` calls this, before it returns the rig."""
        self._read_phrase = read_phrase

    @property
    def first_mark(self) -> Point:
        return next(iter(self.marks.values()))

    @property
    def start(self) -> Point:
        """The subject's place [m] before anything moves it."""
        return self.first_mark if self.subject.at is None else self.marks[self.subject.at]

    @property
    def ambient_toward(self) -> tuple[float, float, float]:
        """The illuminance with all heads out: toward key and fill, and on the exposure receptor [lx].

        A direction left out has none. A dome shows twice the even light that a flat receptor shows.
        """
        even = self.ambient.lux or 0.0
        on_exposure = 2 * even if self.meter.receptor == "dome" else even
        key, fill, camera = (
            default if v is None else v
            for v, default in zip(self.ambient.directions_given, (even, even, on_exposure), strict=True)
        )
        return key, fill, camera

    def aim_of(self, head: Head) -> Point:
        """Return the point a head is aimed at [m]: its own, a mark, or by default the first mark."""
        if head.aim is None:
            return self.first_mark
        return self.marks[head.aim] if isinstance(head.aim, str) else head.aim

    def point_of(self, place: str | Point) -> Point:
        """Return the point [m] that a sensor's table names: a place, the camera, a mark or a head."""
        if not isinstance(place, str):
            return place
        if place == "camera":
            return self.camera.position
        return self.marks[place] if place in self.marks else self.head(place).position

    def sensor_of(self, watches: SensorTarget) -> str | None:
        """Return the name of the sensor that watches the daylight or the heads, or None."""
        return next((name for name, own in self.sensors.items() if own.watches == watches), None)

    def head(self, name: str) -> Head:
        """Return the head of that name; raise KeyError if there is none."""
        for head in self.heads:
            if head.name == name:
                return head
        raise KeyError(name)

    def full_scale_of(self, head: Head) -> int:
        """Return the wire code of a head's full level; 0 for a head without drive."""
        if head.drive is None:
            return 0
        return self._driver_config.full_scales.get(head.name, head.drive.full_scale)

    def dump(self) -> dict[str, Any]:
        """Return the file's content as plain data without defaults, from which a rig can be built again."""
        return self.model_dump(mode="python", exclude_unset=True)
