"""Which wires and heads answer, and since when.

Theory. A head has a state of its own, as far as its lamp says so, and shares that of its driver; the worse of
the two counts:

    driver \\ own   ok     disobeying   lost
    ok             ok     disobeying   lost
    late           late   disobeying   lost
    lost           lost   lost         lost

A head that is lost cannot be reached; the others can.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from fillside.balance.rounding import Codes
from fillside.hold.events import (
    DriverChanged,
    DriverState,
    HeadBack,
    HeadDisobeys,
    HeadLost,
    HeadState,
    HealthEvent,
)
from fillside.rig.scene import Scene


@dataclass(frozen=True)
class DriverHealth:
    """A driver's state and since when; times are the caller's clock [s]."""

    state: DriverState
    since_s: float
    note: str = ""
    notices: tuple[str, ...] = ()


@dataclass(frozen=True)
class HeadHealth:
    """A head's state and since when; `code` is what it says it has while it disobeys."""

    state: HeadState
    since_s: float
    code: int | None = None


@dataclass(frozen=True)
class _Own:
    """What a head's lamp says of itself."""

    state: Literal["ok", "lost", "disobeying"]
    since_s: float
    code: int | None = None


class Health:
    """The drivers' states and those of the heads."""

    def __init__(self, scene: Scene, at_s: float) -> None:
        self._drivers_of = [head.drive.driver if head.drive else None for head in scene.rig.heads]
        self._own = {name: _Own("ok", at_s) for name in scene.names}
        self.drivers: dict[str, DriverHealth] = dict.fromkeys(
            dict.fromkeys(n for n in self._drivers_of if n is not None), DriverHealth("ok", at_s)
        )

    def take_over(self, other: Health) -> None:
        """What another knew of the drivers and heads that are here too."""
        self.drivers |= {name: known for name, known in other.drivers.items() if name in self.drivers}
        self._own |= {name: own for name, own in other._own.items() if name in self._own}

    def heard(self, event: HealthEvent, at_s: float) -> None:
        """Take an event in; one about a driver or head that the rig does not have says nothing."""
        if isinstance(event, DriverChanged):
            known = self.drivers.get(event.driver)
            if known is not None:
                since_s = known.since_s if known.state == event.state else at_s
                self.drivers[event.driver] = DriverHealth(event.state, since_s, event.note, event.notices)
        elif event.head in self._own:
            self._own[event.head] = _after(self._own[event.head], event, at_s)

    @property
    def heads(self) -> tuple[HeadHealth, ...]:
        """Every head, in the rig's order; one without a wire is as well as its lamp says."""
        return tuple(
            _joined(own, None if driver is None else self.drivers[driver])
            for own, driver in zip(self._own.values(), self._drivers_of, strict=True)
        )

    @property
    def working(self) -> tuple[bool, ...]:
        """For each head whether it can be reached."""
        return tuple(head.state != "lost" for head in self.heads)


def found_code(event: HealthEvent, scene: Scene, codes: Codes) -> dict[int, int]:
    """The head and the code it was found at, where that is another than it has by these codes."""
    if not isinstance(event, HeadBack) or event.code is None or event.head not in scene.names:
        return {}
    head = scene.index(event.head)
    return {} if scene.fixed[head] or event.code == codes[head] else {head: event.code}


def _after(own: _Own, event: HeadLost | HeadBack | HeadDisobeys, at_s: float) -> _Own:
    if isinstance(event, HeadLost):
        new = _Own("lost", at_s)
    elif isinstance(event, HeadDisobeys):
        new = _Own("disobeying", at_s, event.code)
    else:
        new = _Own("ok", at_s)
    return replace(new, since_s=own.since_s) if new.state == own.state else new


def _joined(own: _Own, driver: DriverHealth | None) -> HeadHealth:
    if driver is not None and driver.state == "lost":
        both_lost = own.state == "lost"
        return HeadHealth("lost", min(own.since_s, driver.since_s) if both_lost else driver.since_s)
    if own.state != "ok" or driver is None:
        return HeadHealth(own.state, own.since_s, own.code)
    return HeadHealth(driver.state, max(own.since_s, driver.since_s))
