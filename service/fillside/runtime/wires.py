"""The drivers of a rig, built from its file: which there are and which heads hang on each."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import cast

from fillside.balance.solver.rounding import Codes
from fillside.hold.events import (
    DriverChanged,
    HeadAnswers,
    HeadBack,
    HeadDisobeys,
    HeadLate,
    HeadLost,
    HealthEvent,
)
from fillside.rig.scene.scene import Scene
from fillside.rig.scene.whites import white_of
from fillside.rig.tables.model import Rig
from fillside_drivers.driver import (
    DriveModel,
    Driver,
    HeadHealth,
    Health,
    Identity,
    OptionsModel,
    channel_names,
)
from fillside_drivers.registry import build


@dataclass(frozen=True)
class DriversInUse:
    """`drivers` by name; `heads` has for each the places of its heads in the rig, and their names."""

    drivers: Mapping[str, Driver]
    heads: Mapping[str, tuple[tuple[int, str], ...]]

    def frames(self, scene: Scene, codes: Codes, before: Codes) -> Iterator[tuple[Driver, dict[str, int]]]:
        """For each driver the channels whose codes changed since `before`, all of them when that is empty."""
        for name, heads in self.heads.items():
            frame = {
                channel: code
                for place, head in heads
                if not before or codes[place] != before[place]
                for channel, code in _channels(head, scene.wire_codes(place, codes[place]))
            }
            if frame:
                yield self.drivers[name], frame


def _channels(head: str, codes: Codes) -> Iterator[tuple[str, int]]:
    return zip(channel_names(head, len(codes)), codes, strict=True)


def loom_of(rig: Rig, clock: Callable[[], float], identity: Identity) -> DriversInUse:
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
            ccts_k=_told(rig),
        )
        for name, own in heads.items()
    }
    return DriversInUse(drivers, heads)


def _told(rig: Rig) -> dict[str, float]:
    """The white, in kelvin, of every head whose lamp is told one."""
    whites = {head.name: white_of(rig, head) for head in rig.heads}
    return {name: white.held_k for name, white in whites.items() if white is not None and white.told}


# DOC From what a driver says of its health to what happened to wires and heads, as the hold takes it.
_UNKNOWN = HeadHealth()


def news(driver: str, old: Health, new: Health) -> Iterator[HealthEvent]:
    """What happened between two of a driver's states, heads first: a wire that is back counts only with the
    heads that are."""
    for name, head in new.heads.items():
        yield from _of_head(name, old.heads.get(name, _UNKNOWN), head)
    for name in old.heads.keys() - new.heads.keys():
        if old.heads[name].state != "ok":
            yield HeadBack(name)
    if (old.state, old.note, old.notices) != (new.state, new.note, new.notices):
        yield DriverChanged(driver, new.state, new.note, new.notices)


def _of_head(name: str, old: HeadHealth, new: HeadHealth) -> Iterator[HealthEvent]:
    if (old.answers, old.confirmed) != (new.answers, new.confirmed):
        yield HeadAnswers(name, new.answers, new.confirmed)
    if new.returns != old.returns or (new.state in ("ok", "late") and old.state == "lost"):
        yield HeadBack(name, new.code)
        old = _UNKNOWN
    if new.state == "lost" and old.state != "lost":
        yield HeadLost(name)
    elif new.state == "late" and old.state != "late":
        yield HeadLate(name)
    elif new.state == "disobeying" and (old.state != "disobeying" or old.code != new.code):
        yield HeadDisobeys(name, new.code)
    elif new.state == "ok" and old.state != "ok":
        yield HeadBack(name)
