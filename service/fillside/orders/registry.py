"""The table of all orders, with every fact except their fields, which the models in
`light` and `metering` have.

Access, the doors, the OpenAPI document, the command line, the loop and the journal read this table; none of
them has a list of its own. It is plain data, so the command line can show it without loading pydantic; models
are imported on first use.

To add an order, write a class in `light` or `metering` and an entry here, and implement it in
`hold.machine.transitions` or `metering.orders`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from fillside.orders.phrases import exposure_words, field_words, head_words, trim_words

if TYPE_CHECKING:
    from fillside.orders.model import LightOrder, MeterOrder

Right = Literal["operate", "view", "meter"]
"""The rights of a visitor: to order and read, to read, or only to hand in readings."""
OPERATORS: frozenset[Right] = frozenset({"operate"})
METERS: frozenset[Right] = frozenset({"operate", "meter"})
TIMEOUT_S, FIT_TIMEOUT_S = 10.0, 90.0
"""The second is for metering: readings are weighed before the answer, and a simulated
meter waits for steady light."""


class OrderKind(NamedTuple):
    """One kind of order.

    `help` is its line on the command line, in the OpenAPI document and in the manual. `rights` are those that
    allow a visitor to give it. `changes_mode` is true if it may begin or end a take. `phrase` words its
    fields for people.

    `timeout_s` is the time that a client should wait for the answer. `journal_every_s` is set for a report,
    which arrives continually and is superseded by the next: nobody waits until it is stored, and the journal
    keeps one per that many seconds.
    """

    word: str
    help: str
    rights: frozenset[Right] = OPERATORS
    changes_mode: bool = False
    timeout_s: float = TIMEOUT_S
    journal_every_s: float | None = None
    phrase: Callable[[Mapping[str, Any]], list[str]] = field_words

    @property
    def is_report(self) -> bool:
        return self.journal_every_s is not None

    @property
    def brief(self) -> str:
        """Return the help line as a phrase for a table.

        >>> ORDERS["undo"].brief
        'take the last order back'
        """
        return self.help[0].lower() + self.help[1:].rstrip(".")

    @property
    def model(self) -> type[LightOrder] | type[MeterOrder]:
        """Return the model of the order."""
        return _models()[self.word]

    @property
    def is_metering(self) -> bool:
        """Return true if the order is for metering, not for the hold."""
        from fillside.orders.model import MeterOrder

        return issubclass(self.model, MeterOrder)


_KINDS = (
    OrderKind("trim", "Put a role up or down by hand, in stops.", phrase=trim_words),
    OrderKind("balance", "Ask for another ratio of key to fill."),
    OrderKind("expose", "Ask for more or less exposure, in stops, or for one in lux.", phrase=exposure_words),
    OrderKind("camera", "Say what changed at the camera."),
    OrderKind("move", "The subject is at a mark or a place now."),
    OrderKind("subject", "A tracker saw the subject about there.", journal_every_s=1.0),
    OrderKind("only", "One head alone, the others out.", phrase=head_words),
    OrderKind("show", "Some heads at levels of their own and the others out, for metering."),
    OrderKind("all", "End `only`."),
    OrderKind("identify", "Let a lamp show which one it is."),
    OrderKind("follow", "Follow the subject as it moves.", changes_mode=True),
    OrderKind("freeze", "Leave the levels alone, as during a take.", changes_mode=True),
    OrderKind("dark", "All out, gently; work lights up.", changes_mode=True),
    OrderKind("keep", "Make the light as it is now the wanted balance."),
    OrderKind("undo", "Take the last order back.", changes_mode=True),
    OrderKind(
        "read",
        "Hand in a meter reading, or a tape measure of a head.",
        rights=METERS,
        timeout_s=FIT_TIMEOUT_S,
    ),
    OrderKind(
        "event", "Say that a stand was moved, or a lamp changed.", rights=METERS, timeout_s=FIT_TIMEOUT_S
    ),
    OrderKind("strike", "Let a reading not count any more.", timeout_s=FIT_TIMEOUT_S),
    OrderKind("calibrate", "Guided, with a light meter: what your lamps really do.", timeout_s=FIT_TIMEOUT_S),
    OrderKind("lineup", "Two minutes before a shoot: is all as calibrated?", timeout_s=FIT_TIMEOUT_S),
    OrderKind(
        "round",
        "Read each head once: all are lit by themselves, one after the other.",
        timeout_s=FIT_TIMEOUT_S,
    ),
    OrderKind(
        "calibration", "Go back to an earlier calibration, or to the rig file alone.", timeout_s=FIT_TIMEOUT_S
    ),
    OrderKind("import", "Take in a file of readings, or a calibration.", timeout_s=FIT_TIMEOUT_S),
    OrderKind("sensor", "Report what a sensor of the rig shows.", rights=METERS, journal_every_s=60.0),
)
ORDERS: Mapping[str, OrderKind] = {kind.word: kind for kind in _KINDS}
"""All kinds of orders by word, in the order in which people see them."""


def kind_of(value: object) -> OrderKind | None:
    """Return the kind of order in JSON data, whatever else the data contains; None if there is none."""
    word = value.get("do") if isinstance(value, Mapping) else None
    return ORDERS.get(word) if isinstance(word, str) else None


def phrase_of(order: LightOrder) -> str:
    """Return an order in a few words, as shown beside "undo" and as the last order.

    >>> from fillside.orders.parsing import parse_order
    >>> phrase_of(parse_order({"do": "trim", "role": "fill", "by": -1}))
    'trim fill -1 stop'
    >>> phrase_of(parse_order({"do": "balance", "ratio": 0.5, "relative": {"hair": -0.5}}))
    'balance 1:2, hair -0.5 stop'
    >>> phrase_of(parse_order({"do": "camera", "aperture": 4, "nd_stops": 2}))
    'camera f/4, 2 stops of ND'
    """
    words = ORDERS[order.do].phrase(order.model_dump(exclude={"do"}, exclude_none=True))
    return f"{order.do} {', '.join(words)}".rstrip()


@cache
def _models() -> Mapping[str, type[LightOrder] | type[MeterOrder]]:
    from fillside.orders import light, metering

    return {**light.MODELS, **metering.MODELS}
