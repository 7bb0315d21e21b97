"""What the runner needs of whoever takes the meter's orders, and what doors show of it."""

from __future__ import annotations

from typing import Any, Protocol

from fillside.orders.metering import MeterOrder

State = dict[str, Any]


class MeterSide(Protocol):
    """Who takes the meter's orders; see `metering.desk`."""

    async def do(self, order: MeterOrder, who: str) -> str: ...

    def state(self) -> State | None: ...

    def daylight(self) -> State | None: ...

    def drift(self) -> list[State] | None: ...

    def notes(self) -> tuple[str, ...]: ...

    def held_anew(self) -> None: ...


def shown(side: MeterSide | None) -> tuple[State, tuple[str, ...]]:
    """The meter's part of the state, and its notes; without a side there is nothing to show."""
    if side is None:
        return {"routine": None, "daylight": None, "drift": None}, ()
    return {"routine": side.state(), "daylight": side.daylight(), "drift": side.drift()}, side.notes()
