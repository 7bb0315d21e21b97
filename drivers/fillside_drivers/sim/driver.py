"""The reference driver: an exact and immediate wire in memory.

It does not model the duration of a frame, dropped frames, receivers that merge several sources or smooth
levels, or the effect of a lamp's electronics on a fade. A frame is on the wire when `send` returns, unless
`lose` has broken it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

from fillside_drivers.driver import Driver, Setup

OnFrame = Callable[[float, Mapping[str, float]], None]


class SimDriver(Driver):
    """A simulated wire; the simulated lamps follow its levels."""

    kind: ClassVar[str] = "sim"

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        self._wire: dict[str, int] = {}
        self._listeners: list[OnFrame] = []

    @property
    def wire(self) -> Mapping[str, int]:
        """The codes on the wire; 0 for a channel that was never sent to."""
        return {name: self._wire.get(name, 0) for name in self.channels}

    @property
    def levels(self) -> Mapping[str, float]:
        """The levels on the wire, code over full scale, 0..1."""
        return {name: code / self.channels[name].drive.full_scale for name, code in self.wire.items()}

    def now(self) -> float:
        """Return the time of the injected clock [s]."""
        return self._clock()

    def on_frame(self, call: OnFrame) -> None:
        """Call `call` with the time and all levels after every frame."""
        self._listeners.append(call)

    def lose(self, note: str = "simulated fault") -> None:
        """Break the wire: frames are held back, and lamps stay as they are."""
        self._counts.errors += 1
        self._report(state="lost", note=note)

    def recover(self) -> None:
        """Mend the wire and send the latest frame."""
        self._report(state="ok", note="")
        if self._phase == "open" and self._codes:
            self._send(self._codes)

    async def _open(self) -> None:
        """Do nothing: memory is always available."""

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
