"""The rig file as pydantic models: what may be written, and what it may not contradict.

Everything here is pure: no file is opened and no driver imported. `rig.load` turns a TOML text into a `Rig`
and gives every error its place in the file.
"""

from __future__ import annotations

import math
import re
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, Strict, field_validator, model_validator

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
"""What rig, role, head, mark and driver names look like (whole match)."""

BALANCED_ROLES = ("key", "fill")
RELATIVE_ROLES = ("hair", "background")
WORK_ROLE = "work"
DEFAULT_RELATIVE_STOPS = {"hair": 0.0, "background": -1.0}
"""Where a hair-like or background role is held when `balance.relative` is silent about it, in stops."""

FARTHEST_M, LOWEST_M, HIGHEST_M, NEAREST_M = 15.0, 0.0, 4.0, 0.05
"""How far from the first mark a subject may be, how low, how high, and how near to a lit disc, in metres."""

Name = Annotated[str, Field(pattern=rf"^{NAME.pattern}$")]
Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
Flag = Annotated[bool, Strict()]
Point = tuple[Number, Number, Number]


class Part(BaseModel):
    """What all tables of the rig file share: no unknown key, no NaN, no change after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class RigTable(Part):
    name: Name


def shutter_seconds(text: str | float) -> float:
    """Exposure time in seconds from ``"1/50"`` or a number of seconds; times mean what they say.

    >>> shutter_seconds("1/50")
    0.02
    """
    if isinstance(text, str):
        match = re.fullmatch(r"\s*1\s*/\s*(\d+(?:\.\d+)?)\s*s?\s*", text)
        if not match or float(match[1]) == 0:
            raise ValueError('a shutter time is written "1/50" or as seconds')
        return 1 / float(match[1])
    return float(text)


class Camera(Part):
    position: Point
    iso: Annotated[Number, Field(gt=0, le=10_000_000)] | None = None
    shutter: str | Number | None = None
    shutter_angle: Annotated[Number, Field(gt=0, le=360)] | None = None
    fps: Annotated[Number, Field(gt=0, le=1000)] | None = None
    aperture: Annotated[Number, Field(ge=0.5, le=128)] | None = None
    nd_stops: Annotated[Number, Field(ge=0, le=20)] = 0.0
    loss_stops: Annotated[Number, Field(ge=0, le=10)] = 0.0
    offset_stops: Annotated[Number, Field(ge=-10, le=10)] = 0.0

    @field_validator("shutter")
    @classmethod
    def _shutter_is_a_time(cls, value: str | float | None) -> str | float | None:
        if value is not None and not 0 < shutter_seconds(value) <= 60:
            raise ValueError('a shutter time is written "1/50" or as seconds, more than 0 and at most 60')
        return value

    @model_validator(mode="after")
    def _one_shutter(self) -> Self:
        if self.shutter is not None and self.shutter_angle is not None:
            raise ValueError("give shutter or shutter_angle, not both")
        if self.shutter_angle is not None and self.fps is None:
            raise ValueError("shutter_angle needs fps")
        return self

    @property
    def exposure_time_s(self) -> float | None:
        """The time one frame is exposed for, in seconds; None when the file does not say."""
        if self.shutter is not None:
            return shutter_seconds(self.shutter)
        if self.shutter_angle is not None and self.fps is not None:
            return self.shutter_angle / 360 / self.fps
        return None


Receptor = Literal["dome", "flat"]
DEFAULT_CONSTANT: dict[str, float] = {"flat": 250.0, "dome": 330.0}
"""The C of ISO 2720 taken for a receptor when none is stated, lux second ISO."""


class Meter(Part):
    receptor: Receptor = "dome"
    facing: Literal["camera", "key"] = "camera"
    constant: Annotated[Number, Field(ge=100, le=1000)] | None = None
    sigma: Annotated[Number, Field(gt=0, le=2)] = 0.05

    def constant_of(self, receptor: str) -> float:
        """The C of ISO 2720 for readings made with `receptor`."""
        if receptor == self.receptor and self.constant is not None:
            return self.constant
        return DEFAULT_CONSTANT[receptor]


class Subject(Part):
    at: Name | None = None
    looks: str = "camera"
    most_lux: Annotated[Number, Field(gt=0, le=200_000)] | None = None


ReadAs = Literal["key:fill", "key+fill:fill", "face"]
_COLON = re.compile(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*")
_STOPS = re.compile(r"\s*([+-]?\d+(?:\.\d+)?(?:\s*/\s*\d+)?)\s*stops?\s*")
WIDEST_RATIO = 1024.0


def number_of_stops(text: str) -> float:
    """Stops from ``"1"``, ``"-1/3"`` or ``"0.5"``.

    >>> round(number_of_stops("-1/3"), 4)
    -0.3333
    """
    match = re.fullmatch(r"\s*([+-]?)\s*(\d+(?:\.\d+)?)(?:\s*/\s*(\d+))?\s*", text)
    if not match or match[3] == "0":
        raise ValueError(f"{text!r} is not a number of stops such as 1, -0.5 or -1/3")
    value = float(match[2]) / float(match[3] or 1)
    return -value if match[1] == "-" else value


def ratio_number(value: str | float, read_as: ReadAs) -> float:
    """A ratio in the terms of `read_as`, from ``"3:1"``, ``3.0`` or ``"1 stop"``.

    Stops always mean key over fill, each alone, whatever `read_as` says.

    >>> ratio_number("1 stop", "key+fill:fill")
    3.0
    """
    number = _plain_ratio(value, read_as) if isinstance(value, str) else float(value)
    least = 1.0 if read_as == "key+fill:fill" else 0.0
    if not (math.isfinite(number) and least < number <= WIDEST_RATIO and number >= 1 / WIDEST_RATIO):
        low = "above 1:1" if least else f"from 1:{WIDEST_RATIO:.0f}"
        raise ValueError(f"a ratio read as {read_as} goes {low} to {WIDEST_RATIO:.0f}:1")
    return number


def _plain_ratio(text: str, read_as: ReadAs) -> float:
    if match := _COLON.fullmatch(text):
        if float(match[2]) == 0:
            raise ValueError("a ratio to nothing is no ratio; write it such as 2:1")
        return float(match[1]) / float(match[2])
    if match := _STOPS.fullmatch(text):
        if read_as == "face":
            raise ValueError(
                'a ratio in stops is key over fill; with read_as = "face" write it such as "2:1"'
            )
        stops = number_of_stops(match[1])
        if abs(stops) > 10:
            raise ValueError("a ratio in stops goes from -10 to 10")
        return math.exp2(stops) + (1.0 if read_as == "key+fill:fill" else 0.0)
    try:
        return float(text)
    except ValueError:
        raise ValueError(f'{text!r} is not a ratio; write it "2:1", 2.0 or "1 stop"') from None


Stops = Annotated[Number, Field(ge=-12, le=12)]
Against = Literal["key", "exposure"]


class Balance(Part):
    ratio: str | Number = "2:1"
    read_as: ReadAs = "key:fill"
    exposure: Literal["camera"] | Annotated[Number, Field(gt=0, le=200_000)] = "camera"
    protect: Literal["ratio", "exposure"] = "ratio"
    most_over: Annotated[Number, Field(ge=0, le=10)] = 0.5
    when_lost: Literal["keep", "solve"] = "keep"
    relative: dict[Name, Stops] = Field(default_factory=dict)
    against: dict[Name, Against] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _ratio_reads(self) -> Self:
        ratio_number(self.ratio, self.read_as)
        return self

    @property
    def ratio_value(self) -> float:
        """The wanted ratio in the terms of `read_as`."""
        return ratio_number(self.ratio, self.read_as)


PACES: dict[str, tuple[float, float]] = {"calm": (0.15, 0.3), "quick": (0.0, 3.0)}
"""What a pace stands for: dead band in stops, follow speed in stops per second."""


class Hold(Part):
    pace: Literal["calm", "quick"] = "calm"
    dead_band: Annotated[Number, Field(ge=0, le=2)] | None = None
    follow_speed: Annotated[Number, Field(gt=0, le=6)] | None = None
    order_speed: Annotated[Number, Field(gt=0, le=6)] = 1.0

    @property
    def dead_band_stops(self) -> float:
        return PACES[self.pace][0] if self.dead_band is None else self.dead_band

    @property
    def follow_speed_stops_s(self) -> float:
        return PACES[self.pace][1] if self.follow_speed is None else self.follow_speed


Lux = Annotated[Number, Field(ge=0, le=200_000)]


class Ambient(Part):
    lux: Lux | None = None
    toward_key: Lux | None = None
    toward_fill: Lux | None = None
    toward_camera: Lux | None = None

    @model_validator(mode="after")
    def _lux_alone(self) -> Self:
        if self.lux is not None and any(v is not None for v in self.directions_given):
            raise ValueError(
                "lux stands for all three directions; give it alone, or the directions without it"
            )
        return self

    @property
    def directions_given(self) -> tuple[float | None, ...]:
        return (self.toward_key, self.toward_fill, self.toward_camera)

    @property
    def toward(self) -> tuple[float, float, float]:
        """Lux toward key, fill and camera, all heads out."""
        return tuple(  # type: ignore[return-value]
            (self.lux or 0.0) if v is None else v for v in self.directions_given
        )


class Lamp(Part):
    kind: Literal["led", "incandescent", "halogen", "cfl", "tube", "discharge", "other"] = "led"
    lumens: Annotated[Number, Field(gt=0, le=1_000_000)] | None = None
    count: Annotated[Whole, Field(ge=1, le=100)] = 1
    cct: Annotated[Number, Field(ge=1000, le=20_000)] | None = None
    watts: Annotated[Number, Field(gt=0, le=20_000)] | None = None
    dimmable: Flag = True


class Modifier(Part):
    kind: Literal["bare", "shoot-through", "reflective", "softbox", "panel", "reflector", "other"] = "bare"
    diameter: Annotated[Number, Field(ge=0, le=5)] = 0.0
    efficiency: Annotated[Number, Field(gt=0, le=1)] | None = None
    loss: Annotated[Number, Field(ge=0, le=10)] | None = None
    spread: Annotated[Number, Field(ge=0, le=200)] | None = None
    beam: Annotated[Number, Field(ge=2, lt=180)] | None = None
    diffusion: Annotated[Number, Field(ge=0, le=10)] = 0.0
    max_watts: Annotated[Number, Field(gt=0, le=20_000)] | None = None

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        if self.efficiency is not None and self.loss is not None:
            raise ValueError("give efficiency or loss, not both")
        if self.spread is not None and self.beam is not None:
            raise ValueError("give spread or beam, not both")
        return self

    @property
    def transmission(self) -> float:
        """Share of the lamp's light that leaves the lit face, extra diffusion counted, 0..1."""
        passed = math.exp2(-(self.loss or 0.0)) if self.efficiency is None else self.efficiency
        return passed * math.exp2(-self.diffusion)

    @property
    def spread_exponent(self) -> float:
        """The m of cos^m: stated, or from the beam angle as ln 0.5 / ln cos(beam / 2)."""
        if self.beam is not None:
            return math.log(0.5) / math.log(math.cos(math.radians(self.beam / 2)))
        return 1.0 if self.spread is None else self.spread


