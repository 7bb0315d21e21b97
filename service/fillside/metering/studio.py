"""What the meter's side needs of the running studio."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fillside.metering.simulated_meter import HandMeter
from fillside.orders.model import LightOrder
from fillside.rig.tables.model import Point, Rig

HALF_A_CODE = 0.6 / 255
"""Levels are compared to a little more than half a code of a narrow wire, which rounds them."""


@dataclass(frozen=True)
class LightNow:
    """The light as it is: levels on the wires by head, and whether it rests; `state` gives the rest of it."""

    levels: Mapping[str, float]
    settled: bool
    state: Callable[[], Mapping[str, Any]]

    @property
    def subject(self) -> Point:
        """Where the subject is [m]."""
        x, y, z = self.state()["subject"]
        return float(x), float(y), float(z)

    @property
    def shown(self) -> bool:
        """Whether only some heads are on, for metering."""
        return self.state()["shown"] is not None

    def is_as_asked(self, lit: Mapping[str, float] | None, rig: Rig) -> bool:
        """Whether the heads in `lit` are at their levels and the others out; None is the held light."""
        if lit is None:
            return not self.shown
        for head in rig.heads:
            if head.dimming.fixed or (head.rule == "work" and not lit):
                continue
            if abs(self.levels.get(head.name, 0.0) - lit.get(head.name, 0.0)) > HALF_A_CODE:
                return False
        return True


@dataclass(frozen=True)
class MeteredStudio:
    """`light` carries out an order of the hold; `now` is the light as it is; `rest` waits until it rests;
    `rig` is the rig with what was ordered since; `changed` is called when what doors show is another;
    `hand_meter` gives one that reads where everything is simulated.
    """

    light: Callable[[LightOrder], Awaitable[Any]]
    now: Callable[[], LightNow]
    rest: Callable[[], Awaitable[None]]
    rig: Callable[[], Rig]
    changed: Callable[[], None]
    hand_meter: Callable[[], HandMeter | None]
