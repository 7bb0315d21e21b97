"""Parameter types of the command line: stops, numbers and places, which may be negative."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

import click

from fillside.rig.notation import level_number
from fillside.rig.problems import quoted

MINUS = "\N{MINUS SIGN}"
LARGEST = 1e12
"""Larger than any light, distance, time or setting of a studio, in any unit that can be typed."""
LONGEST_COUNT = 18
_NEGATIVE = re.compile(r"-(?=\.?\d)")
_STOPS = re.compile(r"([+-]?)(?:(\d+(?:\.\d*)?|\.\d+)(?:/(\d+))?|(\d+)\s+(\d+)/(\d+))", re.ASCII)


if TYPE_CHECKING:
    _Number = click.ParamType[float]
else:
    _Number = click.ParamType  # takes no parameter in click 8.2


class NumbersCommand(click.Command):
    """A command whose arguments may be negative numbers.

    ``-1`` would be taken for an option, so it is passed on with a true minus sign, which no option starts
    with. The types below accept both.
    """

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        return super().parse_args(
            ctx, [_NEGATIVE.sub(MINUS, arg) if _NEGATIVE.match(arg) else arg for arg in args]
        )


def plain(text: str) -> str:
    """Return `text` with hyphens for minus signs, as typed."""
    return text.replace(MINUS, "-")


def stops(text: str) -> float:
    """Parse stops.

    >>> stops("-1"), stops("+0.5"), stops("-1/2"), stops("1 1/2")
    (-1.0, 0.5, -0.5, 1.5)
    """
    typed = plain(text).strip()
    match = _STOPS.fullmatch(typed)
    if match is None:
        raise ValueError(f"{quoted(typed)} {_NO_STOPS}")
    whole, over, under = (match[4] or "0", match[5] or match[2], match[6] or match[3] or "1")
    parts = [float(part) for part in (whole, over, under)]
    if parts[2] == 0 or max(parts) > LARGEST:
        raise ValueError(f"{quoted(typed)} {_NO_STOPS}")
    value = parts[0] + parts[1] / parts[2]
    return -value if match[1] == "-" else value


_NO_STOPS = "is not a number of stops such as 1, -0.5, +1/3 or -1/3"


def parse_digits(digits: str) -> float:
    """Parse digits. Raises ValueError beyond `LARGEST`.

    >>> parse_digits("640.5")
    640.5
    """
    value = float(digits)
    if abs(value) > LARGEST:
        raise ValueError(f"{quoted(digits)} is too large; the largest number here is {LARGEST:.0f}")
    return value


class StopsType(_Number):
    """Stops; `to` is a word that belongs to the option ``--to`` of the same command."""

    name = "stops"

    def __init__(self, to: str = "") -> None:
        self._to = to

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        if self._to and value == self._to:
            self.fail(f"write it --to {value}", param, ctx)
        try:
            return stops(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class NumberType(_Number):
    """A finite number, such as a coordinate in metres."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            return parse_number(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


def parse_number(text: str) -> float:
    """Parse a finite number."""
    typed = plain(text).strip()
    if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?", typed, re.ASCII):
        raise ValueError(f"{quoted(typed)} is not a number")
    return parse_digits(typed)


def place(text: str) -> tuple[float, float, float]:
    """Parse a place, X,Y,Z in metres.

    >>> place("-0.4,0.2,1.2")
    (-0.4, 0.2, 1.2)
    """
    parts = plain(text).split(",")
    if len(parts) != 3:
        raise ValueError(f"{quoted(plain(text))} is not a place such as 0.4,0.2,1.2 (x,y,z in metres)")
    x, y, z = (parse_number(part) for part in parts)
    return x, y, z


class LevelType(_Number):
    """A level on the wire, as a fraction or in per cent."""

    name = "level"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            return level_number(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class SecondsType(click.FloatRange):
    """A time in seconds within a range."""

    name = "seconds"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            seconds = parse_number(str(value))
        except ValueError:
            seconds = math.nan
        least, most = self.min or 0.0, self.max or LARGEST
        if not least <= seconds <= most:
            typed = quoted(plain(str(value)))
            self.fail(f"{typed} is not a number of seconds from {least:g} to {most:.0f}", param, ctx)
        return seconds


class CountType(click.IntRange):
    """A whole number within a range; refusals quote long input shortened."""

    name = "integer range"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if len(str(value)) > LONGEST_COUNT:
            range_words = f"from {self.min} to {self.max}"
            self.fail(f"{quoted(str(value))} is not a whole number {range_words}", param, ctx)
        number: int = super().convert(value, param, ctx)
        return number


STOPS, NUMBER, LEVEL = StopsType(), NumberType(), LevelType()
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
FEET = click.option("--feet", is_flag=True, help="Lengths in feet and inches. [metric]")
