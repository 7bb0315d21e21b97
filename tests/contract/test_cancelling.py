"""Contract: tasks are ended also where one loses a cancellation, as `wait_for` does on Python 3.11."""

from __future__ import annotations

import asyncio

import pytest

from fillside_drivers.cancellation import cancel_tasks, run_until_first


async def loses(times: int, seen: list[int]) -> None:
    """Goes on after so many cancellations."""
    while True:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            seen.append(len(seen))
            if len(seen) > times:
                raise


@pytest.mark.parametrize("times", [0, 1, 3])
async def test_it_is_cancelled_until_it_ends(times: int) -> None:
    seen: list[int] = []
    task = asyncio.create_task(loses(times, seen))
    await asyncio.sleep(0)
    await cancel_tasks([task], 0.001)
    assert task.cancelled()
    assert len(seen) == times + 1


async def test_who_cancels_may_be_cancelled_and_ends_them_all_the_same() -> None:
    seen: list[int] = []
    task = asyncio.create_task(loses(3, seen))
    await asyncio.sleep(0)
    ending = asyncio.create_task(cancel_tasks([task], 0.001))
    await asyncio.sleep(0)
    ending.cancel()
    with pytest.raises(asyncio.CancelledError):
        await ending
    assert task.cancelled()


async def test_the_first_that_ends_ends_the_others_and_its_error_counts() -> None:
    seen: list[int] = []

    async def breaks() -> None:
        await asyncio.sleep(0)
        raise ConnectionError("gone")

    with pytest.raises(ConnectionError, match="gone"):
        await run_until_first(loses(1, seen), breaks())
    assert len(seen) == 2


async def test_cancelled_it_leaves_nothing_behind() -> None:
    seen: list[int] = []
    together = asyncio.create_task(run_until_first(loses(1, seen), loses(1, seen)))
    await asyncio.sleep(0.01)
    await cancel_tasks([together], 1.0)
    assert together.cancelled()
    assert len(seen) >= 3
    others = asyncio.all_tasks() - {asyncio.current_task()}
    assert not any("loses" in str(task.get_coro()) for task in others)
