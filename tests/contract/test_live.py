"""Contract: lookers-on get a full state, then changes that add up to it, and cost the light nothing."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any

import pytest

from fillside.runtime.live import QUEUE, DroppedError, Live, Reader


class Told:
    """A state that is set by hand, and how often it was asked for."""

    def __init__(self) -> None:
        self.state: dict[str, Any] = {"mode": "follow", "heads": [1, 2]}
        self.asked = 0

    def __call__(self) -> dict[str, Any]:
        self.asked += 1
        return dict(self.state)


@pytest.fixture
async def told_and_live() -> AsyncIterator[tuple[Told, Live]]:
    told = Told()
    live = Live(told)
    task = asyncio.create_task(live.run())
    yield told, live
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def heard(reader: Reader) -> Any:
    async with asyncio.timeout(5):
        return json.loads(await reader.next())


async def test_the_first_word_is_the_whole_state(told_and_live: tuple[Told, Live]) -> None:
    told, live = told_and_live
    async with live.join() as reader:
        assert await heard(reader) == {"full": told.state}


async def test_changes_carry_only_what_changed(told_and_live: tuple[Told, Live]) -> None:
    told, live = told_and_live
    async with live.join() as reader:
        await heard(reader)
        told.state["mode"] = "freeze"
        live.changed()
        assert await heard(reader) == {"changed": {"mode": "freeze"}}


async def test_a_later_reader_ends_up_with_the_same_state(told_and_live: tuple[Told, Live]) -> None:
    told, live = told_and_live
    async with live.join() as first:
        seen = (await heard(first))["full"]
        told.state.update(mode="dark", heads=[3])
        async with live.join() as second:
            late = (await heard(second))["full"]
            late.update((await heard(second))["changed"])
            seen.update((await heard(first))["changed"])
    assert seen == late == told.state


async def test_many_changes_at_once_are_told_once(told_and_live: tuple[Told, Live]) -> None:
    told, live = told_and_live
    async with live.join() as reader:
        await heard(reader)
        before = told.asked
        for number in range(1000):
            told.state["heads"] = [number]
            live.changed()
        assert await heard(reader) == {"changed": {"heads": [999]}}
        assert told.asked - before <= 2


async def test_nobody_looking_costs_nothing(told_and_live: tuple[Told, Live]) -> None:
    told, live = told_and_live
    for _ in range(100):
        live.changed()
        await asyncio.sleep(0)
    assert told.asked == 0


async def test_one_who_does_not_keep_up_is_dropped_with_a_reason_and_others_go_on() -> None:
    told = Told()
    live = Live(told)
    async with live.join() as slow, live.join() as quick:
        for number in range(QUEUE + 1):
            await live._hand_round(str(number))
            await quick.next()
        with pytest.raises(DroppedError, match=f"too slow: {QUEUE} changes behind"):
            await slow.next()
        assert (live.readers, live.dropped) == (1, 1)
        await live._hand_round("later")
        await quick.next()
        assert await quick.next() == "later"


async def test_the_end_is_told(told_and_live: tuple[Told, Live]) -> None:
    _, live = told_and_live
    async with live.join() as reader:
        await heard(reader)
        live.end("stopping: the daemon ends")
        with pytest.raises(DroppedError, match="stopping"):
            await heard(reader)


async def test_a_state_that_takes_long_to_build_is_built_less_often(monkeypatch: pytest.MonkeyPatch) -> None:
    told, loop, sleep = Told(), asyncio.get_running_loop(), asyncio.sleep
    live, time, pauses = Live(told), loop.time, []

    async def recorded(seconds: float) -> None:
        pauses.append(seconds)
        await sleep(0)

    monkeypatch.setattr(loop, "time", lambda: time() + 0.1 * told.asked)
    monkeypatch.setattr(asyncio, "sleep", recorded)
    async with live.join() as reader:
        task = asyncio.create_task(live.run())
        assert await heard(reader) == {"full": told.state}
        told.state["mode"] = "freeze"
        live.changed()
        assert await heard(reader) == {"changed": {"mode": "freeze"}}
        await sleep(0)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert pauses[0] == pytest.approx(0.5, abs=0.1)
