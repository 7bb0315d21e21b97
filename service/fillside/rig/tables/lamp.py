"""How a head's light spreads as a table: written in the rig file, or read there from a photometric file."""

from __future__ import annotations

import itertools
from functools import cached_property
from typing import Annotated, Self

from pydantic import Field, model_validator

from fillside.photometry.distribution import Distribution
from fillside.rig.tables.terms import MisfitError, Number, Part

MOST_ANGLES = 1000
LEAST_AXIS_CD = 0.001


class LampTable(Part):
    """Intensity by angle from the axis, the same all round it; straight between, nothing beyond the last."""

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
        default=None, description="how far the file's planes are from their mean in the beam, in stops"
    )
    file: Annotated[str, Field(max_length=1024)] | None = Field(
        default=None, description="the photometric file that this was read from"
    )

    @model_validator(mode="after")
    def _is_a_distribution(self) -> Self:
        if len(self.angles) != len(self.candela):
            raise MisfitError("candela", "angles and candela must be equally many")
        if self.angles[0] != 0 or any(b <= a for a, b in itertools.pairwise(self.angles)):
            raise MisfitError("angles", "angles must start at 0 and rise, each above the one before")
        if self.candela[0] < LEAST_AXIS_CD:
            raise MisfitError(
                "candela", f"the first is the intensity on the axis; it must be at least {LEAST_AXIS_CD:g}"
            )
        return self

    @property
    def axis_cd(self) -> float:
        """The intensity on the axis, cd."""
        return self.candela[0]

    @cached_property
    def distribution(self) -> Distribution:
        """The same, over the intensity on the axis."""
        return Distribution(self.angles, tuple(value / self.axis_cd for value in self.candela))

    def flux_lm(self, from_deg: float = 0.0, to_deg: float = 180.0) -> float:
        """The light between two angles from the axis by zonal sum, lm."""
        return self.axis_cd * self.distribution.flux_lm_per_cd(from_deg, to_deg)


LampFile = str | LampTable
"""The name of a photometric file beside the rig file; once the rig is read, what the file says."""

LAMP_FILE_WORDS = 'a photometric file beside the rig file, as "softbox.ies", or { angles, candela }'
