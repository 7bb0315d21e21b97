"""The contract of the running studio: the actions of doors and metering on it, and its use of metering."""

from __future__ import annotations

import asyncio
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Protocol

from fillside.background.side_jobs import SideJobs
from fillside.hold.contract import LightView
from fillside.hold.events import Event
from fillside.orders.answers import Refusal
from fillside.orders.model import LightOrder, MeterOrder
from fillside.runtime.live import State
from fillside.storage.records.journal import Visitor


class Studio(Protocol):
    """The running studio. Call it on the event loop's thread; `jobs` includes the tasks of doors."""

    @property
    def jobs(self) -> SideJobs: ...

    @property
    def light(self) -> LightView:
        """The held light, read-only; another object after it is replaced."""

    async def do(self, order: LightOrder | MeterOrder, visitor: Visitor, source: Any = None) -> str:
        """Carry out an order and store it; return the note of the answer. Raises Refusal if it is not obeyed.

        `source` is the order's JSON as a door received it, for the journal; an internal order has none.
        """

    def refuse(self, source: Any, visitor: Visitor, refusal: Refusal) -> None:
        """Count and journal an order that a door could not parse."""

    def event(self, *events: Event) -> None:
        """Apply events, such as a change of a wire or of the ambient light."""

    def state(self) -> State:
        """Return the state that every door shows."""

    def watching(self) -> AbstractContextManager[asyncio.Event]:
        """Yield an event that is set whenever something changes; the watcher clears
        it and reads the state."""


@dataclass(frozen=True)
class MeterView:
    """The part of the state that metering adds; members are as in the state."""

    routine: State | None = None
    daylight: State | None = None
    drift: list[State] | None = None
    notes: tuple[str, ...] = ()


class MeteringPart(Protocol):
    """The metering side, which takes its own orders."""

    async def do(self, order: MeterOrder, who: str) -> str:
        """Carry out an order; return its note. Raises Refusal if it is not obeyed."""

    def view(self) -> MeterView:
        """Return the present routine, daylight and drift."""

    def light_replaced(self) -> None:
        """Send a replacement light the latest ambient light and the drift of the heads."""
