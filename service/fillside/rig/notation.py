"""Notation of ratios, stops, levels, shutter times, and what is known of the room: parsing and formatting."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Literal

from fillside.rig.problems import quoted

ReadAs = Literal["key:fill", "key+fill:fill", "face"]
OUT: Literal["out"] = "out"
"""The word for a role that gives no light, in place of its stops."""
RoomLightKnown = Literal["not known", "from the rig file", "from readings"]
ROOM_LIGHT_NOT_KNOWN = (
    "the room's light is not known (no [room], bounce, [ambient] or reading): "
    "these numbers are of direct light alone"
)
"""Told wherever numbers are given of a rig of whose room nothing is known."""

SHORTEST_S = 0.99e-6
"""The shortest exposure time, slightly below 1/1000000 to allow for rounding."""
WIDEST_RATIO = 1024.0
"""The largest ratio allowed, ten stops; its inverse is the smallest."""

_COLON = re.compile(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", re.ASCII)
_STOPS = re.compile(r"\s*([+-]?\d+(?:\.\d+)?(?:\s*/\s*\d+)?)\s*stops?\s*", re.ASCII)
_FRACTION = re.compile(r"\s*([+-]?)\s*(\d+(?:\.\d+)?)(?:\s*/\s*(\d+))?\s*", re.ASCII)
_PLAIN = re.compile(r"\s*\+?(\d+(?:\.\d+)?)\s*", re.ASCII)
_LEVEL = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(%?)\s*", re.ASCII)
_SHUTTER = re.compile(r"\s*1\s*/\s*(\d+(?:\.\d+)?)\s*s?\s*", re.ASCII)


def ratio_text(value: float, digits: Callable[[float], str] = "{:.3g}".format) -> str:
    """Format a ratio above 0 as the trade writes it, with the 1 on the weaker side.

    `digits` formats the other number, which is at least 1.

    >>> ratio_text(3.0), ratio_text(1 / 1.2), ratio_text(0.999, "{:.1f}".format)
    ('3:1', '1:1.2', '1.0:1')
    """
    number = digits(max(value, 1 / value))
    return f"{number}:1" if value >= 1 or float(number) == 1 else f"1:{number}"


def percent(value: float) -> str:
    """Format a level or output from 0 to 1 in per cent, small ones with a decimal.

    >>> percent(0.641), percent(0.0312), percent(1.0), percent(0.0)
    ('64 %', '3.1 %', '100 %', '0 %')
    """
    return f"{value * 100:.1f} %" if 0.0005 <= value < 0.0995 else f"{value * 100:.0f} %"


def level_number(text: str) -> float:
    """Parse a level from 0 to 1, written as such or in per cent; raise ValueError for anything else.

    >>> level_number("0.5"), level_number("50%"), level_number("12.5 %")
    (0.5, 0.5, 0.125)
    """
    match = _LEVEL.fullmatch(text)
    value = float(match[1]) / (100 if match[2] else 1) if match else math.nan
    if not 0 <= value <= 1:
        raise ValueError(f"{quoted(text.strip())} is not a level, which goes from 0% to 100% or from 0 to 1")
    return value


def stops_text(value: float) -> str:
    """Format stops that a person asked for, with their sign and at most two decimals.

    >>> stops_text(-1.0), stops_text(1 / 3), stops_text(-1.5), stops_text(0.0)
    ('-1 stop', '+0.33 stop', '-1.5 stops', '0 stop')
    """
    rounded = round(value, 2) + 0.0
    return f"{rounded:+g} {stop_noun(rounded)}" if rounded else "0 stop"


def stop_size(stops: float) -> str:
    """Format the size of a difference in stops to a tenth, the resolution of a hand-held meter.

    >>> stop_size(0.42), stop_size(1.04), stop_size(-1.3)
    ('0.4 stop', '1.0 stop', '1.3 stops')
    """
    rounded = round(abs(stops), 1)
    return f"{rounded:.1f} {stop_noun(rounded)}"


def stop_noun(stops: float) -> str:
    """Return "stop" for one stop and its fractions, otherwise "stops"."""
    return "stop" if abs(stops) <= 1 else "stops"


def shutter_seconds(text: str | float) -> float:
    """Parse an exposure time [s] from ``"1/50"`` or a number of seconds, taken literally.

    Raises:
        ValueError: the input is anything else, or not from a microsecond to 60 s.

    >>> shutter_seconds("1/50")
    0.02
    """
    seconds = math.nan
    if not isinstance(text, str):
        seconds = float(text)
    elif (match := _SHUTTER.fullmatch(text)) and float(match[1]) > 0:
        seconds = 1 / float(match[1])
    if not SHORTEST_S <= seconds <= 60:
        raise ValueError('a shutter time is written "1/50" or as seconds, from 1/1000000 to 60')
    return seconds


def number_of_stops(text: str) -> float:
    """Parse stops from ``"1"``, ``"-1/3"`` or ``"0.5"``; raise ValueError for anything else.

    >>> round(number_of_stops("-1/3"), 4)
    -0.3333
    """
    match = _FRACTION.fullmatch(text)
    over, under = (float(match[2]), float(match[3] or 1)) if match else (math.inf, 0.0)
    if under == 0 or not (math.isfinite(over) and math.isfinite(under)):
        raise ValueError(f"{quoted(text)} is not a number of stops such as 1, -0.5 or -1/3")
    assert match is not None, "any other text was refused above"
    value = over / under
    return -value if match[1] == "-" else value


def ratio_number(value: str | float, read_as: ReadAs) -> float:
    """Parse a ratio in the convention `read_as` from ``"3:1"``, ``3.0`` or ``"1 stop"``.

    Stops always mean key over fill, each alone, whatever the convention.

    Raises:
        ValueError: the input is not a ratio, exceeds 10 stops, or is 1:1 or less as key+fill:fill.

    >>> ratio_number("1 stop", "key+fill:fill")
    3.0
    """
    number = _ratio_from_text(value, read_as) if isinstance(value, str) else float(value)
    least = 1.0 if read_as == "key+fill:fill" else 0.0
    most = WIDEST_RATIO + least
    if not (math.isfinite(number) and least < number <= most and number >= 1 / WIDEST_RATIO):
        low = "above 1:1" if least else f"from 1:{WIDEST_RATIO:.0f}"
        raise ValueError(f'a ratio read as {read_as} goes {low} to {most:.0f}:1; write it such as "2:1"')
    return number


def _ratio_from_text(text: str, read_as: ReadAs) -> float:
    if match := _COLON.fullmatch(text):
        if float(match[2]) == 0:
            raise ValueError('a ratio to nothing is no ratio; write it such as "2:1"')
        return float(match[1]) / float(match[2])
    if match := _STOPS.fullmatch(text):
        return _ratio_from_stops(number_of_stops(match[1]), read_as)
    if match := _PLAIN.fullmatch(text):
        return float(match[1])
    raise ValueError(f'{quoted(text)} is not a ratio; write it "2:1", 2.0 or "1 stop"')


def _ratio_from_stops(stops: float, read_as: ReadAs) -> float:
    if read_as == "face":
        raise ValueError('a ratio in stops is key over fill; with read_as = "face" write it such as "2:1"')
    if abs(stops) > 10:
        raise ValueError("a ratio in stops goes from -10 to 10")
    return math.exp2(stops) + (1.0 if read_as == "key+fill:fill" else 0.0)
