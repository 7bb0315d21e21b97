"""Numbers for people, with units and only significant digits."""

from __future__ import annotations

import math
from collections.abc import Iterable

from fillside.rig.notation import percent as percent_text
from fillside.rig.notation import ratio_text, stop_noun
from fillside.text.escapes import escape_to_one_line

NOTHING = "–"
LEAST_ERROR_STOPS = 0.05
"""Smaller errors count as none."""


def lux(value: float | None) -> str:
    """Format an illuminance with at most three digits.

    >>> lux(240.24), lux(1234.0), lux(8.126), lux(0.04), lux(None)
    ('240 lx', '1230 lx', '8.13 lx', '0.04 lx', '–')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    if abs(value) < 0.005:
        return "0 lx"
    places = min(2, max(0, 2 - math.floor(math.log10(abs(value)))))
    shown = round(value, 2 - math.floor(math.log10(abs(value)))) if abs(value) >= 1 else round(value, 2)
    return f"{shown:.{places}f} lx"


def stops(value: float | None, *, sign: bool = True, places: int = 2) -> str:
    """Format stops with two decimals, or fewer.

    >>> stops(-0.5), stops(1.0), stops(1.5), stops(-0.001), stops(None)
    ('-0.50 stop', '+1.00 stop', '+1.50 stops', '0.00 stop', '–')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    rounded = round(value, places) + 0.0
    return f"{rounded:{'+' if sign and rounded else ''}.{places}f} {stop_noun(rounded)}"


def at_most(value: float | None) -> str:
    """Format the upper limit of an error; small ones are given as a bound.

    >>> at_most(0.004), at_most(1.332), at_most(None)
    ('less than 0.05 stop', '1.33 stops', '–')
    """
    if value is not None and abs(value) < LEAST_ERROR_STOPS:
        return f"less than {LEAST_ERROR_STOPS:g} stop"
    return stops(value, sign=False)


def ratio(value: float | None, in_stops: float | None = None) -> str:
    """Format a ratio as spoken on set, with its stops if given.

    >>> ratio(2.003, 1.002), ratio(0.5, -1.0), ratio(None), ratio(12.3)
    ('2.0:1 (1.00 stop)', '1:2.0 (-1.00 stop)', '–', '12:1')
    """
    if value is None or not math.isfinite(value) or value <= 0:
        return NOTHING
    return ratio_text(value, lambda number: f"{number:.{0 if number >= 9.95 else 1}f}") + (
        "" if in_stops is None else f" ({stops(in_stops, sign=False)})"
    )


def target_ratio(value: float | None) -> str:
    """Format a target ratio without superfluous digits.

    >>> target_ratio(2.0), target_ratio(2.8284), target_ratio(0.5), target_ratio(None)
    ('2:1', '2.83:1', '1:2', '–')
    """
    return NOTHING if value is None or not math.isfinite(value) or value <= 0 else ratio_text(value)


def percent(value: float | None) -> str:
    """Format a level or output from 0 to 1 in per cent; a dash stands for none."""
    return NOTHING if value is None else percent_text(value)


def levels(values: Iterable[float]) -> str:
    """Format the levels of heads that are lit together.

    >>> levels([1.0, 0.4]), levels([])
    ('100 % + 40 %', '')
    """
    return " + ".join(map(percent_text, values))


def metres(point: Iterable[float]) -> str:
    """Format a point in metres, to the centimetre.

    >>> metres([0.6, -0.3, 1.25])
    '0.60, -0.30, 1.25 m'
    """
    return ", ".join(f"{round(float(value), 2) + 0.0:.2f}" for value in point) + " m"


def table(rows: list[list[str]], right: tuple[int, ...] = ()) -> list[str]:
    """Align rows into columns; those numbered in `right` are right-aligned."""
    rows = [[escape_to_one_line(cell) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            text.rjust(width) if i in right else text.ljust(width)
            for i, (text, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return lines
