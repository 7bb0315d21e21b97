"""A calibration as data: the output of `fillside fit --json` and the input of `--calibration FILE`.

Every figure is optional; those given override the rig file. Unknown keys, and values that do not fit an
optional key, are kept unchanged, so that an older reader accepts and passes on the output of a newer fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import cache
from typing import Annotated, Any, ClassVar, Self

from pydantic import (
    AllowInfNan,
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    SerializerFunctionWrapHandler,
    Strict,
    StrictBool,
    StrictInt,
    StrictStr,
    TypeAdapter,
    ValidationError,
    model_serializer,
    model_validator,
)
from pydantic_core import PydanticKnownError

from fillside.rig.tables.model import CurveTable, Name, Rig

Candela = Annotated[float, Field(ge=1e-6, le=10_000_000)]
NotNegative = Annotated[float, Field(ge=0)]
Lux = Annotated[float, Field(ge=0, le=200_000)]
Number = StrictInt | Annotated[float, Strict(), AllowInfNan(False)]
"""A finite number; an integer stays an integer."""
Place = tuple[Number, Number, Number]


class CalibrationPart(BaseModel):
    """Base of all parts of a calibration.

    Fields named in `OPTIONAL` are output only if they were given. A value that does not fit such a field is
    not an error: it is kept unchanged, and the field stays empty.
    """

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False, defer_build=True)

    OPTIONAL: ClassVar[frozenset[str]] = frozenset()
    _unknown: dict[str, Any] = PrivateAttr(default_factory=dict)

    @model_validator(mode="wrap")
    @classmethod
    def _keep_unknown(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        if isinstance(data, cls):
            return data
        if not isinstance(data, Mapping):
            raise PydanticKnownError("dict_type")
        known = {key: value for key, value in data.items() if cls._knows(key, value)}
        part = handler(known)
        part._unknown.update({key: value for key, value in data.items() if key not in known})
        return part

    @classmethod
    def _knows(cls, key: str, value: Any) -> bool:
        if key not in cls.OPTIONAL:
            return key in cls.model_fields
        try:
            _field_type(cls, key).validate_python(value)
        except ValidationError:
            return False
        return True

    @model_serializer(mode="wrap")
    def _with_unknown(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        absent = self.OPTIONAL - self.model_fields_set
        return {key: value for key, value in handler(self).items() if key not in absent} | self._unknown


@cache
def _field_type(part: type[CalibrationPart], name: str) -> TypeAdapter[Any]:
    return TypeAdapter(part.model_fields[name].rebuild_annotation())


class WeighedReading(CalibrationPart):
    """A reading as entered, with the fit's expectation of it.

    Attributes:
        number: its number among the readings of the fit, from 1.
        read_lux: the reading [lx].
        expected_lux: the fit's expectation [lx].
        residual_stops: reading over expectation [stops].
        sigma_stops: standard uncertainty of the reading [stops].
        suspect: true if the other readings contradict it.
        left_out: true if the fit did not use it.
        why: the reason for doubting it.
        daylight_lux: what the sensor `daylight_sensor` at the window showed of the room alone [lx].
    """

    number: StrictInt | StrictStr | None = None
    heads: tuple[StrictStr, ...] = ()
    levels: tuple[Number, ...] = ()
    at: Place | None = None
    value: Number | None = None
    unit: StrictStr = "lux"
    receptor: StrictStr = "flat"
    facing: StrictStr = "head"
    time: StrictStr | None = None
    note: StrictStr | None = None
    read_lux: Number | None = None
    expected_lux: Number | None = None
    residual_stops: Number | None = None
    sigma_stops: Number | None = None
    suspect: StrictBool = False
    left_out: StrictBool = False
    why: StrictStr | None = None
    daylight_lux: NotNegative | None = None
    daylight_sensor: StrictStr | None = None

    OPTIONAL = frozenset(
        {
            *("number", "heads", "levels", "at", "value", "unit", "receptor", "facing", "time", "note"),
            *("read_lux", "expected_lux", "residual_stops", "sigma_stops", "suspect", "left_out", "why"),
            *("daylight_lux", "daylight_sensor"),
        }
    )


class SuggestedReading(CalibrationPart):
    """The next question that would help most: a reading of a head (None: all out) at a level, with the
    meter's place, or a tape measure from there to the head.

    Attributes:
        unit: "m" for a tape measure; left out for a reading of light.
        expected_lux: expected reading [lx], within `sigma_stops`.
        expected_m: expected distance [m], within `sigma_m`.
        ratio_sigma_stops, ratio_sigma_after_stops, ratio_sigma_after_two_stops: standard uncertainty of the
            ratio held at the marks, now, after this answer, and after one more [stops].
        exposure_sigma_stops and so on: the same of the exposure [stops].
        face_sigma_stops and so on: the same of the face's two sides [stops].
        others_sigma_stops and so on: the same of hair and background heads against the key [stops].
        good: true if the light is known well enough to shoot.
        enough: true if this answer is no longer necessary: it is good, or little is to be gained.
        to_come, to_come_s: number of answers until no more are necessary, and the time that they take [s].
    """

    head: StrictStr | None = None
    level: Number = 1.0
    at: Place | None = None
    receptor: StrictStr = "flat"
    facing: StrictStr = "head"
    unit: StrictStr | None = None
    expected_lux: Number | None = None
    sigma_stops: Number | None = None
    expected_m: Number | None = None
    sigma_m: Number | None = None
    ratio_sigma_stops: Number | None = None
    ratio_sigma_after_stops: Number | None = None
    ratio_sigma_after_two_stops: Number | None = None
    exposure_sigma_stops: Number | None = None
    exposure_sigma_after_stops: Number | None = None
    exposure_sigma_after_two_stops: Number | None = None
    face_sigma_stops: Number | None = None
    face_sigma_after_stops: Number | None = None
    face_sigma_after_two_stops: Number | None = None
    others_sigma_stops: Number | None = None
    others_sigma_after_stops: Number | None = None
    others_sigma_after_two_stops: Number | None = None
    good: StrictBool = False
    enough: StrictBool = False
    to_come: Number = 1
    to_come_s: Number | None = None

    OPTIONAL = frozenset(
        {
            *("head", "level", "at", "receptor", "facing", "unit"),
            *("expected_lux", "sigma_stops", "expected_m", "sigma_m"),
            *("ratio_sigma_stops", "ratio_sigma_after_stops", "ratio_sigma_after_two_stops"),
            *("exposure_sigma_stops", "exposure_sigma_after_stops", "exposure_sigma_after_two_stops"),
            *("face_sigma_stops", "face_sigma_after_stops", "face_sigma_after_two_stops"),
            *("others_sigma_stops", "others_sigma_after_stops", "others_sigma_after_two_stops"),
            *("good", "enough", "to_come", "to_come_s"),
        }
    )


class MarkUncertainty(CalibrationPart):
    """Standard uncertainty of the ratio and the exposure held at a mark [stops]."""

    ratio_sigma_stops: Number | None = None
    exposure_sigma_stops: Number | None = None

    OPTIONAL = frozenset({"ratio_sigma_stops", "exposure_sigma_stops"})


class SensorFactors(CalibrationPart):
    """A sensor's reading when the ambient light was as the calibration says [lx]; in older calibrations, in
    place of it, the ambient light toward key, fill and camera relative to that reading."""

    shown_lux: NotNegative | None = None
    toward_key: Number | None = None
    toward_fill: Number | None = None
    toward_camera: Number | None = None

    OPTIONAL = frozenset({"shown_lux", "toward_key", "toward_fill", "toward_camera"})


class CalibratedCurve(CalibrationPart, CurveTable):
    """The dimming curve found from the readings, as pairs of level and output."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False, defer_build=True)

    def rounded(self, short: Callable[[float], float]) -> Self:
        """The same curve with outputs as `short` makes them."""
        return self.model_copy(update={"outputs": tuple(map(short, self.outputs))})


