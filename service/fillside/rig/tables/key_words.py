"""What a key may do, in the words of the command line: ``next``, ``freeze``, ``trim fill -1/3``."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from fillside.rig.notation import level_number, number_of_stops, ratio_number
from fillside.rig.problems import describe, did_you_mean

MOST_STOPS, MOST_TRIM_STOPS, MOST_EXPOSE_STOPS, MOST_LUX = 12.0, 6.0, 10.0, 200_000.0

NEXT, PREVIOUS, FIRST, TOGGLE = "next", "previous", "first", "freeze-or-follow"


@dataclass(frozen=True)
class Action:
    """One thing a key does: an order as every door says it, or a word that depends on the moment."""

    words: str
    said: Mapping[str, Any] | None = None

    @property
    def steps(self) -> bool:
        """Whether it walks through the programme of marks."""
        return self.words in (NEXT, PREVIOUS, FIRST)


class KeyWord(NamedTuple):
    """How a word is used, what it does, and what makes an order of the words behind it."""

    usage: str
    does: str
    order: Callable[[list[str]], dict[str, Any] | None]


def _nothing_more(more: list[str]) -> None:
    if more:
        raise ValueError("takes nothing more")


def _plain(name: str) -> Callable[[list[str]], dict[str, Any]]:
    def order(more: list[str]) -> dict[str, Any]:
        _nothing_more(more)
        return {"do": name}

    return order


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


def _trim(more: list[str]) -> dict[str, Any]:
    match more:
        case [role, "to", "out"]:
            return {"do": "trim", "role": role, "to": "out"}
        case [role, "to", stops]:
            return {"do": "trim", "role": role, "to": _stops(stops, MOST_TRIM_STOPS)}
        case [role, stops]:
            return {"do": "trim", "role": role, "by": _stops(stops, MOST_STOPS)}
    raise ValueError("needs a role and stops")


def _expose(more: list[str]) -> dict[str, Any]:
    match more:
        case ["to", "camera"]:
            return {"do": "expose", "to": "camera"}
        case ["to", lux]:
            return {"do": "expose", "to": _number(lux, 0.01, MOST_LUX)}
        case [stops]:
            return {"do": "expose", "by": _stops(stops, MOST_EXPOSE_STOPS)}
    raise ValueError("needs stops")


def _balance(more: list[str]) -> dict[str, Any]:
    ratio = " ".join(more)
    ratio_number(ratio, "key:fill")
    return {"do": "balance", "ratio": ratio}


def _move(more: list[str]) -> dict[str, Any]:
    match more:
        case [mark]:
            return {"do": "move", "mark": mark}
        case [x, y, z]:
            return {"do": "move", "to": [_number(part, -1000, 1000) for part in (x, y, z)]}
    raise ValueError("needs a mark, or x y z in metres")


def _only(more: list[str]) -> dict[str, Any]:
    match more:
        case [head]:
            return {"do": "only", "head": head}
        case [head, level]:
            return {"do": "only", "head": head, "level": level_number(level)}
    raise ValueError("needs a head")


WORDS: dict[str, KeyWord] = {
    NEXT: KeyWord("next", "to the next mark of the programme", _nothing_more),
    PREVIOUS: KeyWord("previous", "to the mark before", _nothing_more),
    FIRST: KeyWord("first", "to the programme's first mark", _nothing_more),
    TOGGLE: KeyWord("freeze-or-follow", "freeze, or follow again when frozen or dark", _nothing_more),
    "follow": KeyWord("follow", "follow the subject", _plain("follow")),
    "freeze": KeyWord("freeze", "leave the levels alone", _plain("freeze")),
    "dark": KeyWord("dark", "all out, gently", _plain("dark")),
    "keep": KeyWord("keep", "make the light now the wanted balance", _plain("keep")),
    "undo": KeyWord("undo", "take the last order back", _plain("undo")),
    "trim": KeyWord(
        "trim ROLE STOPS, trim ROLE to STOPS, trim ROLE to out", "a role up or down by hand", _trim
    ),
    "expose": KeyWord("expose STOPS, expose to LUX, expose to camera", "more or less light in all", _expose),
    "balance": KeyWord("balance RATIO", "another ratio of key to fill", _balance),
    "move": KeyWord("move MARK, move X Y Z", "the subject is there", _move),
    "only": KeyWord("only HEAD, only HEAD LEVEL", "one head alone", _only),
    "all": KeyWord("all", "end `only`", _plain("all")),
}
"""Every word a key's text may begin with."""


def action_of(text: str) -> Action:
    """What a key's text stands for.

    Raises ValueError with what would be right. Whether roles, marks and heads exist is judged elsewhere.

    >>> action_of("trim fill -1/2").said
    {'do': 'trim', 'role': 'fill', 'by': -0.5}
    >>> action_of("next").steps
    True
    """
    first, *more = text.split() or [""]
    word = WORDS.get(first)
    if word is None:
        raise ValueError(f"{describe(text)} is nothing a key can do; {did_you_mean(first, WORDS)}")
    try:
        return Action(" ".join([first, *more]), word.order(more))
    except ValueError as error:
        raise ValueError(f"{first}: {error}; it is written {word.usage}") from None


@dataclass(frozen=True)
class Named:
    """What an action names that a rig must have."""

    role: str | None = None
    mark: str | None = None
    head: str | None = None


def named_by(action: Action) -> Named:
    """The role, mark or head of an action."""
    said = action.said or {}
    return Named(said.get("role"), said.get("mark"), said.get("head"))
