"""Lighting ratios of key to fill in both conventions, and in stops.

L is the illuminance of the lit side (key alone) and S that of the shadow side (fill alone), each on a flat
receptor facing its lamp. `key:fill` is L / S, as in television and much writing on still photography;
`key+fill:fill` is 1 + L / S, as the American Society of Cinematographers counts it. A ratio in stops is
log2(L / S) in either convention.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

Convention = Literal["key:fill", "key+fill:fill"]


def sum_ratio_from_key_ratio(key_to_fill: float) -> float:
    """Convert key : fill, 0 or more, to (key + fill) : fill.

    >>> sum_ratio_from_key_ratio(200 / 100), sum_ratio_from_key_ratio(800 / 200)
    (3.0, 5.0)
    """
    return _known(key_to_fill, 0.0, "key:fill") + 1


def key_ratio_from_sum_ratio(sum_to_fill: float) -> float:
    """Convert (key + fill) : fill, 1 or more (1 means no key), to key : fill.

    >>> key_ratio_from_sum_ratio(3.0)
    2.0
    """
    return _known(sum_to_fill, 1.0, "key+fill:fill") - 1


def key_ratio(ratio: float, read_as: Convention) -> float:
    """Convert a ratio in the convention `read_as` to key : fill.

    Raises:
        ValueError: the ratio is below 0, or below 1 as `key+fill:fill`.
    """
    return key_ratio_from_sum_ratio(ratio) if _is_sum(read_as) else _known(ratio, 0.0, "key:fill")


def ratio_as(key_to_fill: float, read_as: Convention) -> float:
    """Convert key : fill to a ratio in the convention `read_as`."""
    return sum_ratio_from_key_ratio(key_to_fill) if _is_sum(read_as) else _known(key_to_fill, 0.0, "key:fill")


def ratio_stops(ratio: float, read_as: Convention = "key:fill") -> float:
    """Return the stops of key over fill; minus infinity without a key.

    >>> ratio_stops(4.0), ratio_stops(3.0, "key+fill:fill")
    (2.0, 1.0)
    """
    value = key_ratio(ratio, read_as)
    return math.log2(value) if value > 0 else -math.inf


def ratio_from_stops(stops: float, read_as: Convention = "key:fill") -> float:
    """Convert stops of key over fill to a ratio in the convention `read_as`.

    >>> ratio_from_stops(1.0, "key+fill:fill")
    3.0
    """
    return ratio_as(math.exp2(stops), read_as)


def lights_from_total(
    total_lux: float, ratio: float, read_as: Convention = "key:fill"
) -> tuple[float, float]:
    """Split a total illuminance into key and fill at a ratio.

    Parameters:
        total_lux: illuminance of both together [lx], 0 or more.
        ratio: in the convention `read_as`.

    Returns:
        Key and fill, each alone [lx].

    >>> lights_from_total(1000.0, 3.0), lights_from_total(800.0, 4.0, "key+fill:fill")
    ((750.0, 250.0), (600.0, 200.0))
    """
    parts = sum_ratio_from_key_ratio(key_ratio(ratio, read_as))
    fill_lux = _known(total_lux, 0.0, "light") / parts
    return total_lux - fill_lux, fill_lux


def _is_sum(read_as: str) -> bool:
    if read_as not in get_args(Convention):
        raise ValueError(
            f"{read_as!r} is not a ratio convention; use one of {', '.join(get_args(Convention))}"
        )
    return read_as == "key+fill:fill"


def _known(value: float, least: float, what: str) -> float:
    if not (math.isfinite(value) and value >= least):
        raise ValueError(f"{what} is a finite number from {least:g} up, not {value}")
    return value