class CurveTable(Part):
    """Measured pairs of level and output; (0, 0) is added if absent and the last output is 1."""

    levels: Annotated[tuple[Annotated[Number, Field(ge=0, le=1)], ...], Field(min_length=1, max_length=1024)]
    outputs: Annotated[tuple[Annotated[Number, Field(ge=0, le=1)], ...], Field(min_length=1, max_length=1024)]

    @model_validator(mode="after")
    def _monotone(self) -> Self:
        if len(self.levels) != len(self.outputs):
            raise ValueError("levels and outputs must be equally many")
        if any(b <= a for a, b in zip(self.levels, self.levels[1:], strict=False)):
            raise ValueError("levels must rise strictly")
        if any(b < a for a, b in zip(self.outputs, self.outputs[1:], strict=False)):
            raise ValueError("outputs must never fall")
        if self.outputs[-1] != 1:
            raise ValueError("the last output must be 1")
        if self.levels[-1] == 0:
            raise ValueError("the last level must be above 0")
        return self


CurveName = Literal["linear", "square", "log", "lightness", "fixed"]


class Dimming(Part):
    curve: CurveName | CurveTable = "linear"
    floor: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    measured: Flag = False

    @property
    def fixed(self) -> bool:
        return self.curve == "fixed"


class Drive(BaseModel):
    """Which driver lights the head and where on its wire; the driver's own keys are checked by its kind."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)

    driver: Name
    bits: Literal[8, 16] = 8

    @property
    def full_scale(self) -> int:
        """The wire code of full level: 2^bits - 1, unless the driver's kind counts otherwise."""
        own = (self.model_extra or {}).get("full_scale")
        return int(own) if own is not None else 2**self.bits - 1


