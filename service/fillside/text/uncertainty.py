"""Numbers with ± their expanded uncertainty, without the digits that it makes meaningless."""

from __future__ import annotations

import math

from fillside.belief.result.expanded_uncertainty import around, decimals
from fillside.rig.notation import ratio_text, stop_noun
from fillside.text import numbers


def stops(value: float | None, within_stops: float | None) -> str:
    """Format stops with their uncertainty.

    >>> stops(-0.512, 0.12), stops(0.97, 2.4), stops(-0.5, None), stops(None, 0.1)
    ('-0.51 ±0.12 stop', '+1 ±2 stops', '-0.50 stop', '–')
    """
    if value is None or not math.isfinite(value) or within_stops is None:
        return numbers.stops(value)
    return f"{_signed(value, within_stops)} {around(within_stops)}"


def rounded(value: float | None, within_stops: float | None) -> str:
    """Format stops with the digits that their uncertainty allows, without the uncertainty itself.

    >>> rounded(-2.78, 1.7), rounded(0.82, 2.4), rounded(0.1, 2.4), rounded(0.26, None)
    ('-2.8 stops', '+1 stop', '0 stop', '+0.26 stop')
    """
    if value is None or not math.isfinite(value) or within_stops is None:
        return numbers.stops(value)
    return f"{_signed(value, within_stops)} {stop_noun(round(value, decimals(within_stops)))}"


def deviation(error_stops: float | None, within_stops: float | None) -> str:
    """Format a deviation; one below its uncertainty is given as a bound.

    >>> deviation(0.0004, 2.4), deviation(-0.83, 2.4), deviation(-0.352, 0.12)
    ('within ±2 stops', '-1 ±2 stops', '-0.35 ±0.12 stop')
    >>> deviation(0.001, None), deviation(None, 1.0)
    ('0.00 stop', '–')
    """
    if error_stops is None or not math.isfinite(error_stops) or within_stops is None:
        return numbers.stops(error_stops)
    if float(f"{error_stops:.{decimals(within_stops)}f}") == 0:
        return f"within {around(within_stops)}"
    return stops(error_stops, within_stops)


def _signed(value: float, within_stops: float) -> str:
    text = f"{value:+.{decimals(within_stops)}f}"
    return text[1:] if float(text) == 0 else text


def plus_minus(within_stops: float | None) -> str:
    """Format an uncertainty to stand beside its number; empty for none."""
    return "" if within_stops is None else around(within_stops)


def ratio(value: float | None, within_stops: float | None, in_stops: float | None = None) -> str:
    """Format a ratio as spoken on set, with its stops if given.

    The result has at least two digits, like the illuminances of both sides shown beside it.

    >>> ratio(2.003, 0.12, 1.002), ratio(2.003, 2.4, 1.002), ratio(0.52, 2.4), ratio(2.0, None, 1.0)
    ('2.0:1 (1.00 ±0.12 stop)', '2.0:1 (1 ±2 stops)', '1:1.9', '2.0:1 (1.00 stop)')
    """
    if value is None or not math.isfinite(value) or value <= 0 or within_stops is None:
        return numbers.ratio(value, in_stops)
    number = ratio_text(value, lambda larger: _digits(larger, within_stops, most=2))
    if in_stops is None:
        return number
    text = _signed(in_stops, within_stops).removeprefix("+")
    return f"{number} ({text} {around(within_stops)})"


def lux(value: float | None, within_stops: float | None) -> str:
    """Format an illuminance with three digits if it is known to a tenth or better, otherwise with two.

    Two digits still allow a comparison with the target.

    >>> lux(243.6, 0.05), lux(243.6, 0.5), lux(243.6, 2.4), lux(8.13, 0.3), lux(0.001, 1.0), lux(1234.0, None)
    ('244 lx', '240 lx', '240 lx', '8.1 lx', '0 lx', '1230 lx')
    """
    if value is None or not math.isfinite(value) or abs(value) < 0.005 or within_stops is None:
        return numbers.lux(value)
    return f"{_digits(value, within_stops, most=3)} lx"


def lux_within(value: float | None, within_stops: float | None) -> str:
    """Format an illuminance with its uncertainty.

    >>> lux_within(243.6, 0.12), lux_within(243.6, 2.4), lux_within(243.6, None), lux_within(0.0, None)
    ('244 lx ±0.12 stop', '240 lx ±2 stops', '244 lx', '0 lx')
    """
    return f"{lux(value, within_stops)} {plus_minus(within_stops)}".rstrip()


def significant(value: float, within_stops: float) -> str:
    """Format a number of 0 or more with the digits that say something: one, two or three.

    >>> significant(463.2, 0.02), significant(463.2, 0.3), significant(463.2, 1.1), significant(0.0341, 0.3)
    ('463', '460', '500', '0.034')
    >>> significant(0.0, 1.0)
    '0'
    """
    if not value > 0:
        return "0"
    share = 2.0 ** min(within_stops, 10.0) - 1
    places = (1 if share >= 0.5 else 2 if share >= 0.05 else 3) - 1 - math.floor(math.log10(value))
    return f"{round(value, places):.{max(0, places)}f}"


def _digits(value: float, within_stops: float, most: int) -> str:
    """Format a number above 0 with two digits, or up to `most` if it is known to a tenth or better."""
    digits = min(most, 2 if 2.0 ** min(within_stops, 10.0) - 1 >= 0.1 else 3)
    place = digits - 1 - math.floor(math.log10(value))
    rounded = round(value, place)
    return f"{rounded:.{max(0, digits - 1 - math.floor(math.log10(rounded)))}f}"
