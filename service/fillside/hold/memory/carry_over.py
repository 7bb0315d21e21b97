"""Heads and corrections that continue under a changed rig file or calibration, and heads that leave.

Light belongs to a wire: a lamp does not know its name in the rig file. A head counts as the same if its
address on the wire is that of an earlier head, or by its name if it moved to another driver.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

from fillside.rig.calibration import CalibratedHead, Calibration
from fillside.rig.tables.drivers import WireDrive
from fillside.rig.tables.head import Head
from fillside.rig.tables.model import Rig

Wire = tuple[str, str, Hashable]
"""A driver's name and kind, and the head's first address on it."""
_DARKEST = 1e-6
"""Less daylight than by this factor counts as this."""


def leaving_heads(old: Rig, new: Rig) -> tuple[str, ...]:
    """Return the heads of the old file whose lamps no head of the new file controls."""
    goes_on = set(continuing_heads(old, new).values())
    return tuple(head.name for head in old.heads if head.drive is not None and head.name not in goes_on)


def continuing_heads(old: Rig, new: Rig) -> dict[str, str]:
    """Return, for each head of the new file that continues an existing light, its head in the old file."""
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
    old_head = next((head for head in old.heads if head.name == name), None)
    before = None if old_head is None else _wire(old, old_head)
    return before is not None and before[:2] != wire[:2]


def _wire(rig: Rig, head: Head) -> Wire | None:
    if head.drive is None:
        return None
    drive, driver = rig.driver_config.drives.get(head.name), head.drive.driver
    places = drive.claims() if isinstance(drive, WireDrive) else ()
    return driver, rig.drivers[driver].kind, places[0] if places else head.name


_AS_READ = ("heads", "levels", "at", "value", "unit", "receptor", "facing", "time")


def lasting_corrections(
    corrected: Mapping[str, float], old: Calibration | None, new: Calibration | None
) -> dict[str, float]:
    """Return the corrections [stops] of heads whose calibration has not changed."""
    return {name: stops for name, stops in corrected.items() if same_basis(name, old, new)}


def corrected_calibration(
    calibration: Calibration | None, corrected: Mapping[str, float], daylight: float = 1.0
) -> Calibration | None:
    """Return a calibration whose heads give this many stops less than their readings say, with so many times
    as much ambient light, to a quarter of a stop: a search takes long, and a sensor speaks all day."""
    if calibration is None:
        return None
    times = 2.0 ** (round(4 * math.log2(max(daylight, _DARKEST))) / 4)
    ambient = None if calibration.ambient is None else calibration.ambient.times(times)
    calibration = calibration.model_copy(update={"ambient": ambient}) if times != 1 else calibration
    heads = dict(calibration.heads)
    for name, stops in corrected.items():
        head = heads.get(name)
        if head is not None and head.intensity_cd is not None:
            heads[name] = head.model_copy(update={"intensity_cd": head.intensity_cd * 2.0**-stops})
    return calibration.model_copy(update={"heads": heads})


def same_basis(name: str, old: Calibration | None, new: Calibration | None) -> bool:
    """Return true if two calibrations rest on the same readings of a head, or on the
    same light if neither has a state.

    Readings of other heads barely change the belief about this one and do not count.
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
    """Return a value in one form, whether it came from JSON or not."""
    return list(value) if isinstance(value, tuple) else value
