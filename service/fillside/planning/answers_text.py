"""What a person types in answer to a question: lengths with units, light with units, yes or no."""

from __future__ import annotations

import re
from typing import NamedTuple

METRES: dict[str, float] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "ft": 0.3048,
    "′": 0.3048,
    "'": 0.3048,
    "in": 0.0254,
    "″": 0.0254,
    '"': 0.0254,
}
"""Metres in each unit of length that is understood; foot and inch exact by the agreement of 1959."""

_PART = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(mm|cm|m|ft|in|['′\"″])?")
_AMOUNT = re.compile(r"(\d+(?:\.\d+)?)\s*(lumens?|lm|watts?|w)(?![a-z])")


class Light(NamedTuple):
    """What is known of one lamp's light: its lumens, its watts, or both."""

    lumens: float | None
    watts: float | None


def length_m(text: str) -> float:
    """A length in metres from ``1.2``, ``90 cm``, ``4 ft``, ``33 in`` or ``5'6"``; plain numbers are metres.

    >>> length_m("1.2"), length_m("90 cm"), round(length_m("5'6\\""), 4), round(length_m("33 in"), 4)
    (1.2, 0.9, 1.6764, 0.8382)
    """
    rest, total, found = text.strip().lower(), 0.0, 0
    while rest:
        part = _PART.match(rest)
        if part is None or (found and part[2] is None):
            raise ValueError(f"{text!r} is not a length such as 1.2, 90 cm, 4 ft or 33 in")
        total += float(part[1]) * METRES[part[2] or "m"]
        rest, found = rest[part.end() :].strip(), found + 1
    if not found:
        raise ValueError("a length is a number, such as 1.2 for metres, 90 cm or 4 ft")
    return total


def light_of(text: str) -> Light:
    """One lamp's light from ``3200 lm``, ``105 W`` or both, as ``3200 lm 30 W``.

    >>> light_of("3200 lm 30 W"), light_of("105 W")
    (Light(lumens=3200.0, watts=30.0), Light(lumens=None, watts=105.0))
    """
    rest = text.strip().lower()
    found: dict[str, float] = {}
    while rest:
        amount = _AMOUNT.match(rest)
        if amount is None or amount[2][0] in found:
            raise ValueError(f"{text!r} is neither light nor power; write it such as 3200 lm 30 W, or 105 W")
        found[amount[2][0]] = float(amount[1])
        rest = rest[amount.end() :].strip(" ,")
    if not found or not all(0 < value <= 1_000_000 for value in found.values()):
        raise ValueError("a lamp gives more than 0 lm and takes more than 0 W")
    return Light(found.get("l"), found.get("w"))


def yes_or_no(text: str) -> bool:
    """A yes or no.

    >>> yes_or_no("y"), yes_or_no("no")
    (True, False)
    """
    word = text.strip().lower()
    if word in ("y", "yes"):
        return True
    if word in ("n", "no"):
        return False
    raise ValueError(f"{text!r} is neither yes nor no")
