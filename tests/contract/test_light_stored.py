"""Contract: between orders the light is stored at each 0.1 stop of change and at rest, otherwise seldom."""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import Future
from typing import Any

import pytest

from contract.hold_studio import Studio, output, studio
from fillside.background.side_jobs import SideJobs
from fillside.runtime.storing import AT_REST_S, Record
from fillside.storage.records.journal import Visitor
from fillside.storage.store import Store


@pytest.fixture
def synced() -> list[bool]:
    """For all that is handed in to be stored, whether somebody waits for the disk."""
    return []


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch, synced: list[bool]) -> Iterator[Store]:
    def keep(*jobs: Any, synced: bool = True) -> Future[None]:
        handed_in.append(synced)
        done: Future[None] = Future()
        done.set_result(None)
        return done

    handed_in = synced
    with Store.in_memory() as made:
        monkeypatch.setattr(made, "keep", keep)
        yield made


def apart_stops(up: Studio, one: tuple[int, ...], other: tuple[int, ...]) -> float:
    """The largest difference of a head's light, by the curve's definition; below 0.01 there is none."""

    def stops(head: int, code: int) -> float:
        return math.log2(max(output(up.rig, head, code), 0.01))

    return max(abs(stops(i, a) - stops(i, b)) for i, (a, b) in enumerate(zip(one, other, strict=True)))


@pytest.mark.parametrize("speed", [1.0, 6.0])
def test_a_restart_in_a_fade_is_within_a_tenth_of_a_stop(
    store: Store, synced: list[bool], speed: float
) -> None:
    up = Studio(studio(hold={"order_speed": speed}))
    record = Record(store, lambda: up.now, SideJobs(lambda: up.now))
    up.settle()
    record.save(up.hold)
    synced.clear()
    first = kept = up.codes
    up.do("balance", ratio="4:1")
    worst = 0.0
    while (wake := up.hold.wake_in(up.now)) is not None:
        up.now += wake
        up.tick()
        before = len(synced)
        record.changed(up.hold)
        if len(synced) > before:
            kept = up.codes
        worst = max(worst, apart_stops(up, kept, up.codes))
    assert kept == up.codes
    assert worst < 0.1
    # The disk is synced for it at rest alone, and it is not written at every frame.
    assert synced == [False] * (len(synced) - 1) + [True]
    assert len(synced) <= 1 + apart_stops(up, first, up.codes) / 0.1


def test_a_tracked_place_is_stored_once_a_second(store: Store, synced: list[bool]) -> None:
    up = Studio(studio())
    record = Record(store, lambda: up.now, SideJobs(lambda: up.now))
    up.settle()
    record.save(up.hold)
    synced.clear()
    for number in range(500):
        up.now += 0.02
        up.see((0.001 * (number % 2), 0.0, 1.2))
        record.changed(up.hold)
        if up.now >= record.due:
            record.save(up.hold)
    assert 9 <= len(synced) <= 10
    assert not any(synced)


def test_a_light_that_rests_between_two_reports_of_a_walk_is_stored_once_a_second(
    store: Store, synced: list[bool]
) -> None:
    up = Studio(studio(hold={"pace": "quick"}))
    record = Record(store, lambda: up.now, SideJobs(lambda: up.now))
    up.settle()
    record.save(up.hold)
    synced.clear()
    kept, rests, worst = up.codes, 0, 0.0

    def store_when_due() -> None:
        nonlocal kept, worst
        before = len(synced)
        record.changed(up.hold)
        if up.now >= record.due:
            record.save(up.hold)
        kept = up.codes if len(synced) > before else kept
        worst = max(worst, apart_stops(up, kept, up.codes))

    for number in range(300):
        earlier = up.codes
        up.see((0.05 * math.sin(number / 10), 0.0, 1.2))
        store_when_due()
        up.wait(1 / 30)
        rests += up.hold.settled and up.codes != earlier
        store_when_due()
    assert rests > 50
    assert 9 <= len(synced) <= 25
    up.settle()
    up.now = record.due
    store_when_due()
    assert kept == up.codes
    assert worst < 0.1


async def test_the_light_at_rest_after_an_order_is_stored_at_once(store: Store, synced: list[bool]) -> None:
    """However soon after another rest, which a walk has many of."""
    up = Studio(studio(hold={"order_speed": 6.0}))
    record = Record(store, lambda: up.now, SideJobs(lambda: up.now))
    up.settle()
    record.changed(up.hold)
    for by in (0.05, -0.05, 0.05):
        began = up.now
        up.do("trim", role="fill", by=by)
        await record.order(up.hold, {"do": "trim"}, Visitor("test", "test"), "", None)
        while not up.hold.settled:
            up.now += up.hold.wake_in(up.now) or 0.0
            up.tick()
            record.changed(up.hold)
        assert synced[-1], f"the rest after a trim of {by} stop is stored"
        assert record._codes == up.codes
        assert up.now - began < AT_REST_S
