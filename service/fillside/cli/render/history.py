"""Takes, journal entries and orders as lines of text."""

from __future__ import annotations

import json
import time
from typing import Any

from fillside.rig.notation import stops_text
from fillside.text import numbers

LONGEST = 60


def take_lines(found: list[dict[str, Any]]) -> list[str]:
    """Format takes, a line for each, in local time."""
    rows = [["take", "began", "lasted", "ratio", "face", "exposure", "levels"]]
    for take in found:
        light = take["first"]
        achieved, heads = light["achieved"], light["heads"]
        rows.append(
            [
                str(take["id"]),
                time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(take["began"])),
                _lasted(take["ended"] is not None, take["lasted_s"]),
                numbers.ratio(achieved["ratio"]),
                numbers.ratio(light["face"]["ratio"]),
                numbers.lux(achieved["exposure_lux"]),
                ", ".join(f"{head['name']} {numbers.percent(head['level'])}" for head in heads),
            ]
        )
    return numbers.table(rows)


def _lasted(is_over: bool, lasted_s: float | None) -> str:
    """Format the duration of a take.

    >>> _lasted(True, 83.4), _lasted(True, None), _lasted(False, None)
    ('1:23', 'not known', 'still on')
    """
    if lasted_s is None:
        return "not known" if is_over else "still on"
    minutes, seconds = divmod(int(lasted_s), 60)
    return f"{minutes}:{seconds:02d}"


def journal_lines(entries: list[dict[str, Any]]) -> list[str]:
    """Format journal entries, a line for each, in local time."""
    rows = [["when", "who", "from", "what", "came of it"]]
    for entry in entries:
        at = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(entry["at"]))
        place = f"{entry['door']} {entry['address']}".strip()
        came = (
            entry["note"] or "done"
            if entry["outcome"] == "ok"
            else f"refused{_repeats(entry)}: {entry['note']}"
        )
        rows.append(
            [at, _clipped(entry["who"]), _clipped(place), _clipped(order_text(entry["said"])), _clipped(came)]
        )
    return numbers.table(rows)


def _repeats(entry: dict[str, Any]) -> str:
    """
    >>> _repeats({"times": 1}), _repeats({"times": 3000, "last_at": 0.0})[:-9]
    ('', ' 3000 times until')
    """
    if entry.get("times", 1) == 1:
        return ""
    return f" {entry['times']} times until {time.strftime('%H:%M:%S', time.localtime(entry['last_at']))}"


_NAMELESS = ("role", "mark", "head", "ratio", "act", "item", "use")
"""Members whose values need no name beside them."""


def order_text(order: Any) -> str:
    """Format an order for a line of text.

    >>> order_text({"do": "trim", "role": "fill", "by": -1 / 3})
    'trim fill -0.33 stop'
    >>> order_text({"do": "only", "head": "key", "level": 0.5})
    'only key at 50 %'
    """
    if not isinstance(order, dict) or not isinstance(order.get("do"), str):
        return json.dumps(order, ensure_ascii=False)
    return " ".join(
        filter(
            None, (order["do"], *(_member(order["do"], name, order[name]) for name in order if name != "do"))
        )
    )


def _member(order: str, name: str, value: Any) -> str:
    if name == "heads" and isinstance(value, dict):
        return ", ".join(f"{head} {_level(level)}" for head, level in value.items()) or "no head"
    if value is None:
        return "none"
    if name == "relative" and isinstance(value, dict):
        return ", ".join(f"{role} {_stops(stops)}" for role, stops in value.items())
    if name == "by":
        return _stops(value)
    if name == "to" and order == "trim":
        return "out" if value == "out" else f"to {_stops(value)}"
    if name.endswith("_stops"):
        return f"{name.removesuffix('_stops')} {_stops(value).removeprefix('+')}"
    if name == "level":
        return f"at {_level(value)}"
    if name == "virtual":
        return "by the simulated meter"
    if name == "readings" and isinstance(value, str):
        return "a file of readings"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if name in _NAMELESS else f"{name} {text}"


def _stops(value: Any) -> str:
    """Format stops; text such as "out" or "-1/3" stays as it is."""
    if isinstance(value, str):
        return value
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return stops_text(value) if is_number else json.dumps(value)


def _level(level: Any) -> str:
    is_level = isinstance(level, int | float) and 0 <= level <= 1
    return numbers.percent(level) if is_level else json.dumps(level)


def _clipped(text: str) -> str:
    """Shorten a text to one line of printable characters."""
    line = "".join(c if c.isprintable() else " " for c in text)
    return line if len(line) <= LONGEST else f"{line[: LONGEST - 1]}…"
