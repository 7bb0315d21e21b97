"""Building a checked rig from plain data, and from an existing rig with changes."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from fillside.rig.checks.cross_checks import cross_checks
from fillside.rig.problems import Problem, RigError, did_you_mean, dotted
from fillside.rig.scene.whites import white_checks
from fillside.rig.tables.drivers import DriverKinds, parse_drivers
from fillside.rig.tables.keys import READ_PHRASE, ReadPhrase
from fillside.rig.tables.model import Rig
from fillside.rig.validation import problems_from


def build_rig(
    data: Mapping[str, Any], kinds: DriverKinds | None, read_phrase: ReadPhrase | None = None
) -> tuple[Rig | None, list[Problem]]:
    """Build and check a rig from the content of a rig file.

    Parameters:
        data: the content as plain data.
        kinds: the kinds of driver that parse drivers and drives; None to accept the drivers' own keys
            unchecked.
        read_phrase: reads the phrases of `[keys]`; None to accept them unchecked.

    Returns:
        The rig and no problems, or None and all problems found.
    """
    try:
        rig = Rig.model_validate(data, context={READ_PHRASE: read_phrase})
    except ValidationError as error:
        return None, problems_from(error, Rig, data)
    rig.set_phrase_reader(read_phrase)
    problems = cross_checks(rig)
    if kinds is not None and not problems:
        problems = _parse_drivers(rig, kinds)
    return (None, problems) if problems else (rig, [])


def _parse_drivers(rig: Rig, kinds: DriverKinds) -> list[Problem]:
    drives = {head.name: (i, head.drive) for i, head in enumerate(rig.heads) if head.drive is not None}
    config, problems = parse_drivers(rig.drivers, drives, kinds)
    rig.set_driver_config(config)
    return problems or list(white_checks(rig))


def apply_change(rig: Rig, change: Mapping[str, object]) -> Rig:
    """Return a new rig with other values at dotted keys, as if the rig file had been edited.

    ``{"heads.key.position": [1.1, -1.0, 1.9], "camera.iso": 800, "balance.ratio": "3:1"}`` sets three values.
    Heads are addressed by name; None removes a key. The new rig is checked like a file, with the kinds of
    drivers and the reader of key phrases of `rig`; `rig` itself is unchanged.

    Raises:
        RigError: a key or value is not allowed.
    """
    data = _plain(rig.dump())
    for key, value in change.items():
        _set(data, key, copy.deepcopy(value))
    changed, problems = build_rig(data, rig.driver_config.kinds, rig.read_phrase)
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


def _set(data: dict[str, Any], key: str, value: object) -> None:
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
