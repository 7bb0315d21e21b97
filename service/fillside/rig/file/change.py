"""Changing a rig by dotted keys, as the rig file would be changed by hand."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from fillside.rig.file.build import build_rig
from fillside.rig.problems import RigError, did_you_mean, dotted
from fillside.rig.tables.model import Rig


def apply_change(rig: Rig, change: Mapping[str, Any]) -> Rig:
    """A new rig with other values at some keys; heads are addressed by name, None takes a key out.

    ``{"heads.key.position": [1.1, -1.0, 1.9], "camera.iso": 800, "balance.ratio": "3:1"}`` sets three values
    as the file would have them. The new rig is checked like a file, by the kinds of drivers and the reader of
    key phrases of `rig`. Raises RigError for a key or value that cannot be; `rig` itself never changes.
    """
    data = _plain(rig.dump())
    for key, value in change.items():
        _set(data, key, copy.deepcopy(value))
    changed, problems = build_rig(data, rig.wiring.kinds, rig.read_phrase)
    if changed is None:
        first = problems[0]
        raise RigError(first.message, dotted(first.path, data), others=len(problems) - 1)
    return changed


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(inner) for inner in value]
    return value


def _set(data: dict[str, Any], key: str, value: Any) -> None:
    words = key.split(".")
    table = data
    if words[0] == "heads" and len(words) > 2:
        table = _head(data, words[1], key)
        words = words[2:]
    for word in words[:-1]:
        inner = table.setdefault(word, {})
        if not isinstance(inner, dict):
            raise RigError(f"{word} is not a table, so nothing in it can be set", key)
        table = inner
    if value is None:
        table.pop(words[-1], None)
    else:
        table[words[-1]] = value


def _head(data: dict[str, Any], name: str, key: str) -> dict[str, Any]:
    for head in data["heads"]:
        if head["name"] == name:
            found: dict[str, Any] = head
            return found
    names = [head["name"] for head in data["heads"]]
    raise RigError(f'there is no head "{name}"; {did_you_mean(name, names, "heads")}', key)
