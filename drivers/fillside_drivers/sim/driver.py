"""The reference driver: a wire in memory, exact and at once.

What it does not model: the time a frame takes, dropped frames, receivers that merge several sources or
smooth levels, and what a lamp's own electronics do to a fade. A frame handed in is on the wire when `send`
returns, unless a fault was put on it with `lose`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

from fillside_drivers.driver import Driver, Setup

OnFrame = Callable[[float, Mapping[str, float]], None]


class SimDriver(Driver):
    """A simulated wire; its levels are what the simulated lamps see."""

    kind: ClassVar[str] = "sim"

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self._wire: dict[str, int] = {}
        self._listeners: list[OnFrame] = []

    @property
    def wire(self) -> Mapping[str, int]:
        """The codes now on the wire; 0 for a channel never sent to."""
        return {name: self._wire.get(name, 0) for name in self.channels}

    @property
    def levels(self) -> Mapping[str, float]:
        """The same as levels, code over full scale, 0..1."""
        return {name: code / self.channels[name].drive.full_scale for name, code in self.wire.items()}

    def now(self) -> float:
        """The injected clock, s."""
        return self._clock()

    def on_frame(self, call: OnFrame) -> None:
        """Call `call` with the time and all levels whenever the wire changes."""
        self._listeners.append(call)

    def lose(self, note: str = "simulated fault") -> None:
        """Break the wire: frames are kept back, lamps stay as they are."""
        self._counts.errors += 1
        self._report(state="lost", note=note)

    def recover(self) -> None:
        """Mend it: the latest frame goes out."""
        self._report(state="ok", note="")
        if self._phase == "open" and self._codes:
            self._send(self._codes)

    async def _open(self) -> None:
        """Memory is always there."""

    def _send(self, codes: Mapping[str, int]) -> None:
        if self.health.state == "lost":
            return
        self._wire.update(codes)
        self._counts.frames_sent += 1
        now, levels = self._clock(), self.levels
        for call in self._listeners:
            call(now, levels)

    async def _close(self, stay: bool) -> None:
        self._listeners.clear()
