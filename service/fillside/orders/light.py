"""What may be ordered, in the one shape every door uses: ``{"do": "trim", "role": "fill", "by": -1}``.

`parse_order` turns what was said into an order or refuses it with one clear sentence. Whether roles, heads
and marks exist, and whether it is the moment for it, is judged by the hold, which knows the rig. A new
order is a class here, named in `Order`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from fillside.orders.answers import Refusal, RefusalCode
from fillside.rig.file.validation import problems_from
from fillside.rig.notation import number_of_stops
from fillside.rig.problems import did_you_mean, dotted, one_line, shown
from fillside.rig.tables.model import Against, ReadAs
from fillside.rig.tables.terms import MisfitError, Number, Point

MOST_TRIM_STOPS = 6.0
"""A trim, all taken together, goes this far up or down."""
MOST_EXPOSE_STOPS = 6.0
"""So do the stops on top of the exposure."""

_OUT_OF_RANGE = (
    "greater_than",
    "greater_than_equal",
    "less_than",
    "less_than_equal",
    "finite_number",
)


class _LightOrderModel(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _stops(value: object) -> object:
    return number_of_stops(value) if isinstance(value, str) else value


def _stops_or_out(value: object) -> object:
    return value if value == "out" else _stops(value)


StopsSaid = Annotated[Number, BeforeValidator(_stops)]


class Trim(_LightOrderModel):
    """An offset in stops on a role, on top of the balance: by so much more, or to a value, or out."""

    do: Literal["trim"]
    role: str = Field(description="the role whose light changes, such as fill")
    by: Annotated[StopsSaid, Field(ge=-12, le=12)] | None = Field(
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
            raise MisfitError("by", 'give either "by" or "to", in stops')
        return self


class BalanceOrder(_LightOrderModel):
    """A new wish: what is named changes, the rest stays."""

    do: Literal["balance"]
    ratio: str | Number | None = Field(default=None, description='a ratio such as "3:1", 3.0 or "1 stop"')
    read_as: ReadAs | None = Field(default=None, description="which two lights the ratio compares")
    protect: Literal["ratio", "exposure"] | None = Field(
        default=None, description="what is kept when both cannot be"
    )
    most_over: Annotated[StopsSaid, Field(ge=0, le=10)] | None = Field(
        default=None, description="stops over the exposure target that keeping the ratio may cost"
    )
    most_under: Annotated[StopsSaid, Field(ge=0, le=10)] | None = Field(
        default=None, description="stops under the exposure target that keeping the ratio may cost"
    )
    when_lost: Literal["keep", "solve"] | None = Field(
        default=None, description="what the other heads do when a head is lost"
    )
    relative: Mapping[str, Annotated[StopsSaid, Field(ge=-12, le=12)]] | None = Field(
        default=None, description='stops of the other roles, such as {"hair": -0.5}'
    )
    against: Mapping[str, Against] | None = Field(
        default=None, description='what those stops are against, such as {"background": "exposure"}'
    )

    @model_validator(mode="after")
    def _wants_something(self) -> Self:
        if self.read_as is not None and self.ratio is None:
            raise MisfitError("ratio", "a new read_as needs the ratio in its terms beside it")
        if not self.model_fields_set - {"do"}:
            raise MisfitError("ratio", 'give what is to change, such as "ratio": "3:1"')
        return self


class Expose(_LightOrderModel):
    """Exposure at the subject: by stops on top, or to a number of lux, or to what the camera asks for."""

    do: Literal["expose"]
    by: Annotated[StopsSaid, Field(ge=-12, le=12)] | None = Field(
        default=None, description='stops to add to the exposure, such as "+1/3"; in all from -6 to 6'
    )
    to: Literal["camera"] | Annotated[Number, Field(ge=0.01, le=200_000)] | None = Field(
        default=None, description='lux at the subject, or "camera"'
    )

    @model_validator(mode="after")
    def _by_or_to(self) -> Self:
        if (self.by is None) == (self.to is None):
            raise MisfitError("by", 'give either "by" in stops or "to" in lux')
        return self


class CameraOrder(_LightOrderModel):
    """The camera's settings as they are now; what is not named stays."""

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
    nd_stops: Annotated[StopsSaid, Field(ge=0, le=20)] | None = Field(
        default=None, description="stops of neutral-density filters"
    )
    loss_stops: Annotated[StopsSaid, Field(ge=0, le=10)] | None = Field(
        default=None, description="stops lost before the lens"
    )
    offset_stops: Annotated[StopsSaid, Field(ge=-10, le=10)] | None = Field(
        default=None, description="stops found once with a grey card"
    )

    @model_validator(mode="after")
    def _sets_something(self) -> Self:
        if not self.settings:
            raise MisfitError("aperture", 'give what has changed, such as "aperture": 2.8')
        if self.shutter is not None and self.shutter_angle is not None:
            raise MisfitError("shutter_angle", "give shutter or shutter_angle, not both")
        return self

    @property
    def settings(self) -> dict[str, Any]:
        """What is named, under the rig file's keys."""
        return self.model_dump(exclude={"do"}, exclude_none=True)


