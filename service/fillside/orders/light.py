"""The orders that move the light, as models of JSON such as ``{"do": "trim", "role": "fill", "by": -1}``.

The first line of each docstring is the order's help line in the registry; the rest describes its fields.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from fillside.orders.model import LightOrder, models_of
from fillside.rig.fields import InconsistencyError, Number, Point, StopsOrOut
from fillside.rig.notation import number_of_stops
from fillside.rig.tables.model import ReadAs, RelativeTo

MOST_TRIM_STOPS = 6.0
"""The limit of the sum of all trims of a role, up or down."""
MOST_EXPOSE_STOPS = 6.0
"""The limit of the sum of all stops on top of the exposure, up or down."""


def _stops(value: object) -> object:
    return number_of_stops(value) if isinstance(value, str) else value


def _stops_or_out(value: object) -> object:
    return value if value == "out" else _stops(value)


Stops = Annotated[Number, BeforeValidator(_stops)]


class Trim(LightOrder):
    """Put a role up or down by hand, in stops.

    Give either stops to add to the trim, or a new trim, which may be "out". Trims are added to the balance.
    """

    alternatives: ClassVar[tuple[str, str] | None] = ("by", "to")

    do: Literal["trim"]
    role: str = Field(description="the role whose light changes, such as fill")
    by: Annotated[Stops, Field(ge=-12, le=12)] | None = Field(
        default=None, description='stops to add to the trim, such as -1 or "-1/3"'
    )
    to: (
        Annotated[
            Literal["out"] | Annotated[Number, Field(ge=-MOST_TRIM_STOPS, le=MOST_TRIM_STOPS)],
            BeforeValidator(_stops_or_out),
        ]
        | None
    ) = Field(default=None, description='the trim in stops from -6 to 6, such as 0 or "1/3", or "out"')

    @model_validator(mode="after")
    def _by_or_to(self) -> Self:
        if (self.by is None) == (self.to is None):
            raise InconsistencyError("by", 'give either "by" or "to", in stops')
        return self


class BalanceOrder(LightOrder):
    """Ask for another ratio of key to fill.

    The order can also change the meaning of the ratio, the limits, and the other roles. Fields left out keep
    their values.
    """

    do: Literal["balance"]
    ratio: str | Number | None = Field(default=None, description='a ratio such as "3:1", 3.0 or "1 stop"')
    read_as: ReadAs | None = Field(default=None, description="which two lights the ratio compares")
    protect: Literal["ratio", "exposure"] | None = Field(
        default=None, description="what is kept when both cannot be"
    )
    most_over: Annotated[Stops, Field(ge=0, le=10)] | None = Field(
        default=None, description="stops over the exposure target that keeping the ratio may cost"
    )
    most_under: Annotated[Stops, Field(ge=0, le=10)] | None = Field(
        default=None, description="stops under the exposure target that keeping the ratio may cost"
    )
    when_lost: Literal["keep", "solve"] | None = Field(
        default=None, description="what the other heads do when a head is lost"
    )
    relative: Mapping[str, Annotated[StopsOrOut, BeforeValidator(_stops_or_out)]] | None = Field(
        default=None, description='stops of the other roles, or "out", such as {"hair": -0.5}'
    )
    against: Mapping[str, RelativeTo] | None = Field(
        default=None, description='what those stops are against, such as {"background": "exposure"}'
    )

    @model_validator(mode="after")
    def _wants_something(self) -> Self:
        if self.read_as is not None and self.ratio is None:
            raise InconsistencyError("ratio", "a new read_as needs the ratio in its terms beside it")
        if not self.model_fields_set - {"do"}:
            raise InconsistencyError("ratio", 'give what is to change, such as "ratio": "3:1"')
        return self


class Expose(LightOrder):
    """Ask for more or less exposure, in stops, or for one in lux.

    The exposure is that at the subject. Stops are added to the wanted exposure; lux replace it; "camera"
    returns to the exposure that the camera settings require.
    """

    alternatives: ClassVar[tuple[str, str] | None] = ("by", "to")

    do: Literal["expose"]
    by: Annotated[Stops, Field(ge=-12, le=12)] | None = Field(
        default=None, description='stops to add to the exposure, such as "+1/3"; in all from -6 to 6'
    )
    to: Literal["camera"] | Annotated[Number, Field(ge=0.01, le=200_000)] | None = Field(
        default=None, description='lux at the subject, or "camera"'
    )

    @model_validator(mode="after")
    def _by_or_to(self) -> Self:
        if (self.by is None) == (self.to is None):
            raise InconsistencyError("by", 'give either "by" in stops or "to" in lux')
        return self


class CameraOrder(LightOrder):
    """Say what changed at the camera.

    Fields left out keep their values.
    """

    do: Literal["camera"]
    iso: Annotated[Number, Field(ge=0.1, le=10_000_000)] | None = Field(default=None, description="the ISO")
    shutter: str | Number | None = Field(default=None, description='"1/50", or a number of seconds')
    shutter_angle: Annotated[Number, Field(ge=0.1, le=360)] | None = Field(
        default=None, description="degrees; needs fps, here or in the rig file"
    )
    fps: Annotated[Number, Field(ge=0.01, le=1000)] | None = Field(
        default=None, description="frames per second"
    )
    aperture: Annotated[Number, Field(ge=0.5, le=128)] | None = Field(
        default=None, description="the f-number, such as 2.8"
    )
    nd_stops: Annotated[Stops, Field(ge=0, le=20)] | None = Field(
        default=None, description="stops of neutral-density filters"
    )
    loss_stops: Annotated[Stops, Field(ge=0, le=10)] | None = Field(
        default=None, description="stops lost before the lens"
    )
    offset_stops: Annotated[Stops, Field(ge=-10, le=10)] | None = Field(
        default=None, description="stops found once with a grey card"
    )

    @model_validator(mode="after")
    def _sets_something(self) -> Self:
        if not self.settings:
            raise InconsistencyError("aperture", 'give what has changed, such as "aperture": 2.8')
        if self.shutter is not None and self.shutter_angle is not None:
            raise InconsistencyError("shutter_angle", "give shutter or shutter_angle, not both")
        return self

    @property
    def settings(self) -> dict[str, Any]:
        """Return the given settings, under the rig file's keys."""
        return self.model_dump(exclude={"do"}, exclude_none=True)


