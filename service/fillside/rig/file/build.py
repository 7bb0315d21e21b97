"""From plain data to a rig that was checked in all ways, or to everything that is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from fillside.rig.checks.cross_checks import cross_checks
from fillside.rig.file.validation import problems_from
from fillside.rig.problems import Problem
from fillside.rig.scene.whites import white_problems
from fillside.rig.tables.keys import READ_PHRASE, ReadPhrase
from fillside.rig.tables.model import Rig
from fillside.rig.tables.wiring import Kinds, wire_up


def build_rig(
    data: Mapping[str, Any], kinds: Kinds | None, read_phrase: ReadPhrase | None = None
) -> tuple[Rig | None, list[Problem]]:
    """Return a rig from the rig file's content, or None and its problems.

    `kinds` are asked about drivers and drives; without them the drivers' own keys are taken as they are.
    `read_phrase` is asked about what keys do; without it that is taken as it is.
    """
    try:
        rig = Rig.model_validate(data, context={READ_PHRASE: read_phrase})
    except ValidationError as error:
        return None, problems_from(error, Rig, data)
    rig.take_phrases(read_phrase)
    problems = cross_checks(rig)
    if kinds is not None and not problems:
        problems = _wire(rig, kinds)
    return (None, problems) if problems else (rig, [])


def _wire(rig: Rig, kinds: Kinds) -> list[Problem]:
    drives = {head.name: (i, head.drive) for i, head in enumerate(rig.heads) if head.drive is not None}
    wiring, problems = wire_up(rig.drivers, drives, kinds)
    rig.take_wiring(wiring)
    return problems or list(white_problems(rig))
