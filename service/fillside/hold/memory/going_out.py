"""Lamps that left the rig file and were still on when the daemon ended: a restart fades them out as well.

A restart reads the changed file, which has no place for them. They join its rig again, each as the head it
was, until they are out. Where another head has taken their place on the wire, that one counts; where nothing
else uses their wire, they are left alone, since a wire that is not needed may not even open.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count
from typing import Any

from pydantic import ValidationError

from fillside.hold.memory.hold_memory import Code, GoingOut, HoldMemory
from fillside.rig.file.build import build_rig
from fillside.rig.tables.model import Rig

LEFT = "it is left as it is"
MOST_NAME = 27
"""Characters of a name that leave room for what is added."""


@dataclass(frozen=True)
class Rejoined:
    """The light of a restart, until the lamps that left are out; `notes` name those that cannot be faded out.

    `stored` is the memory that fits `rig`, or whatever was stored if that is no memory.
    """

    rig: Rig
    stored: object
    notes: tuple[str, ...] = ()


def rejoined(file: Rig, stored: object) -> Rejoined:
    """Return the rig of a file with the lamps that were leaving it and are on."""
    try:
        memory = HoldMemory.model_validate(stored)
    except ValidationError:
        return Rejoined(file, stored)
    rig, notes, joined = file, [], {}
    for name, lamp in memory.going_out.items():
        code = memory.codes.get(name, Code(code=0, of=0))
        if not _is_wired(file, lamp):
            notes.append(f"{name} left the rig file while it was on, and nothing else uses its wire: {LEFT}")
            continue
        own = _free_name(rig, name)
        if (whole := _with_head(rig, {**lamp.head, "name": own})) is not None:
            rig, joined[own] = whole, lamp
            memory = _with_code(memory, own, code, name)
    return Rejoined(rig, memory.model_copy(update={"going_out": joined}), tuple(notes))


def _with_head(rig: Rig, head: Mapping[str, Any]) -> Rig | None:
    """Return a rig with one more head; None if another has its place on the wire, or it does not fit."""
    data = rig.dump()
    data["heads"] = [*data["heads"], head]
    whole, _ = build_rig(data, rig.driver_config.kinds, rig.read_phrase)
    return whole


def _is_wired(file: Rig, lamp: GoingOut) -> bool:
    """Return true if heads of the file use the lamp's wire, so that it is opened in any case."""
    name = _drive(lamp.head).get("driver")
    table = file.drivers.get(str(name))
    used = any(head.drive is not None and head.drive.driver == name for head in file.heads)
    return table is not None and table.kind == lamp.kind and used


def _drive(head: Mapping[str, Any]) -> Mapping[str, Any]:
    drive = head.get("drive")
    return drive if isinstance(drive, Mapping) else {}


def _free_name(rig: Rig, name: str) -> str:
    """Return the lamp's name, or one like it where the file gave its name to another place on a wire."""
    taken = {head.name for head in rig.heads}
    if name not in taken:
        return name
    return next(other for n in count(1) if (other := f"{name[:MOST_NAME]}-out{n}") not in taken)


def _with_code(memory: HoldMemory, own: str, code: Code, name: str) -> HoldMemory:
    """Return the memory with the lamp's code under the name that it has now. A head of its name in the file
    is elsewhere on the wire, where nothing is lit yet."""
    codes = {other: each for other, each in memory.codes.items() if other != name}
    shares = memory.cool_shares
    if name in shares:
        shares = {**shares, own: shares[name]}
    return memory.model_copy(update={"codes": {**codes, own: code}, "cool_shares": shares})
