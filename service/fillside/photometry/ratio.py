"""Lighting ratios: the two ways a ratio of key to fill is written, and stops.

With L the lit side's light (key alone) and S the shadow side's (fill alone), flat receptor to each lamp:
`key:fill` is L / S, as television and much stills writing has it; `key+fill:fill` is 1 + L / S, as the
American Society of Cinematographers counts it. A ratio in stops is log2(L / S) whichever way it is written.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

Convention = Literal["key:fill", "key+fill:fill"]


def sum_ratio_from_key_ratio(key_to_fill: float) -> float:
    """(key + fill) : fill from key : fill, which is 0 or more.

    >>> sum_ratio_from_key_ratio(200 / 100), sum_ratio_from_key_ratio(800 / 200)
    (3.0, 5.0)
    """
    return _known(key_to_fill, 0.0, "key:fill") + 1


def key_ratio_from_sum_ratio(sum_to_fill: float) -> float:
    """key : fill from (key + fill) : fill, which is 1 or more (1 is no key).

    >>> key_ratio_from_sum_ratio(3.0)
    2.0
    """
    return _known(sum_to_fill, 1.0, "key+fill:fill") - 1


def key_ratio(ratio: float, read_as: Convention) -> float:
    """key : fill from a ratio written as `read_as` says; ValueError below 0 or, with the sum, below 1."""
    return key_ratio_from_sum_ratio(ratio) if _is_sum(read_as) else _known(ratio, 0.0, "key:fill")


def ratio_as(key_to_fill: float, read_as: Convention) -> float:
    """A ratio written as `read_as` says, from key : fill."""
    return sum_ratio_from_key_ratio(key_to_fill) if _is_sum(read_as) else _known(key_to_fill, 0.0, "key:fill")


def ratio_stops(ratio: float, read_as: Convention = "key:fill") -> float:
    """Stops of key over fill; minus infinity without key.

    >>> ratio_stops(4.0), ratio_stops(3.0, "key+fill:fill")
    (2.0, 1.0)
    """
    value = key_ratio(ratio, read_as)
    return math.log2(value) if value > 0 else -math.inf


def ratio_from_stops(stops: float, read_as: Convention = "key:fill") -> float:
    """A ratio written as `read_as` says, from stops of key over fill.

    >>> ratio_from_stops(1.0, "key+fill:fill")
    3.0
    """
    return ratio_as(math.exp2(stops), read_as)


def lights_from_total(
    total_lux: float, ratio: float, read_as: Convention = "key:fill"
) -> tuple[float, float]:
    """Key and fill (lx, lx), each alone, that together give `total_lux` at a ratio.

    >>> lights_from_total(1000.0, 3.0), lights_from_total(800.0, 4.0, "key+fill:fill")
    ((750.0, 250.0), (600.0, 200.0))
    """
    parts = sum_ratio_from_key_ratio(key_ratio(ratio, read_as))
    fill_lux = _known(total_lux, 0.0, "light") / parts
    return total_lux - fill_lux, fill_lux


def _is_sum(read_as: str) -> bool:
    if read_as not in get_args(Convention):
        raise ValueError(
            f"{read_as!r} is no way to write a ratio; there are {', '.join(get_args(Convention))}"
        )
    return read_as == "key+fill:fill"


def _known(value: float, least: float, what: str) -> float:
    if not (math.isfinite(value) and value >= least):
        raise ValueError(f"{what} is a finite number from {least:g} up, not {value}")
    return value
