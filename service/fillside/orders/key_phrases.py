"""Key phrases: orders for keys in the words of the command line, such as ``trim fill -1/3``.

The `[keys]` table of a rig file contains such phrases. The rig file reader does not depend on orders, so
`read_phrase` is passed to it, as are the kinds of drivers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from fillside.orders.light import MOST_TRIM_STOPS
from fillside.orders.model import LightOrder
from fillside.orders.registry import ORDERS
from fillside.rig.notation import level_number, number_of_stops, ratio_number
from fillside.rig.problems import describe, did_you_mean

MOST_STOPS, MOST_EXPOSE_STOPS, MOST_LUX = 12.0, 10.0, 200_000.0

NEXT, PREVIOUS, FIRST, TOGGLE = "next", "previous", "first", "freeze-or-follow"
MOMENT_WORDS = {
    NEXT: "to the next mark of the programme",
    PREVIOUS: "to the mark before",
    FIRST: "to the programme's first mark",
    TOGGLE: "freeze, or follow again when frozen or dark",
}
"""Words whose order depends on the subject's place and the mode."""

Fields = dict[str, Any]


@dataclass(frozen=True)
class KeyAction:
    """The action of a key: an order, or a word whose order depends on the moment."""

    text: str
    order: LightOrder | None = None

    @property
    def steps(self) -> bool:
        """Return true if the action steps through the programme of marks."""
        return self.text in (NEXT, PREVIOUS, FIRST)

    @property
    def role(self) -> str | None:
        return getattr(self.order, "role", None)

    @property
    def mark(self) -> str | None:
        return getattr(self.order, "mark", None)

    @property
    def head(self) -> str | None:
        return getattr(self.order, "head", None)


class KeyPhrase(NamedTuple):
    """The usage of a word, and a parser that turns the words after it into the fields of its order."""

    usage: str
    fields: Callable[[list[str]], Fields]


def _nothing(more: list[str]) -> Fields:
    if more:
        raise ValueError("takes nothing more")
    return {}


def _stops(text: str, most: float) -> float:
    value = number_of_stops(text)
    if abs(value) > most:
        raise ValueError(f"{text} is more than {most:g} stops")
    return value


def _number(text: str, least: float, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not least <= value <= most:
        raise ValueError(f"{describe(text)} is not a number from {least:g} to {most:g}")
    return value


def _trim(more: list[str]) -> Fields:
    match more:
        case [role, "to", "out"]:
            return {"role": role, "to": "out"}
        case [role, "to", stops]:
            return {"role": role, "to": _stops(stops, MOST_TRIM_STOPS)}
        case [role, stops]:
            return {"role": role, "by": _stops(stops, MOST_STOPS)}
    raise ValueError("needs a role and stops")


def _expose(more: list[str]) -> Fields:
    match more:
        case ["to", "camera"]:
            return {"to": "camera"}
        case ["to", lux]:
            return {"to": _number(lux, 0.01, MOST_LUX)}
        case [stops]:
            return {"by": _stops(stops, MOST_EXPOSE_STOPS)}
    raise ValueError("needs stops")


def _balance(more: list[str]) -> Fields:
    ratio = " ".join(more)
    ratio_number(ratio, "key:fill")
    return {"ratio": ratio}


def _move(more: list[str]) -> Fields:
    match more:
        case [mark]:
            return {"mark": mark}
        case [x, y, z]:
            return {"to": [_number(part, -1000, 1000) for part in (x, y, z)]}
    raise ValueError("needs a mark, or x y z in metres")


def _only(more: list[str]) -> Fields:
    match more:
        case [head]:
            return {"head": head}
        case [head, level]:
            return {"head": head, "level": level_number(level)}
    raise ValueError("needs a head")


_ALONE = (*MOMENT_WORDS, "follow", "freeze", "dark", "keep", "undo")
PHRASES: Mapping[str, KeyPhrase] = {
    **{word: KeyPhrase(word, _nothing) for word in _ALONE},
    "trim": KeyPhrase("trim ROLE STOPS, trim ROLE to STOPS, trim ROLE to out", _trim),
    "expose": KeyPhrase("expose STOPS, expose to LUX, expose to camera", _expose),
    "balance": KeyPhrase("balance RATIO", _balance),
    "move": KeyPhrase("move MARK, move X Y Z", _move),
    "only": KeyPhrase("only HEAD, only HEAD LEVEL", _only),
    "all": KeyPhrase("all", _nothing),
}
"""Every first word of a key phrase that stands for an order; excludes `MOMENT_WORDS`."""


def help_of(word: str) -> str:
    """Return the help line of a word of `PHRASES`, as a phrase for a table.

    >>> help_of("undo")
    'take the last order back'
    """
    return MOMENT_WORDS.get(word) or ORDERS[word].brief


def read_phrase(text: str) -> KeyAction:
    """Return the action of a key phrase.

    Raises ValueError with the correct form. The existence of roles, marks and heads is checked elsewhere.

    >>> read_phrase("trim fill -1/2").order
    Trim(do='trim', role='fill', by=-0.5, to=None)
    >>> read_phrase("next").steps
    True
    """
    first, *more = text.split() or [""]
    phrase = PHRASES.get(first)
    if phrase is None:
        raise ValueError(f"{describe(text)} is nothing a key can do; {did_you_mean(first, PHRASES)}")
    try:
        fields = phrase.fields(more)
    except ValueError as error:
        raise ValueError(f"{first}: {error}; it is written {phrase.usage}") from None
    words = " ".join([first, *more])
    if first in MOMENT_WORDS:
        return KeyAction(words)
    order = ORDERS[first].model.model_validate({"do": first, **fields})
    assert isinstance(order, LightOrder), "no key gives orders to the meter's side"
    return KeyAction(words, order)