class _PlaceOrder(LightOrder):
    alternatives: ClassVar[tuple[str, str] | None] = ("to", "mark")

    to: Point | None = Field(default=None, description="a place as [x, y, z] in metres")
    mark: str | None = Field(default=None, description="the name of a mark, such as desk")

    @model_validator(mode="after")
    def _to_or_mark(self) -> Self:
        if (self.to is None) == (self.mark is None):
            raise InconsistencyError("to", 'give either "to" as [x, y, z] in metres or "mark"')
        return self


class Move(_PlaceOrder):
    """The subject is at a mark or a place now.

    The place is exact, set by hand.
    """

    do: Literal["move"]


class SubjectReport(_PlaceOrder):
    """A tracker saw the subject about there."""

    do: Literal["subject"]


class Only(LightOrder):
    """One head alone, the others out.

    Meant for metering; `all` ends it.
    """

    do: Literal["only"]
    head: str = Field(description="the head that stays, such as key")
    level: Annotated[Number, Field(ge=0, le=1)] | None = Field(
        default=None, description="its level from 0 to 1; left out, the level it has"
    )


class Show(LightOrder):
    """Some heads at levels of their own and the others out, for metering.

    No heads at all shows the room light alone; `all` ends it.
    """

    do: Literal["show"]
    heads: dict[str, Annotated[Number, Field(ge=0, le=1)]] = Field(
        description='levels from 0 to 1 by head, such as {"key": 0.5}'
    )


class All(LightOrder):
    """End `only`.

    It ends `show` as well.
    """

    do: Literal["all"]


class Identify(LightOrder):
    """Let a lamp show which one it is.

    The lamp dips slowly, or comes up if it is out, and then returns to its level.
    """

    do: Literal["identify"]
    head: str = Field(description="the head, such as key")


class Follow(LightOrder):
    """Follow the subject as it moves."""

    do: Literal["follow"]


class Freeze(LightOrder):
    """Leave the levels alone, as during a take."""

    do: Literal["freeze"]


class Dark(LightOrder):
    """All out, gently; work lights up."""

    do: Literal["dark"]


class Keep(LightOrder):
    """Make the light as it is now the wanted balance."""

    do: Literal["keep"]


class Undo(LightOrder):
    """Take the last order back.

    This is the last order that changed the intent.
    """

    do: Literal["undo"]


MODELS = models_of(LightOrder)
"""The models by word."""
