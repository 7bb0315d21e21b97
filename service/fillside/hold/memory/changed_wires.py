"""Which heads a changed rig file takes off their wires, and which go on with the light that is on one.

Light belongs to a wire: a lamp that hangs on it does not know what the file calls it. A head is the same if
it hangs where one hung before; or by its name, if it was put on another driver.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence

from fillside.rig.tables.drivers import WireDrive
from fillside.rig.tables.head import Head
from fillside.rig.tables.model import Rig

Wire = tuple[str, str, Hashable]
"""A driver's name and kind, and the first of the head's places on it."""


def leaving(old: Rig, new: Rig) -> tuple[str, ...]:
    """The heads of the old file whose lamps nothing in the new one lights."""
    goes_on = set(taken_over(old, new).values())
    return tuple(head.name for head in old.heads if head.drive is not None and head.name not in goes_on)


def taken_over(old: Rig, new: Rig) -> dict[str, str]:
    """For each head of the new file that goes on with a light that was there, the head of the old one."""
    there = {wire: head.name for head in old.heads if (wire := _wire(old, head)) is not None}
    found = {}
    for head in new.heads:
        wire = _wire(new, head)
        if wire is None:
            continue
        if wire in there:
            found[head.name] = there[wire]
        elif _put_on_another_driver(head.name, old, wire):
            found[head.name] = head.name
    return found


def still_leaving(
    before: Sequence[str], places: Collection[int], over: Mapping[str, str], now: Sequence[str]
) -> frozenset[int]:
    """The places among the names `now` of heads that were leaving, by place among the names `before`, and go
    on as they were; `over` as `taken_over`."""
    heads = {before[i] for i in places}
    return frozenset(i for i, name in enumerate(now) if name in heads and over.get(name) == name)


def _put_on_another_driver(name: str, old: Rig, wire: Wire) -> bool:
    known = next((head for head in old.heads if head.name == name), None)
    before = None if known is None else _wire(old, known)
    return before is not None and before[:2] != wire[:2]


def _wire(rig: Rig, head: Head) -> Wire | None:
    if head.drive is None:
        return None
    drive, driver = rig.driver_config.drives.get(head.name), head.drive.driver
    places = drive.claims() if isinstance(drive, WireDrive) else ()
    return driver, rig.drivers[driver].kind, places[0] if places else head.name
