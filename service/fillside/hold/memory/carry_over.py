"""Heads and corrections that go on under a changed rig file or calibration, and heads that leave.

Light belongs to a wire: a lamp that hangs on it does not know what the file calls it. A head is the same if
it hangs where one hung before; or by its name, if it was put on another driver.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

from fillside.rig.calibration import CalibratedHead, Calibration
from fillside.rig.tables.head import Head
from fillside.rig.tables.model import Rig
from fillside.rig.tables.wiring import Wired

Wire = tuple[str, str, Hashable]
"""A driver's name and kind, and the first of the head's places on it."""


def leaving_heads(old: Rig, new: Rig) -> tuple[str, ...]:
    """The heads of the old file whose lamps nothing in the new one lights."""
    goes_on = set(continuing_heads(old, new).values())
    return tuple(head.name for head in old.heads if head.drive is not None and head.name not in goes_on)


def continuing_heads(old: Rig, new: Rig) -> dict[str, str]:
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


def _put_on_another_driver(name: str, old: Rig, wire: Wire) -> bool:
    known = next((head for head in old.heads if head.name == name), None)
    before = None if known is None else _wire(old, known)
    return before is not None and before[:2] != wire[:2]


def _wire(rig: Rig, head: Head) -> Wire | None:
    if head.drive is None:
        return None
    drive, driver = rig.wiring.drives.get(head.name), head.drive.driver
    places = drive.claims() if isinstance(drive, Wired) else ()
    return driver, rig.drivers[driver].kind, places[0] if places else head.name


_AS_READ = ("heads", "levels", "at", "value", "unit", "receptor", "facing", "time")


def lasting_corrections(
    corrected: Mapping[str, float], old: Calibration | None, new: Calibration | None
) -> dict[str, float]:
    """The corrections [stops] of heads whose calibration is the one it was."""
    return {name: stops for name, stops in corrected.items() if same_basis(name, old, new)}


def corrected_calibration(
    calibration: Calibration | None, corrected: Mapping[str, float]
) -> Calibration | None:
    """A calibration whose heads give so many stops less than they were read to."""
    if calibration is None or not corrected:
        return calibration
    heads = dict(calibration.heads)
    for name, stops in corrected.items():
        known = heads.get(name)
        if known is not None and known.intensity_cd is not None:
            heads[name] = known.model_copy(update={"intensity_cd": known.intensity_cd * 2.0**-stops})
    return calibration.model_copy(update={"heads": heads})


def same_basis(name: str, old: Calibration | None, new: Calibration | None) -> bool:
    """True where two calibrations rest on the same readings of a head, or without any state the same light.

    Readings of other heads shift what is believed of it by next to nothing, and do not count.
    """
    return old is new or _basis(name, old) == _basis(name, new)


def _basis(name: str, calibration: Calibration | None) -> Any:
    head = None if calibration is None else calibration.heads.get(name)
    if head is None:
        return None
    return _readings(head) if head.readings else head.intensity_cd


def _readings(head: CalibratedHead) -> list[str]:
    return sorted(repr([_plain(getattr(one, key)) for key in _AS_READ]) for one in head.readings)


def _plain(value: Any) -> Any:
    """A value the same whether it came from JSON or not."""
    return list(value) if isinstance(value, tuple) else value
