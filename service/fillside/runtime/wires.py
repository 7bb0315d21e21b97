"""The wires: the drivers of a rig, the frames they are sent, and the hold's events for their health."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import cast

from fillside.background.side_jobs import SideJobs
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
from fillside_drivers.system import SYSTEM, System


@dataclass(frozen=True)
class DriversInUse:
    """`drivers` by name; `heads` has, for each driver, the indices of its heads in
    the rig, and their names."""

    drivers: Mapping[str, Driver]
    heads: Mapping[str, tuple[tuple[int, str], ...]]

    def frames(self, scene: Scene, codes: Codes, before: Codes) -> Iterator[tuple[Driver, dict[str, int]]]:
        """Yield, for each driver, the channels whose codes changed since `before`, or
        all channels if that is empty."""
        for name, heads in self.heads.items():
            if frame := _frame(scene, heads, codes, before):
                yield self.drivers[name], frame


def _frame(scene: Scene, heads: Iterable[tuple[int, str]], codes: Codes, before: Codes) -> dict[str, int]:
    """Return the codes by channel of those of the heads, given by index and name, whose code changed."""
    whites, frame = scene.whites, {}
    for place, head in heads:
        code = codes[place]
        if before and code == before[place]:
            continue
        if whites[place] is None:
            # Its one channel has its name and its code, as nearly all of some hundred heads have.
            frame[head] = code
        else:
            split = scene.wire_codes(place, code)
            frame.update(zip(channel_names(head, len(split)), split, strict=True))
    return frame


def drivers_of(
    rig: Rig, clock: Callable[[], float], identity: Identity, system: System = SYSTEM
) -> DriversInUse:
    """Build all drivers that heads of the rig use, without opening them.

    Raises fillside_drivers' DriverError if one cannot be built on this machine.
    """
    heads: dict[str, tuple[tuple[int, str], ...]] = {}
    for place, head in enumerate(rig.heads):
        if head.drive is not None:
            heads[head.drive.driver] = (*heads.get(head.drive.driver, ()), (place, head.name))
    drivers = {
        name: build(
            name,
            rig.drivers[name].kind,
            cast(OptionsModel, rig.driver_config.options[name]),
            {head: cast(DriveModel, rig.driver_config.drives[head]) for _, head in own},
            clock=clock,
            identity=identity,
            ccts_k=_held_whites(rig),
            system=system,
        )
        for name, own in heads.items()
    }
    return DriversInUse(drivers, heads)


def _held_whites(rig: Rig) -> dict[str, float]:
    """Return the white point, in kelvin, of every head whose lamp is sent one."""
    whites = {head.name: white_of(rig, head) for head in rig.heads}
    return {name: white.held_k for name, white in whites.items() if white is not None and white.sends_cct}


_UNKNOWN = HeadHealth()


def health_events(driver: str, old: Health, new: Health) -> Iterator[HealthEvent]:
    """Yield the events between two healths of a driver, heads first: a wire that is
    back counts only with the heads that are back."""
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
        yield HeadLate(name, new.code)
    elif new.state == "disobeying" and (old.state != "disobeying" or old.code != new.code):
        yield HeadDisobeys(name, new.code)
    elif new.state == "ok" and old.state != "ok":
        yield HeadBack(name)


class Wires:
    """The drivers in use: sends them frames and listens to their health.

    `happened` receives the events of each; a failing wire is fenced among `jobs`.
    """

    def __init__(self, jobs: SideJobs, happened: Callable[[Sequence[HealthEvent]], None]) -> None:
        self._jobs, self._happened = jobs, happened
        self._sent: Codes = ()
        self._healths: dict[str, Health] = {}
        self._unwatch: dict[str, Callable[[], None]] = {}
        self.in_use = DriversInUse({}, {})

    def use(self, drivers: DriversInUse) -> None:
        """Send over these drivers from now on; their health is heard only after `watch`."""
        self.in_use = drivers

    def watch(self) -> Iterator[tuple[HealthEvent, ...]]:
        """Listen to the health of the drivers in use only; yield what each reports already."""
        for end in self._unwatch.values():
            end()
        self._unwatch.clear()
        for name, driver in self.in_use.drivers.items():
            self._unwatch[name] = driver.watch(partial(self._changed, name))
            yield self._events(name, driver.health)

    def begin(self, drivers: DriversInUse, scene: Scene, codes: Codes) -> None:
        """Send these codes to those of the drivers that are not in use yet."""
        for driver, frame in drivers.frames(scene, codes, ()):
            if self.in_use.drivers.get(driver.name) is not driver:
                driver.send(frame)

    def send(self, scene: Scene, codes: Codes) -> None:
        """Send each wire its changes; a wire that fails delays no other, and the next
        call resends everything."""
        frames, self._sent = tuple(self.in_use.frames(scene, codes, self._sent)), codes
        for driver, frame in frames:
            with self._jobs.fence(f"wire {driver.name}"):
                driver.send(frame)
                continue
            self._sent = ()

    def forget_sent(self) -> None:
        """Send the whole of the next frame, whatever was sent before."""
        self._sent = ()

    @property
    def owed(self) -> bool:
        """True while a wire has not taken the last codes sent to it."""
        return not self._sent

    @property
    def free_at(self) -> float:
        """The time from which every wire lets the next frame leave at once."""
        return max((driver.free_at for driver in self.in_use.drivers.values()), default=-math.inf)

    def have_taken(self, codes: Codes) -> bool:
        """Return true once every wire has taken these codes."""
        return self._sent == codes

    def states(self) -> dict[str, str]:
        """Return the state of each wire: ok, late or lost."""
        return {name: driver.health.state for name, driver in self.in_use.drivers.items()}

    def _changed(self, name: str, health: Health) -> None:
        # The driver calls this during its own work, which must go on whatever happens to the events.
        with self._jobs.fence("news of wires"):
            if events := self._events(name, health):
                self._happened(events)

    def _events(self, name: str, health: Health) -> tuple[HealthEvent, ...]:
        old, self._healths[name] = self._healths.get(name, Health()), health
        return tuple(health_events(name, old, health))
