"""What an OSC address means. Pure: address and arguments in, an order or a refusal out.

A button box sends 1 when a button goes down and 0 when it comes up: an address that takes no value is obeyed
without an argument or with one that is not 0, and does nothing at 0. Addresses are plain: one with a wildcard
would mean many orders at once, and is refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fillside.doors.osc.packet import Message, Value
from fillside.orders.answers import Refusal
from fillside.orders.strict_json import strict_loads
from fillside.rig.problems import did_you_mean

ROOT = "/fillside/"
SAID, STATE = f"{ROOT}said", f"{ROOT}state"
WILDCARDS = frozenset("*?[]{}")

Order = dict[str, Any]
Values = tuple[Value, ...]


@dataclass(frozen=True)
class Address:
    """One address below ``/fillside/``; a part in capitals stands for a name. `order` is None for a button
    that came up."""

    path: str
    takes: str
    does: str
    order: Callable[[str, Values], Order | None]

    def name_in(self, parts: list[str]) -> str | None:
        """The name that `parts` have where the path has capitals, "" where it has none; None if it does not
        fit."""
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


def _pressed(values: Values) -> bool:
    """Whether a button went down."""
    if not values:
        return True
    if len(values) > 1 or not isinstance(values[0], int | float):
        raise Refusal("bad_order", "a button takes no argument, or one number")
    return values[0] != 0


def _one(values: Values, what: str) -> Value:
    if len(values) != 1 or values[0] is None or isinstance(values[0], bool):
        raise Refusal("bad_order", f"needs one argument: {what}")
    return values[0]


def _button(**order: Any) -> Callable[[str, Values], Order | None]:
    return lambda _, values: dict(order) if _pressed(values) else None


def _named_button(do: str, key: str) -> Callable[[str, Values], Order | None]:
    return lambda name, values: {"do": do, key: name} if _pressed(values) else None


def _place(do: str) -> Callable[[str, Values], Order | None]:
    def order(_: str, values: Values) -> Order:
        if len(values) == 1 and isinstance(values[0], str):
            return {"do": do, "mark": values[0]}
        if len(values) != 3:
            raise Refusal("bad_order", "needs a mark, or x y z in metres")
        return {"do": do, "to": list(values)}

    return order


def _mode(_: str, values: Values) -> Order:
    mode = _one(values, "follow, freeze or dark")
    if mode not in ("follow", "freeze", "dark"):
        raise Refusal("bad_order", f"{str(mode)[:40]!r} is not a mode; the modes are follow, freeze and dark")
    return {"do": mode}


def _any(_: str, values: Values) -> Order:
    said = strict_loads(str(_one(values, "an order as JSON")))
    if not isinstance(said, dict):
        raise Refusal("bad_order", 'an order is an object such as {"do": "follow"}')
    return said


def _camera(setting: str, values: Values) -> Order:
    if setting == "do":
        raise Refusal("unknown_name", "there is no setting 'do'", "address")
    return {"do": "camera", setting: _one(values, "the setting's value")}


ADDRESSES = (
    Address(
        "trim/ROLE",
        "stops",
        "a role up or down by hand",
        lambda role, values: {"do": "trim", "role": role, "by": _one(values, "stops")},
    ),
    Address(
        "trim/ROLE/to",
        'stops, or "out"',
        "the trim in all",
        lambda role, values: {"do": "trim", "role": role, "to": _one(values, "stops, or out")},
    ),
    Address(
        "balance",
        '"3:1" or 3.0',
        "another ratio of key to fill",
        lambda _, values: {"do": "balance", "ratio": _one(values, "a ratio")},
    ),
    Address(
        "expose",
        "stops",
        "more or less light in all",
        lambda _, values: {"do": "expose", "by": _one(values, "stops")},
    ),
    Address(
        "expose/to",
        'lux, or "camera"',
        "the exposure at the subject",
        lambda _, values: {"do": "expose", "to": _one(values, "lux, or camera")},
    ),
    Address("camera/SETTING", "its value", "what changed at the camera", _camera),
    Address("mode", '"follow", "freeze" or "dark"', "the mode", _mode),
    Address("move", "a mark, or x y z in metres", "the subject is there", _place("move")),
    Address("move/MARK", "button", "the subject is at that mark", _named_button("move", "mark")),
    Address("subject", "x y z in metres, or a mark", "a tracker saw it about there", _place("subject")),
    Address("only/HEAD", "button", "one head alone", _named_button("only", "head")),
    Address(
        "only/HEAD/level",
        "0 to 1",
        "one head alone, at a level",
        lambda head, values: {"do": "only", "head": head, "level": _one(values, "a level")},
    ),
    Address("all", "button", "end only", _button(do="all")),
    Address("follow", "button", "follow the subject", _button(do="follow")),
    Address("freeze", "button", "leave the levels alone", _button(do="freeze")),
    Address("dark", "button", "all out, gently", _button(do="dark")),
    Address("keep", "button", "make the light now the wanted balance", _button(do="keep")),
    Address("undo", "button", "take the last order back", _button(do="undo")),
    Address("do", "an order as JSON", "any order", _any),
)
"""Every address that orders something. ``/fillside/state`` asks for the state instead."""


def order_from(message: Message) -> Order | None:
    """The order that a message stands for; None for a button that came up.

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
        for address in ADDRESSES:
            name = address.name_in(parts)
            if name is not None:
                return address.order(name, message.values)
    hint = did_you_mean(parts[0] or "?", [address.path for address in ADDRESSES], "there are")
    raise Refusal("unknown_name", f"nothing is at {message.address[:80]!r}; {hint}", "address")
