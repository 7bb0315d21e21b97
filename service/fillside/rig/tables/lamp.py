"""A head's lamp and modifier, and the intensity table read from a photometric file."""

from __future__ import annotations

import itertools
import math
from functools import cached_property
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from fillside.photometry.distribution import Distribution
from fillside.rig.fields import Flag, InconsistencyError, Number, Table, Whole

MOST_ANGLES = 1000
LEAST_AXIS_CD = 0.001


class IntensityTable(Table):
    """Intensity by angle from the axis, rotationally symmetric, linear between angles, 0 beyond the last."""

    angles: Annotated[
        tuple[Annotated[Number, Field(ge=0, le=180)], ...], Field(min_length=2, max_length=MOST_ANGLES)
    ] = Field(description="angles from the axis in degrees, from 0, each above the one before")
    candela: Annotated[
        tuple[Annotated[Number, Field(ge=0, le=1e9)], ...], Field(min_length=2, max_length=MOST_ANGLES)
    ] = Field(description="the intensity at each angle in candela")
    lamp_lumens: Annotated[Number, Field(ge=0.001, le=1e9)] | None = Field(
        default=None, description="the light of the bare lamps that those intensities are for, in lumens"
    )
    said_lumens: Annotated[Number, Field(ge=0.001, le=1e9)] | None = Field(
        default=None, description="the light that leaves in all, in lumens, by the file's own words"
    )
    uneven_stops: Annotated[Number, Field(ge=0, le=100)] | None = Field(
        default=None,
        description="the largest deviation of a plane from the mean in the beam, in stops",
    )
    file: Annotated[str, Field(max_length=1024)] | None = Field(
        default=None, description="the photometric file that this was read from"
    )

    @model_validator(mode="after")
    def _is_a_distribution(self) -> Self:
        if len(self.angles) != len(self.candela):
            raise InconsistencyError("candela", "angles and candela must be equally many")
        if self.angles[0] != 0 or any(b <= a for a, b in itertools.pairwise(self.angles)):
            raise InconsistencyError("angles", "angles must start at 0 and rise, each above the one before")
        if self.candela[0] < LEAST_AXIS_CD:
            raise InconsistencyError(
                "candela", f"the first is the intensity on the axis; it must be at least {LEAST_AXIS_CD:g}"
            )
        return self

    @property
    def axis_cd(self) -> float:
        """The intensity on the axis [cd]."""
        return self.candela[0]

    @cached_property
    def distribution(self) -> Distribution:
        """The table relative to the intensity on the axis."""
        return Distribution(self.angles, tuple(value / self.axis_cd for value in self.candela))

    def flux_lm(self, from_deg: float = 0.0, to_deg: float = 180.0) -> float:
        """Return the flux [lm] between two angles from the axis [degrees]."""
        return self.axis_cd * self.distribution.flux_lm_per_cd(from_deg, to_deg)


Photometry = str | IntensityTable
"""The name of a photometric file beside the rig file; its content once the rig is loaded."""

PHOTOMETRY_DESCRIPTION = 'a photometric file beside the rig file, as "softbox.ies", or { angles, candela }'

COOLEST_END_K = 15_000.0
"""Upper limit of the approximation of the Planckian locus, which the mix of two whites needs."""
Kelvin = Annotated[Number, Field(ge=1000, le=20_000)]


