"""OSC addresses: each is a way to fill the fields of an order. Pure: messages in, orders or refusals out.

A button box sends 1 when a button goes down and 0 when it comes up: an address without a value is obeyed if
it has no argument or a non-zero one, and does nothing at 0. Addresses are plain: a wildcard would give many
orders at once, and is refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fillside.doors.osc.packet import Message, Value
from fillside.orders.answers import Refusal
from fillside.orders.registry import ORDERS
from fillside.orders.strict_json import strict_loads
from fillside.rig.problems import did_you_mean

ROOT = "/fillside/"
ANSWER, STATE = f"{ROOT}said", f"{ROOT}state"
WILDCARDS = frozenset("*?[]{}")

Fields = dict[str, Any]
Values = tuple[Value, ...]


@dataclass(frozen=True)
class Address:
    """One address below ``/fillside/``; a part in capitals stands for a name.

    `fields` makes the order's fields from the name ("" without one) and the arguments; None for a button that
    came up. The order is the first part of the path; if that is not an order, the fields are the whole order.
    `own_help` is for an address that does something narrower than its order.
    """

    path: str
    takes: str
    fields: Callable[[str, Values], Fields | None]
    own_help: str = ""

    @property
    def word(self) -> str:
        return self.path.partition("/")[0]

    @property
    def help(self) -> str:
        return self.own_help or ORDERS[self.word].brief

    def name_in(self, parts: list[str]) -> str | None:
        """Return the name at the capitals of the path, "" if the path has none.

        None if the parts do not fit the path.
        """
        own = self.path.split("/")
        if len(own) != len(parts):
            return None
        name = ""
        for mine, theirs in zip(own, parts, strict=True):
            if mine.isupper():
                name = theirs
            elif mine != theirs:
                return None
        return name

    def order(self, name: str, values: Values) -> Fields | None:
        """Return the order as JSON data, None for a button that came up. Raises Refusal."""
        fields = self.fields(name, values)
        return fields if fields is None or self.word not in ORDERS else {"do": self.word, **fields}


def _pressed(values: Values) -> bool:
    """Return true if a button went down."""
    if not values:
        return True
    if len(values) > 1 or not isinstance(values[0], int | float):
        raise Refusal("bad_order", "a button takes no argument, or one number")
    return values[0] != 0


def _one(values: Values, what: str) -> Value:
    if len(values) != 1 or values[0] is None or isinstance(values[0], bool):
        raise Refusal("bad_order", f"needs one argument: {what}")
    return values[0]


def _button(name_field: str = "") -> Callable[[str, Values], Fields | None]:
    def fields(name: str, values: Values) -> Fields | None:
        if not _pressed(values):
            return None
        return {name_field: name} if name_field else {}

    return fields


def _value(field: str, what: str, name_field: str = "") -> Callable[[str, Values], Fields]:
    def fields(name: str, values: Values) -> Fields:
        named = {name_field: name} if name_field else {}
        return {**named, field: _one(values, what)}

    return fields


def _place(_: str, values: Values) -> Fields:
    if len(values) == 1 and isinstance(values[0], str):
        return {"mark": values[0]}
    if len(values) != 3:
        raise Refusal("bad_order", "needs a mark, or x y z in metres")
    return {"to": list(values)}


def _mode(_: str, values: Values) -> Fields:
    mode = _one(values, "follow, freeze or dark")
    if mode not in ("follow", "freeze", "dark"):
        raise Refusal("bad_order", f"{str(mode)[:40]!r} is not a mode; the modes are follow, freeze and dark")
    return {"do": mode}


def _any(_: str, values: Values) -> Fields:
    order = strict_loads(str(_one(values, "an order as JSON")))
    if not isinstance(order, dict):
        raise Refusal("bad_order", 'an order is an object such as {"do": "follow"}')
    return order


def _camera(setting: str, values: Values) -> Fields:
    if setting == "do":
        raise Refusal("unknown_name", "there is no setting 'do'", "address")
    return {setting: _one(values, "the setting's value")}


ADDRESSES = (
    Address("trim/ROLE", "stops", _value("by", "stops", "role")),
    Address("trim/ROLE/to", 'stops, or "out"', _value("to", "stops, or out", "role"), "the trim in all"),
    Address("balance", '"3:1" or 3.0', _value("ratio", "a ratio")),
    Address("expose", "stops", _value("by", "stops")),
    Address("expose/to", 'lux, or "camera"', _value("to", "lux, or camera"), "the exposure at the subject"),
    Address("camera/SETTING", "its value", _camera),
    Address("mode", '"follow", "freeze" or "dark"', _mode, "the mode"),
    Address("move", "a mark, or x y z in metres", _place),
    Address("move/MARK", "button", _button("mark"), "the subject is at that mark"),
    Address("subject", "x y z in metres, or a mark", _place),
    Address("only/HEAD", "button", _button("head")),
    Address("only/HEAD/level", "0 to 1", _value("level", "a level", "head"), "one head alone, at a level"),
    Address("all", "button", _button()),
    Address("follow", "button", _button()),
    Address("freeze", "button", _button()),
    Address("dark", "button", _button()),
    Address("keep", "button", _button()),
    Address("undo", "button", _button()),
    Address("do", "an order as JSON", _any, "any order"),
)
"""Every address that gives an order. ``/fillside/state`` asks for the state instead."""
_BY_WORD = {word: [each for each in ADDRESSES if each.word == word] for word in {a.word for a in ADDRESSES}}


def order_from(message: Message) -> Fields | None:
    """Return the order that a message gives, as JSON data; None for a button that came up.

    Raises Refusal.

    >>> order_from(Message("/fillside/trim/fill", (-1,)))
    {'do': 'trim', 'role': 'fill', 'by': -1}
    """
    if not all(math.isfinite(value) for value in message.values if isinstance(value, float)):
        raise Refusal("out_of_range", "a number must be finite; NaN and infinity are no orders", "arguments")
    if WILDCARDS & set(message.address):
        raise Refusal("bad_order", "an order is one thing; an address has no wildcard", "address")
    parts = message.address.removeprefix(ROOT).split("/")
    if message.address.startswith(ROOT):
        for address in _BY_WORD.get(parts[0], ()):
            name = address.name_in(parts)
            if name is not None:
                return address.order(name, message.values)
    hint = did_you_mean(parts[0] or "?", [address.path for address in ADDRESSES], "there are")
    raise Refusal("unknown_name", f"nothing is at {message.address[:80]!r}; {hint}", "address")
