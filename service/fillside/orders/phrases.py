"""An order in a few words, for saying which one it was."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fillside.orders.light import Order
from fillside.rig.notation import percent, ratio_text, stop_noun, stops_text


def named(order: Order) -> str:
    """An order as it is shown beside "undo" and as the last one.

    >>> from fillside.orders.light import parse_order
    >>> named(parse_order({"do": "trim", "role": "fill", "by": -1}))
    'trim fill -1 stop'
    >>> named(parse_order({"do": "balance", "ratio": 0.5, "relative": {"hair": -0.5}}))
    'balance 1:2, hair -0.5 stop'
    >>> named(parse_order({"do": "camera", "aperture": 4, "nd_stops": 2}))
    'camera f/4, 2 stops of ND'
    """
    said = order.model_dump(exclude={"do"}, exclude_none=True)
    if order.do == "trim":
        words = [f"{said['role']} {_by_or_to(said, stops_text)}"]
    elif order.do == "expose":
        words = [_by_or_to(said, lambda lux: f"{lux:g} lx")]
    elif order.do == "only":
        words = [" at ".join([said["head"], *map(percent, [said["level"]] if "level" in said else [])])]
    else:
        words = [text for key, value in said.items() for text in _WORDS[key](value)]
    return f"{order.do} {', '.join(words)}".rstrip()


def _by_or_to(said: dict[str, Any], amount: Callable[[float], str]) -> str:
    if "by" in said:
        return stops_text(said["by"])
    to = said["to"]
    return {"out": "out", "camera": "for the camera"}[to] if isinstance(to, str) else f"to {amount(to)}"


def _stops_of(what: str) -> Callable[[float], list[str]]:
    return lambda stops: [f"{stops:.3g} {stop_noun(stops)} {what}"]


def _levels(heads: dict[str, float]) -> list[str]:
    return [f"{head} at {percent(level)}" for head, level in heads.items()] or ["no head"]


_WORDS: dict[str, Callable[[Any], list[str]]] = {
    "head": lambda name: [name],
    "heads": _levels,
    "mark": lambda name: [f"to {name}"],
    "to": lambda place: [f"to {', '.join(f'{metres:g}' for metres in place)} m"],
    "ratio": lambda ratio: [ratio if isinstance(ratio, str) else ratio_text(ratio)],
    "read_as": lambda way: [f"read as {way}"],
    "protect": lambda what: [f"protect {what}"],
    "most_over": _stops_of("over at most"),
    "most_under": _stops_of("under at most"),
    "when_lost": lambda way: [f"{way} when a head is lost"],
    "relative": lambda roles: [f"{role} {stops_text(stops)}" for role, stops in roles.items()],
    "against": lambda roles: [f"{role} against {what}" for role, what in roles.items()],
    "iso": lambda iso: [f"ISO {iso:g}"],
    "shutter": lambda time: [f"{str(time).rstrip(' s')} s"],
    "shutter_angle": lambda degrees: [f"{degrees:g}°"],
    "fps": lambda rate: [f"{rate:g} frames/s"],
    "aperture": lambda number: [f"f/{number:g}"],
    "nd_stops": _stops_of("of ND"),
    "loss_stops": _stops_of("lost before the lens"),
    "offset_stops": lambda stops: [f"{stops_text(stops)} by the grey card"],
}
"""A word or two for each value of an order, by its key; `Trim`, `Expose` and `Only` say theirs in `named`."""