class DriverTable(BaseModel):
    """One wire; the options are checked by the driver's kind."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)

    kind: Name


class Head(Part):
    name: Name
    role: Name
    holds_like: Literal["hair"] | None = None
    position: Point
    aim: Name | Point | None = None
    intensity: Annotated[Number, Field(gt=0, le=10_000_000)] | None = None
    lamp: Lamp | None = None
    modifier: Modifier = Modifier()
    bounce: Annotated[Number, Field(ge=0, le=1)] = 0.0
    dimming: Dimming = Dimming()
    drive: Drive | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        known = (*BALANCED_ROLES, *RELATIVE_ROLES, WORK_ROLE)
        if self.role not in known and self.holds_like is None:
            raise ValueError(
                f'role "{self.role}" is not one of {", ".join(known)}; it needs holds_like = "hair"'
            )
        if self.role in known and self.holds_like is not None and self.role != "hair":
            raise ValueError(f'role "{self.role}" has its own rule; leave holds_like out')
        if self.intensity is None and (self.lamp is None or self.lamp.lumens is None):
            raise ValueError("give intensity in cd, or lamp.lumens to work it out from")
        if self.role == "background" and not isinstance(self.aim, tuple):
            raise ValueError("a background head must give the point it is aimed at, as aim = [x, y, z]")
        return self._electrics()

    def _electrics(self) -> Self:
        if self.dimming.fixed and self.drive is not None:
            raise ValueError('a head with dimming.curve = "fixed" cannot be dimmed; leave drive out')
        if not self.dimming.fixed and self.drive is None:
            raise ValueError(
                'a dimmed head needs drive; one that cannot be dimmed has dimming.curve = "fixed"'
            )
        if self.lamp is not None and not self.lamp.dimmable and not self.dimming.fixed:
            raise ValueError('the lamp is not dimmable: set dimming.curve = "fixed" and leave drive out')
        load, most = self.load_watts, self.modifier.max_watts
        if load is not None and most is not None and load > most:
            raise ValueError(f"{load:g} W of lamps are over the modifier's max_watts of {most:g} W")
        return self

    @property
    def load_watts(self) -> float | None:
        return None if self.lamp is None or self.lamp.watts is None else self.lamp.watts * self.lamp.count

    @property
    def computed_intensity_cd(self) -> float | None:
        """I0 = lumens x count x efficiency x (spread + 1) / 2 pi, in cd; None without lumens."""
        if self.lamp is None or self.lamp.lumens is None:
            return None
        flux_lm = self.lamp.lumens * self.lamp.count * self.modifier.transmission
        return flux_lm * (self.modifier.spread_exponent + 1) / (2 * math.pi)

    @property
    def intensity_cd(self) -> float:
        """The intensity on the axis at full, in cd: as stated, else worked out from lamp and modifier."""
        value = self.computed_intensity_cd if self.intensity is None else self.intensity
        assert value is not None, "a head without intensity has lumens"
        return value

    @property
    def rule(self) -> str:
        """Which rule of the balance holds this head: key, fill, hair, background or work."""
        return self.holds_like or self.role


class Rig(Part):
    """A whole rig file."""

    rig: RigTable
    camera: Camera
    meter: Meter = Meter()
    marks: Annotated[dict[Name, Point], Field(min_length=1)]
    subject: Subject = Subject()
    balance: Balance = Balance()
    hold: Hold = Hold()
    ambient: Ambient = Ambient()
    heads: Annotated[tuple[Head, ...], Field(min_length=1, max_length=4096)]
    drivers: dict[Name, DriverTable] = Field(default_factory=dict)

    @property
    def first_mark(self) -> Point:
        return next(iter(self.marks.values()))

    @property
    def start(self) -> Point:
        """Where the subject is before anything moved it."""
        return self.first_mark if self.subject.at is None else self.marks[self.subject.at]

    def aim_of(self, head: Head) -> Point:
        """The point a head is aimed at: its own, a mark's, or the first mark."""
        if head.aim is None:
            return self.first_mark
        return self.marks[head.aim] if isinstance(head.aim, str) else head.aim

    def head(self, name: str) -> Head:
        """The head of that name; KeyError if there is none."""
        for head in self.heads:
            if head.name == name:
                return head
        raise KeyError(name)

    def dump(self) -> dict[str, Any]:
        """The file's content as plain data, defaults left out, fit to be changed and read again."""
        return self.model_dump(mode="python", exclude_unset=True)
