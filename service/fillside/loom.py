"""The drivers of a rig, built from its file: which there are and which heads hang on each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import cast

from fillside.rig.model import Rig
from fillside_drivers.driver import DriveModel, Driver, Identity, OptionsModel
from fillside_drivers.registry import build


@dataclass(frozen=True)
class Loom:
    """`drivers` by name; `heads` has for each the places of its heads in the rig, and their names."""

    drivers: Mapping[str, Driver]
    heads: Mapping[str, tuple[tuple[int, str], ...]]


def loom_of(rig: Rig, clock: Callable[[], float], identity: Identity) -> Loom:
    """All drivers that a head of the rig hangs on, not open yet.

    Raises fillside_drivers' DriverError when one cannot be built on this machine.
    """
    heads: dict[str, tuple[tuple[int, str], ...]] = {}
    for place, head in enumerate(rig.heads):
        if head.drive is not None:
            heads[head.drive.driver] = (*heads.get(head.drive.driver, ()), (place, head.name))
    drivers = {
        name: build(
            name,
            rig.drivers[name].kind,
            cast(OptionsModel, rig.wiring.options[name]),
            {head: cast(DriveModel, rig.wiring.drives[head]) for _, head in own},
            clock=clock,
            identity=identity,
        )
        for name, own in heads.items()
    }
    return Loom(drivers, heads)