class HeadNote(CalibrationPart):
    """News of a head beside readings: a "tape" measure of its distance from a place [m], that its
    stand was "moved" (and where the file had it before, `was` [m]), or its lamp "changed" (and what
    intensity the file had before, `was_cd`)."""

    head: StrictStr | None = None
    kind: StrictStr | None = None
    at: Place | None = None
    distance_m: Number | None = None
    was: Place | None = None
    was_cd: Number | None = None
    time: StrictStr | None = None
    note: StrictStr | None = None

    OPTIONAL = frozenset({"head", "kind", "at", "distance_m", "was", "was_cd", "time", "note"})


class CalibratedRoom(CalibrationPart):
    """Light that does not come direct: its mean, and its vector of twice that length at most [lx]."""

    mean: Lux
    vector: tuple[Number, Number, Number] = (0, 0, 0)

    OPTIONAL = frozenset()

    @model_validator(mode="after")
    def _has_no_dark_side(self) -> Self:
        if math.hypot(*self.vector) > 2 * self.mean * (1 + _ROUNDED):
            raise ValueError("the vector is at most twice as long as the mean")
        return self

    def rounded(self, short: Callable[[float], float]) -> Self:
        """The same light with numbers as `short` makes them."""
        x, y, z = map(short, self.vector)
        return self.model_copy(update={"mean": short(self.mean), "vector": (x, y, z)})


_ROUNDED = 1e-3
"""Slack that allows a vector and a mean that were each rounded."""