class Lamp(Table):
    kind: Literal["led", "incandescent", "halogen", "cfl", "tube", "discharge", "other"] = "led"
    lumens: Annotated[Number, Field(ge=0.1, le=1_000_000)] | None = Field(
        default=None, description="light of one lamp in lumens, such as 3200"
    )
    count: Annotated[Whole, Field(ge=1, le=100, description="the number of lamps in the head")] = 1
    cct: Kelvin | tuple[Kelvin, Kelvin] | None = Field(
        default=None,
        description="correlated colour temperature in kelvin, such as 5600, or its two ends, [2700, 6500]",
    )
    cool_share: Annotated[Number, Field(ge=0.001, le=0.999)] | None = Field(
        default=None,
        description="the cool channel's part of the light with both at full, 0.5 if left out",
    )
    watts: Annotated[Number, Field(ge=0.01, le=20_000)] | None = Field(
        default=None, description="electrical power of one lamp in watts, such as 30"
    )
    battery: Flag | None = Field(
        default=None, description="true if the lamp runs on a battery; its watts then load no circuit"
    )
    dimmable: Flag = Field(default=True, description="true if the lamp may be dimmed at all")
    photometry: Photometry | None = Field(default=None, description=PHOTOMETRY_DESCRIPTION)

    @model_validator(mode="after")
    def _ends_in_order(self) -> Self:
        ends = self.ends_k
        if ends is not None and not ends[0] < ends[1] <= COOLEST_END_K:
            raise InconsistencyError(
                "cct", f"two ends are the warm one, then the cool one, to {COOLEST_END_K:.0f} K at most"
            )
        if ends is None and self.cool_share is not None:
            raise InconsistencyError("cool_share", "is of a lamp with two whites; give both in cct")
        return self

    @property
    def ends_k(self) -> tuple[float, float] | None:
        """The warmest and the coolest white [K] of a lamp with more than one, otherwise None."""
        return self.cct if isinstance(self.cct, tuple) else None

    @property
    def cct_k(self) -> float | None:
        """The white [K] of a lamp with only one, otherwise None."""
        return None if isinstance(self.cct, tuple) else self.cct

    @property
    def cool_part(self) -> float:
        """The cool channel's share of the light with both channels at full."""
        return 0.5 if self.cool_share is None else self.cool_share


class ModifierTable(Table):
    kind: Literal["bare", "shoot-through", "reflective", "softbox", "panel", "reflector", "other"] = "bare"
    diameter: Annotated[Number, Field(ge=0, le=5)] = Field(
        default=0.0, description="diameter of the lit face in metres; 0 is a point"
    )
    efficiency: Annotated[Number, Field(ge=0.0001, le=1)] | None = Field(
        default=None, description="share of the lamp's light that leaves the lit face, such as 0.45"
    )
    loss: Annotated[Number, Field(ge=0, le=10)] | None = Field(
        default=None, description="light lost in the modifier in stops, instead of efficiency"
    )
    spread: Annotated[Number, Field(ge=0, le=200)] | None = Field(
        default=None, description="the m of I = I0 cos^m; 1 is a matt surface"
    )
    beam: Annotated[Number, Field(ge=2, lt=180)] | None = Field(
        default=None, description="degrees between half-intensity directions, instead of spread"
    )
    diffusion: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=0.0, description="extra diffusion before the lamp, as stops of light lost"
    )
    max_watts: Annotated[Number, Field(ge=0.01, le=20_000)] | None = Field(
        default=None, description="the most lamp power the modifier is marked for, in watts"
    )
    photometry: Photometry | None = Field(default=None, description=PHOTOMETRY_DESCRIPTION)

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        for key in ("spread", "beam", "efficiency", "loss"):
            if self.photometry is not None and getattr(self, key) is not None:
                raise InconsistencyError(key, f"the photometric file was measured with it; leave {key} out")
        if self.efficiency is not None and self.loss is not None:
            raise InconsistencyError("loss", "give efficiency or loss, not both")
        if self.spread is not None and self.beam is not None:
            raise InconsistencyError("beam", "give spread or beam, not both")
        return self

    @property
    def transmission(self) -> float:
        """The share of the lamp's light that leaves the lit face, including extra diffusion, 0..1."""
        passed = math.exp2(-(self.loss or 0.0)) if self.efficiency is None else self.efficiency
        return passed * math.exp2(-self.diffusion)

    @property
    def spread_exponent(self) -> float:
        """The exponent m of cos^m: stated, or ln 0.5 / ln cos(beam / 2) from the beam angle."""
        if self.beam is not None:
            return math.log(0.5) / math.log(math.cos(math.radians(self.beam / 2)))
        return 1.0 if self.spread is None else self.spread
