"""Parses orders: JSON data becomes a typed order, or one refusal with a remedy.

The hold and the metering side know the rig, so they check the names of roles, heads and marks, and the
moment.
"""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import ValidationError

from fillside.orders.answers import Refusal, RefusalCode
from fillside.orders.model import LightOrder, MeterOrder
from fillside.orders.registry import ORDERS, OrderKind
from fillside.rig.problems import describe, did_you_mean, dotted
from fillside.rig.validation import problems_from

_OUT_OF_RANGE = frozenset(
    {"greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number"}
)


def parse_order(value: object) -> LightOrder | MeterOrder:
    """Return the typed order that JSON data describes.

    Raises Refusal: bad_order for malformed orders, out_of_range for numbers beyond their limits.

    >>> parse_order({"do": "trim", "role": "fill", "by": "-1/2"}).as_json()
    {'do': 'trim', 'role': 'fill', 'by': -0.5}
    """
    if not isinstance(value, Mapping):
        raise Refusal("bad_order", 'an order is an object such as {"do": "follow"}')
    kind = _kind(value.get("do"))
    try:
        return kind.model.model_validate(dict(value))
    except ValidationError as error:
        raise _refusal(error, kind, value) from None


def _kind(word: object) -> OrderKind:
    if word is None:
        raise Refusal("bad_order", f'an order says what to do; "do" is one of {", ".join(ORDERS)}', "do")
    if not isinstance(word, str):
        raise Refusal("bad_order", f'"do" must be one of {", ".join(ORDERS)}, not {describe(word)}', "do")
    if word not in ORDERS:
        raise Refusal("bad_order", f"{describe(word)} is not an order; {did_you_mean(word, ORDERS)}", "do")
    return ORDERS[word]


def _refusal(error: ValidationError, kind: OrderKind, value: Mapping[object, object]) -> Refusal:
    """Return the first error as a sentence about the part of the order at fault."""
    for detail in error.errors(include_url=False):
        if detail["type"] == "value_error" and detail["ctx"]["error"].__class__ is ValueError:
            # Text that is not a number of stops is reported once per branch of a union.
            return Refusal("bad_order", str(detail["ctx"]["error"]), str(detail["loc"][-1]))
    first = problems_from(error, kind.model, value)[0]
    where = dotted(first.path) if first.path else ""
    types = {detail["type"] for detail in error.errors(include_url=False)}
    code: RefusalCode = "out_of_range" if types & _OUT_OF_RANGE else "bad_order"
    subject = f"{kind.word}.{where}" if where else kind.word
    return Refusal(code, f"{subject}: {first.message}", where)
