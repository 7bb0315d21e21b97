"""Which heads answer: drivers and heads that are lost, and since when."""

from __future__ import annotations

from fillside.hold.events import DriverChanged, DriverState, HeadBack, HeadLost
from fillside.rig.scene import Scene


class Health:
    """The drivers' states and the heads that can be reached."""

    def __init__(self, scene: Scene, at_s: float) -> None:
        self._drivers_of = [head.drive.driver if head.drive else None for head in scene.rig.heads]
        self._names = scene.names
        self._lost: set[str] = set()
        self.drivers: dict[str, tuple[DriverState, float]] = dict.fromkeys(
            dict.fromkeys(n for n in self._drivers_of if n is not None), ("ok", at_s)
        )

    def heard(self, event: DriverChanged | HeadLost | HeadBack, at_s: float) -> None:
        """Take an event in; one about a driver or head that the rig does not have says nothing."""
        if isinstance(event, DriverChanged):
            known = self.drivers.get(event.driver)
            if known is not None and known[0] != event.state:
                self.drivers[event.driver] = (event.state, at_s)
        elif isinstance(event, HeadLost):
            self._lost |= {event.head} & set(self._names)
        else:
            self._lost -= {event.head}

    @property
    def working(self) -> tuple[bool, ...]:
        """For each head whether it can be reached; one without a wire always can."""
        return tuple(
            name not in self._lost and (driver is None or self.drivers[driver][0] != "lost")
            for name, driver in zip(self._names, self._drivers_of, strict=True)
        )
