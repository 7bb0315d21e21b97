"""The `[room]` table of a rig file: the size of the room and the tone of what it is lined with."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from fillside.rig.fields import InconsistencyError, Number, Table

Metres = Annotated[Number, Field(ge=1, le=200)]
Reflectance = Annotated[Number, Field(ge=0, le=1)]

MOST_REFLECTANCE = 0.95
"""Above this mean of all surfaces the light in a room depends on nothing but the last per cent of it; fresh
white paint reflects less than 0.9 (common practice, no source)."""


class RoomTone(Table):
    """Reflectances of the surfaces of a room."""

    walls: Reflectance = Field(description="share of the light that the walls send back, such as 0.5")
    ceiling: Reflectance = Field(description="share of the light that the ceiling sends back, such as 0.75")
    floor: Reflectance = Field(description="share of the light that the floor sends back, such as 0.2")


ToneName = Literal["white", "average", "dark"]
TONES: dict[str, RoomTone] = {
    "white": RoomTone(walls=0.75, ceiling=0.8, floor=0.3),
    "average": RoomTone(walls=0.5, ceiling=0.75, floor=0.2),
    "dark": RoomTone(walls=0.12, ceiling=0.35, floor=0.1),
}


class Room(Table):
    """A room from wall to wall, from which the light that it sends back is foretold."""

    size: tuple[Metres, Metres, Metres] = Field(
        description="width, depth and height of the room in metres, as [3.6, 4.2, 2.5]"
    )
    tone: ToneName | RoomTone = Field(
        default="average",
        description='"white", "average", "dark", or { walls = 0.5, ceiling = 0.75, floor = 0.2 }',
    )

    @model_validator(mode="after")
    def _loses_light(self) -> Self:
        if self.mean_reflectance > MOST_REFLECTANCE:
            raise InconsistencyError(
                "tone",
                f"sends back {100 * self.mean_reflectance:.0f} % of the light on average; "
                f"{100 * MOST_REFLECTANCE:.0f} % is the most",
            )
        return self

    @property
    def surface_m2(self) -> float:
        """The area of walls, ceiling and floor [m2]."""
        width, depth, height = self.size
        return 2 * (width * depth + (width + depth) * height)

    @property
    def mean_reflectance(self) -> float:
        """The reflectance of all surfaces, weighted by their area."""
        width, depth, height = self.size
        tone = TONES[self.tone] if isinstance(self.tone, str) else self.tone
        sent_back = tone.walls * 2 * (width + depth) * height + (tone.ceiling + tone.floor) * width * depth
        return sent_back / self.surface_m2
