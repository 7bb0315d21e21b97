"""A calibration as data: what `fillside fit --json` prints and `--calibration FILE` reads.

Every figure is optional. What is given overrides the rig file. A key that is not known here, and a value that
does not fit an optional key, is kept as it came, so that a newer fit can say more without an older reader
refusing it.
"""

from __future__ import annotations

from collections.abc import Mapping
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
"""A finite number as it came: a whole one stays whole."""
Place = tuple[Number, Number, Number]


class CalibrationPart(BaseModel):
    """Part of a calibration.

    The fields named in `OPTIONAL` are printed only where they were given. A value that does not fit one of
    them is no error: it is kept, and the field stays empty.
    """

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

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
    """A reading of a calibration as it was handed in, and what the fit makes of it.

    `number` is its place among those weighed, from 1. `expected_lux` is what the fit expects there,
    `residual_stops` what was read over that, `sigma_stops` its standard uncertainty. A reading that was
    `left_out` did not count; `why` says why it is doubted.
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

    OPTIONAL = frozenset(
        {
            *("number", "heads", "levels", "at", "value", "unit", "receptor", "facing", "time", "note"),
            *("read_lux", "expected_lux", "residual_stops", "sigma_stops", "suspect", "left_out", "why"),
        }
    )


class SuggestedReading(CalibrationPart):
    """The one more reading that would help most: a head (None: all out) at a level, and where to meter it.

    `expected_lux` is what it should show, within `sigma_stops`; the other uncertainties are of the held ratio
    and exposure [stops], now and after it. `enough` says that one may as well stop before it; `to_come` is
    how many are to be taken until then.
    """

    head: StrictStr | None = None
    level: Number = 1.0
    at: Place | None = None
    receptor: StrictStr = "flat"
    facing: StrictStr = "head"
    expected_lux: Number | None = None
    sigma_stops: Number | None = None
    ratio_sigma_stops: Number | None = None
    ratio_sigma_after_stops: Number | None = None
    exposure_sigma_stops: Number | None = None
    exposure_sigma_after_stops: Number | None = None
    enough: StrictBool = False
    to_come: Number = 1

    OPTIONAL = frozenset(
        {
            *("head", "level", "at", "receptor", "facing", "expected_lux", "sigma_stops"),
            *("ratio_sigma_stops", "ratio_sigma_after_stops"),
            *("exposure_sigma_stops", "exposure_sigma_after_stops", "enough", "to_come"),
        }
    )


class MarkUncertainty(CalibrationPart):
    """Standard uncertainty of the ratio and the exposure held at a mark [stops]."""

    ratio_sigma_stops: Number | None = None
    exposure_sigma_stops: Number | None = None

    OPTIONAL = frozenset({"ratio_sigma_stops", "exposure_sigma_stops"})


class SensorFactors(CalibrationPart):
    """Ambient light toward key, fill and camera over what a sensor shows."""

    toward_key: Number | None = None
    toward_fill: Number | None = None
    toward_camera: Number | None = None

    OPTIONAL = frozenset({"toward_key", "toward_fill", "toward_camera"})


class CalibratedCurve(CalibrationPart, CurveTable):
    """The dimming curve that the readings gave, as pairs of level and output."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)


class CalibratedHead(CalibrationPart):
    """What the readings say about one head.

    `intensity_cd` [cd] on the axis at full; `setback_m` [m] how far the effective source sits behind the
    head's position along its axis; `diameter_m` [m]; `bounce` [1] share sent back by the room; `floor` [1]
    smallest steady output; `of_full` [1] the light that the lamp's white left it when it was read, over that
    with both its channels at full (None for a lamp of one white); `sigma_stops` [stops] standard uncertainty
    of the predicted light at the marks, `sigma_full_stops` the same at full. `dimmer` names the family of the
    dimmer that was found, with its `exponent`, and the levels at which light sets in and ends to grow.
    """

    intensity_cd: Candela | None = None
    setback_m: Annotated[float, Field(ge=-5, le=5)] | None = None
    diameter_m: Annotated[float, Field(ge=0, le=10)] | None = None
    bounce: Annotated[float, Field(ge=0, le=10)] | None = None
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

    OPTIONAL = frozenset({"sigma_full_stops", "dimmer", "exponent", "dead_zone", "full_from"})


class CalibratedAmbient(CalibrationPart):
    """Lux with all heads out, toward the key, toward the fill and as the exposure receptor faces."""

    toward_key: Lux | None = None
    toward_fill: Lux | None = None
    toward_camera: Lux | None = None
    readings: tuple[WeighedReading, ...] = ()

    OPTIONAL = frozenset({"readings"})


class Calibration(CalibrationPart):
    """A whole calibration: heads by name, the ambient light, and the one reading that would help most.

    `marks` says how sure the light held at each mark is; `hand_sd_m` [m] how far off, on each axis, the
    places of the readings seem to be; `sensors` are the factors of daylight sensors, by name.
    """

    heads: dict[Name, CalibratedHead] = Field(default_factory=dict)
    ambient: CalibratedAmbient | None = None
    next: SuggestedReading | None = None
    marks: dict[str, MarkUncertainty] = Field(default_factory=dict)
    hand_sd_m: Number | None = None
    sensors: dict[str, SensorFactors] = Field(default_factory=dict)

    OPTIONAL = frozenset({"marks", "hand_sd_m", "sensors"})

    def strangers(self, rig: Rig) -> tuple[str, ...]:
        """The names of calibrated heads that the rig does not have."""
        known = {head.name for head in rig.heads}
        return tuple(name for name in self.heads if name not in known)

    def readings(self) -> tuple[WeighedReading, ...]:
        """The readings behind it, each once, head by head and then those of the room."""
        entries = [entry for head in self.heads.values() for entry in head.readings]
        entries += () if self.ambient is None else self.ambient.readings
        return tuple({entry.number: entry for entry in entries}.values())

    def readings_in_order(self) -> tuple[WeighedReading, ...]:
        """The same in the order in which they were handed in."""
        return tuple(sorted(self.readings(), key=_place_among))


def _place_among(entry: WeighedReading) -> tuple[int, str]:
    return (entry.number, "") if isinstance(entry.number, int) else (0, entry.number or "")
