"""A calibration as data: the output of `fillside fit --json` and the input of `--calibration FILE`.

Every figure is optional; those given override the rig file. Unknown keys are kept unchanged, so that an older
reader accepts and passes on the output of a newer fit.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from fillside.rig.tables.model import CurveTable, Name, Rig

Candela = Annotated[float, Field(ge=1e-6, le=10_000_000)]
NotNegative = Annotated[float, Field(ge=0)]
Lux = Annotated[float, Field(ge=0, le=200_000)]


class _OpenModel(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)


class CalibratedCurve(CurveTable):
    """The dimming curve found from the readings, as pairs of level and output."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)


class CalibratedHead(_OpenModel):
    """The properties of one head found from readings.

    Attributes:
        intensity_cd: on the axis at full [cd].
        setback_m: distance of the effective source behind the head's position along its axis [m].
        diameter_m: of the effective source [m].
        bounce: share of its light that the room returns.
        curve: the dimming curve.
        floor: smallest steady output.
        of_full: the lamp's light at the white it was read at, relative to both channels at full; None for a
            lamp with one white.
        sigma_stops: standard uncertainty of the predicted light at the marks [stops].
        readings: the readings of this head, as they were handed in, with their residuals.
    """

    intensity_cd: Candela | None = None
    setback_m: Annotated[float, Field(ge=-5, le=5)] | None = None
    diameter_m: Annotated[float, Field(ge=0, le=10)] | None = None
    bounce: Annotated[float, Field(ge=0, le=10)] | None = None
    curve: CalibratedCurve | None = None
    floor: Annotated[float, Field(ge=0, lt=1)] | None = None
    of_full: Annotated[float, Field(ge=1e-6, le=1)] | None = None
    sigma_stops: NotNegative | None = None
    readings: tuple[dict[str, Any], ...] = ()


class CalibratedAmbient(_OpenModel):
    """Lux with all heads out, toward the key, toward the fill and as the exposure receptor faces."""

    toward_key: Lux | None = None
    toward_fill: Lux | None = None
    toward_camera: Lux | None = None


class Calibration(_OpenModel):
    """A whole calibration: heads by name, the ambient light, and the one reading that would help most."""

    heads: dict[Name, CalibratedHead] = Field(default_factory=dict)
    ambient: CalibratedAmbient | None = None
    next: dict[str, Any] | None = None

    def unknown_heads(self, rig: Rig) -> tuple[str, ...]:
        """Return the names of calibrated heads that the rig does not have."""
        known = {head.name for head in rig.heads}
        return tuple(name for name in self.heads if name not in known)
