"""Words for the fields of an order, for people to read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fillside.rig.notation import OUT, percent, ratio_text, stop_noun, stops_text

Fields = Mapping[str, Any]


def trim_words(fields: Fields) -> list[str]:
    return [f"{fields['role']} {_by_or_to(fields, stops_text)}"]


def exposure_words(fields: Fields) -> list[str]:
    return [_by_or_to(fields, lambda lux: f"{lux:g} lx")]


def head_words(fields: Fields) -> list[str]:
    """Return the name of a head, and its level if one was given."""
    level = [percent(fields["level"])] if "level" in fields else []
    return [" at ".join([fields["head"], *level])]


def field_words(fields: Fields) -> list[str]:
    """Return a word or two for each field."""
    return [text for key, value in fields.items() for text in _WORDS[key](value)]


def _by_or_to(fields: Fields, amount: Callable[[float], str]) -> str:
    if "by" in fields:
        return stops_text(fields["by"])
    to = fields["to"]
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
    "relative": lambda roles: [
        f"{role} {stops if stops == OUT else stops_text(stops)}" for role, stops in roles.items()
    ],
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
"""The functions that word each field."""