class CalibratedHead(CalibrationPart):
    """The properties of one head as found from readings.

    Attributes:
        intensity_cd: intensity on the axis at full [cd].
        setback_m: distance of the effective source behind the head's position along its axis [m].
        diameter_m: diameter of the effective source [m].
        bounce: mean of what the room sends back, as a part of its direct light at its aim point; in older
            calibrations, in place of `room`.
        room: what the room sends back of it at full.
        curve: the dimming curve.
        floor: smallest steady output.
        of_full: the lamp's light in the white of the readings, relative to both channels at full; None for a
            lamp with one white.
        sigma_stops: standard uncertainty of the predicted light at the marks [stops].
        readings: the readings of this head.
        sigma_full_stops: standard uncertainty of the predicted light at full [stops].
        dimmer: family of the dimmer, with its `exponent`.
        dead_zone: level up to which the head stays dark.
        full_from: level from which the head is at full.
    """

    intensity_cd: Candela | None = None
    setback_m: Annotated[float, Field(ge=-5, le=5)] | None = None
    diameter_m: Annotated[float, Field(ge=0, le=10)] | None = None
    bounce: Annotated[float, Field(ge=0, le=10)] | None = None
    room: CalibratedRoom | None = None
    curve: CalibratedCurve | None = None
    floor: Annotated[float, Field(ge=0, lt=1)] | None = None
    of_full: Annotated[float, Field(ge=1e-6, le=1)] | None = None
    sigma_stops: NotNegative | None = None
    readings: tuple[WeighedReading, ...] = ()
    sigma_full_stops: Number | None = None
    dimmer: StrictStr | None = None
    exponent: Number | None = None
    dead_zone: Number | None = None
    full_from: Number | None = None

    OPTIONAL = frozenset({"room", "sigma_full_stops", "dimmer", "exponent", "dead_zone", "full_from"})


class CalibratedAmbient(CalibrationPart):
    """Illuminance with all heads out toward the key, the fill and the camera [lx], with its readings.

    `mean` and `vector` [lx] are that light by direction, as of a `CalibratedRoom`, but for a window's: what
    that adds at the first mark on a receptor that faces it, from its direction [lx], and how far it is [m].
    """

    toward_key: Lux | None = None
    toward_fill: Lux | None = None
    toward_camera: Lux | None = None
    mean: Lux | None = None
    vector: tuple[Number, Number, Number] | None = None
    window: tuple[Number, Number, Number] | None = None
    window_m: Number | None = None
    readings: tuple[WeighedReading, ...] = ()

    OPTIONAL = frozenset({"mean", "vector", "window", "window_m", "readings"})

    def times(self, factor: float) -> Self:
        """The same light so many times as bright; its readings stay as they are."""
        numbers = self.model_dump(exclude_none=True, exclude={"readings", "window_m"})
        scaled = {
            key: tuple(factor * part for part in own) if isinstance(own, tuple) else factor * own
            for key, own in numbers.items()
            if key in type(self).model_fields
        }
        return self.model_copy(update=scaled)


class Calibration(CalibrationPart):
    """A calibration.

    Attributes:
        heads: heads by name.
        ambient: the ambient light.
        next: the reading that would help most.
        marks: uncertainty of the light held at each mark.
        hand_sd_m: apparent standard deviation of the places of the readings on each axis [m].
        sensors: the daylight sensors by name.
        told: what was told of heads beside readings.
    """

    heads: dict[Name, CalibratedHead] = Field(default_factory=dict)
    ambient: CalibratedAmbient | None = None
    next: SuggestedReading | None = None
    marks: dict[str, MarkUncertainty] = Field(default_factory=dict)
    hand_sd_m: Number | None = None
    sensors: dict[str, SensorFactors] = Field(default_factory=dict)
    told: tuple[HeadNote, ...] = ()

    OPTIONAL = frozenset({"marks", "hand_sd_m", "sensors", "told"})

    def unknown_heads(self, rig: Rig) -> tuple[str, ...]:
        """Return the names of calibrated heads that the rig does not have."""
        known = {head.name for head in rig.heads}
        return tuple(name for name in self.heads if name not in known)

    def readings(self) -> tuple[WeighedReading, ...]:
        """Return all readings, each once: head by head, then those of the room."""
        entries = [entry for head in self.heads.values() for entry in head.readings]
        entries += () if self.ambient is None else self.ambient.readings
        return tuple({entry.number: entry for entry in entries}.values())

    def readings_in_order(self) -> tuple[WeighedReading, ...]:
        """Return all readings in the order in which they were entered."""
        return tuple(sorted(self.readings(), key=_place_among))


def _place_among(entry: WeighedReading) -> tuple[int, str]:
    return (entry.number, "") if isinstance(entry.number, int) else (0, entry.number or "")