class _Place(_LightOrderModel):
    to: Point | None = Field(default=None, description="a place as [x, y, z] in metres")
    mark: str | None = Field(default=None, description="the name of a mark, such as desk")

    @model_validator(mode="after")
    def _to_or_mark(self) -> Self:
        if (self.to is None) == (self.mark is None):
            raise MisfitError("to", 'give either "to" as [x, y, z] in metres or "mark"')
        return self


class Move(_Place):
    """The subject is exactly there, by hand."""

    do: Literal["move"]


class SubjectReport(_Place):
    """A tracker saw the subject about there."""

    do: Literal["subject"]


class Only(_LightOrderModel):
    """One head alone, the others out, for metering."""

    do: Literal["only"]
    head: str = Field(description="the head that stays, such as key")
    level: Annotated[Number, Field(ge=0, le=1)] | None = Field(
        default=None, description="its level from 0 to 1; left out, the level it has"
    )


class Show(_LightOrderModel):
    """These heads at these levels and the others out, for metering; none at all is the room without heads."""

    do: Literal["show"]
    heads: dict[str, Annotated[Number, Field(ge=0, le=1)]] = Field(
        description='levels from 0 to 1 by head, such as {"key": 0.5}'
    )


class All(_LightOrderModel):
    """Ends `only` and `show`."""

    do: Literal["all"]


class Identify(_LightOrderModel):
    """One head shows itself: it dips slowly, or comes up if it is out, and is as before."""

    do: Literal["identify"]
    head: str = Field(description="the head, such as key")


class Follow(_LightOrderModel):
    """Hold the balance as the subject moves."""

    do: Literal["follow"]


class Freeze(_LightOrderModel):
    """Keep the levels as they are."""

    do: Literal["freeze"]


class Dark(_LightOrderModel):
    """All out, gently; work lights up."""

    do: Literal["dark"]


class Keep(_LightOrderModel):
    """Make the light now at the subject the wanted balance."""

    do: Literal["keep"]


class Undo(_LightOrderModel):
    """Take back the last order that changed what is wanted."""

    do: Literal["undo"]


Order = Annotated[
    Trim
    | BalanceOrder
    | Expose
    | CameraOrder
    | Move
    | SubjectReport
    | Only
    | Show
    | All
    | Identify
    | Follow
    | Freeze
    | Dark
    | Keep
    | Undo,
    Field(discriminator="do"),
]

ORDERS: dict[str, type[BaseModel]] = {
    word: kind
    for kind in (
        Trim,
        BalanceOrder,
        Expose,
        CameraOrder,
        Move,
        SubjectReport,
        Only,
        Show,
        All,
        Identify,
        Follow,
        Freeze,
        Dark,
        Keep,
        Undo,
    )
    for word in kind.model_fields["do"].annotation.__args__  # type: ignore[union-attr]
}
"""Every order's model by its word."""


def parse_order(said: object) -> Order:
    """The order that `said`, plain JSON data, stands for.

    Raises Refusal: bad_order for what is no order, out_of_range for numbers beyond what can be.

    >>> parse_order({"do": "trim", "role": "fill", "by": "-1/2"}).by
    -0.5
    """
    order: Order = read_order(said, ORDERS)
    return order


def read_order(said: object, kinds: Mapping[str, type[BaseModel]]) -> Any:
    """The order of one of these kinds that `said` stands for; Refusal as `parse_order`."""
    if not isinstance(said, Mapping):
        raise Refusal("bad_order", 'an order is an object such as {"do": "follow"}')
    word = said.get("do")
    if word is None:
        raise Refusal("bad_order", f'an order says what to do; "do" is one of {", ".join(kinds)}', "do")
    if not isinstance(word, str):
        raise Refusal("bad_order", f'"do" must be one of {", ".join(kinds)}, not {shown(word)}', "do")
    if word not in kinds:
        raise Refusal(
            "bad_order", one_line(f"{shown(word)} is not an order; {did_you_mean(word, kinds)}"), "do"
        )
    try:
        return kinds[word].model_validate(dict(said))
    except ValidationError as error:
        raise _refusal(error, kinds[word], word, said) from None


def _refusal(
    error: ValidationError, kind: type[BaseModel], word: str, said: Mapping[object, object]
) -> Refusal:
    """The first finding, as a sentence about the part of the order it concerns."""
    for detail in error.errors(include_url=False):
        if detail["type"] == "value_error" and detail["ctx"]["error"].__class__ is ValueError:
            # A text that is no number of stops is found once for each branch of a choice.
            return Refusal("bad_order", one_line(str(detail["ctx"]["error"])), str(detail["loc"][-1]))
    problems = problems_from(error, kind, said)
    first = problems[0]
    where = dotted(first.path) if first.path else ""
    types = {detail["type"] for detail in error.errors(include_url=False)}
    code: RefusalCode = "out_of_range" if types & set(_OUT_OF_RANGE) else "bad_order"
    subject = f"{word}.{where}" if where else word
    return Refusal(code, one_line(f"{subject}: {first.message}"), where)
