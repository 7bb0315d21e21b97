"""A calibration as data: what `fillside fit --json` prints and `--calibration FILE` reads.

Every figure is optional. What is given overrides the rig file; what is not known here is kept as it came, so
that a newer fit can say more without an older reader refusing it.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from fillside.rig.tables.model import CurveTable, Name, Rig

Candela = Annotated[float, Field(ge=1e-6, le=10_000_000)]
NotNegative = Annotated[float, Field(ge=0)]
Lux = Annotated[float, Field(ge=0, le=200_000)]


class _Loose(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)


class CalibratedCurve(CurveTable):
    """The dimming curve that the readings gave, as pairs of level and output."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)


class CalibratedHead(_Loose):
    """What the readings say about one head.

    `intensity_cd` [cd] on the axis at full; `setback_m` [m] how far the effective source sits behind the
    head's position along its axis; `diameter_m` [m]; `bounce` [1] share sent back by the room; `floor` [1]
    smallest steady output; `of_full` [1] the light that the lamp's white left it when it was read, over that
    with both its channels at full (None for a lamp of one white); `sigma_stops` [stops] standard uncertainty
    of the predicted light at the marks.
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


class CalibratedAmbient(_Loose):
    """Lux with all heads out, toward the key, toward the fill and as the exposure receptor faces."""

    toward_key: Lux | None = None
    toward_fill: Lux | None = None
    toward_camera: Lux | None = None


class Calibration(_Loose):
    """A whole calibration: heads by name, the ambient light, and the one reading that would help most."""

    heads: dict[Name, CalibratedHead] = Field(default_factory=dict)
    ambient: CalibratedAmbient | None = None
    next: dict[str, Any] | None = None

    def strangers(self, rig: Rig) -> tuple[str, ...]:
        """The names of calibrated heads that the rig does not have."""
        known = {head.name for head in rig.heads}
        return tuple(name for name in self.heads if name not in known)
