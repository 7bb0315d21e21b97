"""The contract of the running studio: what doors and metering may do to it, and what it needs of metering."""

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
    """The running studio. Called on the event loop's thread; `jobs` has the tasks of doors among it."""

    @property
    def jobs(self) -> SideJobs: ...

    @property
    def light(self) -> LightView:
        """The held light, to look at: another object once it was replaced."""

    async def do(self, order: LightOrder | MeterOrder, visitor: Visitor, source: Any = None) -> str:
        """Have one order carried out and stored; the answer's note. Raises Refusal when it is not obeyed.

        `source` is the JSON as which a door got it, for the journal; an order made in here has none.
        """

    def refuse(self, source: Any, visitor: Visitor, refusal: Refusal) -> None:
        """Count and journal an order that a door could not parse."""

    def event(self, *events: Event) -> None:
        """Take in what nobody ordered."""

    def state(self) -> State:
        """The state as every door shows it."""

    def watching(self) -> AbstractContextManager[asyncio.Event]:
        """An event that is set whenever something changed; the watcher clears it and looks."""


@dataclass(frozen=True)
class MeterView:
    """The part of the state that metering adds; members as in the state."""

    routine: State | None = None
    daylight: State | None = None
    drift: list[State] | None = None
    notes: tuple[str, ...] = ()


class MeteringPart(Protocol):
    """The taker of the meter's orders."""

    async def do(self, order: MeterOrder, who: str) -> str:
        """Carry out an order; its note. Raises Refusal when it is not obeyed."""

    def view(self) -> MeterView:
        """The routine, daylight and drift of now."""

    def light_replaced(self) -> None:
        """Tell a held light that replaced another what was learned since of the room and of heads."""
