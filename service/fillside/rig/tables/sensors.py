"""The `[sensors]` table of a rig file: light sensors that see the daylight, or what the heads give."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from fillside.rig.tables.terms import MisfitError, Name, Part, Point

Watches = Literal["daylight", "heads"]


class Sensor(Part):
    """A lux sensor that stays where it is: it sees the daylight, at a window for example, or the heads, at
    the subject.

    Where one for the daylight is and faces is said only where light of our own heads reaches it: that is then
    taken off.
    """

    watches: Watches = Field(
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
        default="lux", description="what it says when it sends only a number"
    )

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.at is None) != (self.facing is None):
            missing = "facing" if self.facing is None else "at"
            raise MisfitError(missing, "give at and facing together, or neither for one that sees no head")
        if self.watches == "heads" and self.at is None:
            raise MisfitError("at", "a sensor that watches the heads needs at and facing")
        return self
