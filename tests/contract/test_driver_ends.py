"""Contract: what a driver's own part is told at its end, and how far undo reaches back."""

from __future__ import annotations

import uuid
from collections.abc import Mapping

import pytest

from fillside.bounds import MOST_UNDO
from fillside.hold.memory.undo import History, Undoable
from fillside.orders.answers import Refusal
from fillside_drivers.driver import Driver, Identity, OpenError, OptionsModel, Setup

SETUP = Setup("line", OptionsModel(), (), lambda: 0.0, Identity(uuid.UUID(int=1)))


class Ends(Driver):
    """Keeps how often and how it was closed."""

    kind = "ends"
    opens = True

    def __init__(self) -> None:
        super().__init__(SETUP)
        self.closed: list[bool] = []

    async def _open(self) -> None:
        if not self.opens:
            raise OpenError("there is no such device", driver=self.name)

    def _send(self, codes: Mapping[str, int]) -> None:
        """Nothing is on this wire."""

    async def _close(self, stay: bool) -> None:
        self.closed.append(stay)


@pytest.mark.parametrize("stay", [True, False])
async def test_whether_receivers_are_to_hear_of_the_end_reaches_the_wire(stay: bool) -> None:
    async with Ends() as driver:
        await driver.close(stay=stay)
        await driver.close(stay=not stay)
    assert driver.closed == [stay]


async def test_leaving_the_block_ends_the_stream() -> None:
    async with Ends() as driver:
        pass
    assert driver.closed == [False]


async def test_an_opening_that_failed_says_nothing_on_the_wire() -> None:
    driver = Ends()
    driver.opens = False
    with pytest.raises(OpenError):
        await driver.__aenter__()
    assert driver.closed == [True]


def test_no_more_orders_are_kept_for_undo_than_that() -> None:
    history = History()
    for number in range(MOST_UNDO + 5):
        history.add(Undoable(f"trim {number}", {"trims": number}, ()))
    taken = [history.take_back().do for _ in range(MOST_UNDO)]
    assert taken == [f"trim {number}" for number in range(MOST_UNDO + 4, 4, -1)]
    with pytest.raises(Refusal, match="nothing to undo"):
        history.take_back()
