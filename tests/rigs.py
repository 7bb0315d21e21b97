"""Rigs for tests, as plain data and as TOML: a usual studio of two heads, changed by keyword.

`toml(studio(heads=pair(intensity=900, drive={"driver": "wire"}), drivers=sim("wire")))` is a rig file; a part
of one, to be put behind it, is `toml({"heads": [head_at("hair", [0.4, 1.3, 2.3])]})`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

Table = dict[str, Any]

CAMERA: Table = {"position": [0.0, -2.4, 1.4], "iso": 400, "shutter": "1/50", "aperture": 4.0}
CHAIR: Table = {"chair": [0.0, 0.0, 1.2]}
CHAIR_AND_DESK: Table = {**CHAIR, "desk": [0.6, 0.3, 1.25]}
KEY_AT, FILL_AT = [1.1, -1.0, 1.9], [-1.3, -1.2, 1.6]
SOFT_PAIR: Table = {
    "key": {"intensity": 3800, "modifier": {"kind": "shoot-through", "diameter": 0.9}},
    "fill": {"intensity": 2600, "modifier": {"kind": "softbox", "diameter": 0.9}},
    "dimming": {"curve": "square", "floor": 0.03},
}
"""For `pair`, with the drives beside it."""
NOTHING: Table = {}
NAMED_TABLES = ("drivers", "doors", "sensors")
"""Written with a header for each name in them."""


def studio(
    name: str = "corner", *, heads: Sequence[Table], drivers: Table = NOTHING, **tables: Table
) -> Table:
    """A rig with the usual camera and mark; a table given stands in their place, or beside them."""
    usual = {"rig": {"name": name}, "camera": CAMERA, "marks": CHAIR}
    return {**usual, **tables, "heads": list(heads)} | ({"drivers": drivers} if drivers else {})


def pair(key: Table = NOTHING, fill: Table = NOTHING, **both: Any) -> list[Table]:
    """A key and a fill at the usual places. `both` is of each; its own keys are laid over that."""
    return [
        laid(laid(head_at("key", KEY_AT), both), key),
        laid(laid(head_at("fill", FILL_AT), both), fill),
    ]


def head_at(name: str, position: Sequence[float], **more: Any) -> Table:
    """A head; its role is its name where `more` says no other."""
    return {"name": name, "role": name, "position": position, **more}


def dimming(floor: float, curve: str = "square") -> Table:
    return {"curve": curve, "floor": floor}


def sim(driver: str, **keys: Any) -> Table:
    """The table of drivers with one simulated wire."""
    return {driver: {"kind": "sim", **keys}}


def sacn(driver: str, port: int | None = None) -> Table:
    """The table of drivers with one E1.31 wire, heard on a port of this machine."""
    to = {} if port is None else {"to": [f"127.0.0.1:{port}"]}
    return {driver: {"kind": "sacn", **to}}


def kitchen_table() -> Table:
    """The smallest rig whose light can be dimmed: one head, one mark."""
    return studio(
        "kitchen-table",
        camera={"position": [0.0, -2.0, 1.3]},
        marks={"stool": [0.0, 0.0, 1.2]},
        balance={"exposure": 300.0},
        heads=[head_at("key", [1.0, -1.0, 1.8], intensity=900.0, drive={"driver": "wire"})],
        drivers=sim("wire"),
    )


def laid(table: Table, over: Table) -> Table:
    """One table over another, tables within them key by key."""
    both = dict(table)
    for key, value in over.items():
        inner = both.get(key)
        both[key] = laid(inner, value) if isinstance(inner, dict) and isinstance(value, dict) else value
    return both


def toml(tables: Table) -> str:
    """A rig, or some tables of one, as the text of a rig file."""
    return "\n".join(["", *(line for name, table in tables.items() for line in _lines(name, table)), ""])


def _lines(name: str, table: Any) -> list[str]:
    if isinstance(table, list):
        return [line for each in table for line in [f"[[{name}]]", *_pairs(each)]]
    if name in NAMED_TABLES:
        return [line for key, each in table.items() for line in [f"[{name}.{key}]", *_pairs(each)]]
    return [f"[{name}]", *_pairs(table)]


def _pairs(table: Table) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _key(name: str) -> str:
    return name if name.replace("-", "_").isidentifier() else json.dumps(name)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return f"{{ {', '.join(_pairs(value))} }}" if value else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    return json.dumps(value) if isinstance(value, str | bool) else repr(value)
