"""What people type: stops, ratios, places; and negative numbers as they come."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import click

from fillside.rig.notation import level_number

MINUS = "\N{MINUS SIGN}"
_NEGATIVE = re.compile(r"-(?=\.?\d)")
_STOPS = re.compile(r"([+-]?)(?:(\d+(?:\.\d*)?|\.\d+)(?:/(\d+))?|(\d+)\s+(\d+)/(\d+))")


if TYPE_CHECKING:
    _Number = click.ParamType[float]
else:
    _Number = click.ParamType  # takes no parameter in click 8.2


class NumbersCommand(click.Command):
    """A command whose arguments may be negative numbers.

    ``-1`` would be taken for an option. It is handed on with a true minus sign instead, which no option
    starts with; the types below read both.
    """

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        return super().parse_args(
            ctx, [_NEGATIVE.sub(MINUS, arg) if _NEGATIVE.match(arg) else arg for arg in args]
        )


def plain(text: str) -> str:
    """`text` with the hyphen for a minus sign, as typed."""
    return text.replace(MINUS, "-")


def stops(text: str) -> float:
    """Stops from what is typed.

    >>> stops("-1"), stops("+0.5"), stops("-1/2"), stops("1 1/2")
    (-1.0, 0.5, -0.5, 1.5)
    """
    match = _STOPS.fullmatch(plain(text).strip())
    if match is None or match[3] == "0" or match[6] == "0":
        raise ValueError(f"{plain(text)!r} is not a number of stops such as 1, -0.5, +1/3 or -1/3")
    if match[4] is not None:
        value = int(match[4]) + int(match[5]) / int(match[6])
    else:
        value = float(match[2]) / int(match[3] or 1)
    return -value if match[1] == "-" else value


class StopsType(_Number):
    name = "stops"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        try:
            return stops(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class NumberType(_Number):
    """A finite number, such as a coordinate in metres."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            return finite(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


def finite(text: str) -> float:
    """A finite number from what is typed."""
    typed = plain(text).strip()
    if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?", typed):
        raise ValueError(f"{typed!r} is not a number")
    return float(typed)


def place(text: str) -> tuple[float, float, float]:
    """X,Y,Z in metres.

    >>> place("-0.4,0.2,1.2")
    (-0.4, 0.2, 1.2)
    """
    parts = plain(text).split(",")
    if len(parts) != 3:
        raise ValueError(f"{plain(text)!r} is not a place such as 0.4,0.2,1.2 (x,y,z in metres)")
    x, y, z = (finite(part) for part in parts)
    return x, y, z


class LevelType(_Number):
    """A level on the wire, as a part of 1 or in per cent."""

    name = "level"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            return level_number(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


STOPS, NUMBER, LEVEL = StopsType(), NumberType(), LevelType()
