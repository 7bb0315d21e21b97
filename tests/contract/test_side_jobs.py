"""Contract: work beside the light. What fails in it fails there, is counted, named, tried again, and over."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from fillside.background import side_jobs
from fillside.background.side_jobs import WELL_AFTER_S, SideJobs
from fillside.daemon.composition import Running
from fillside.doors.listener import give
from fillside.doors.mqtt.connection import Connection
from fillside.doors.osc.listener import OscListener
from fillside.metering import assembly as metering_side
from fillside.orders.answers import Refusal
from fillside.orders.light import Trim
from fillside.runtime import loop as runner_module
from fillside.runtime import storing as record_module
from fillside.runtime.live import Live
from fillside.storage.records.journal import Journal, Visitor, latest_entries
from fillside.storage.records.takes import TakeRecorder
from protocol.studio import running
from protocol.test_osc_door import free_udp_port

BOX = Visitor("a box", "test")
WITHIN_S = 60.0
"""Far longer than anything here takes on a machine that does something else meanwhile."""


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


async def until(told: Callable[[], object]) -> None:
    async with asyncio.timeout(WITHIN_S):
        while True:
            if told():
                return
            await asyncio.sleep(0.005)


def boom(*_: Any, **__: Any) -> Any:
    raise ValueError("it is broken")


class Fails:
    """Fails so often, then does what is done."""

    def __init__(self, times: int, then: Callable[..., Awaitable[None]]) -> None:
        self.times, self.calls, self._then = times, 0, then

    async def __call__(self, *args: Any) -> None:
        self.calls += 1
        if self.calls <= self.times:
            boom()
        await self._then(*args)


async def test_a_job_that_fails_is_begun_again_named_and_over_once_it_goes_well() -> None:
    clock, told, goes_on = Clock(), [], asyncio.Event()

    async def waits() -> None:
        await goes_on.wait()

    jobs = SideJobs(clock, lambda: told.append(jobs.state()))
    job = Fails(3, waits)
    jobs.start("advice", job)
    await until(lambda: job.calls == 4)
    (named,) = jobs.state()
    assert (named["name"], named["failures"], named["says"]) == ("advice", 3, "it is broken (ValueError)")
    clock.now += WELL_AFTER_S - 0.1
    jobs.look()
    assert jobs.state()
    clock.now += 0.2
    jobs.look()
    assert jobs.state() == []
    assert jobs.failures == {"advice": 3}
    assert [len(each) for each in told] == [1, 0]
    await jobs.close()


async def test_a_cancelled_job_ends_and_one_that_somebody_else_cancelled_inside_is_begun_again() -> None:
    jobs = SideJobs(Clock())
    inside: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    async def waits_for_another() -> None:
        await inside

    async def rests() -> None:
        await asyncio.sleep(1000)

    first, second = jobs.start("door", waits_for_another), jobs.start("drift", rests)
    await asyncio.sleep(0)
    inside.cancel()
    await until(lambda: jobs.failures["door"] > 0)
    assert not first.done()
    await jobs.close()
    assert first.cancelled()
    assert second.cancelled()
    assert jobs.failures["drift"] == 0


async def test_a_step_swallows_faults_and_lets_a_stop_through() -> None:
    jobs = SideJobs(Clock())
    with jobs.fence("journal"):
        boom()
    assert jobs.failures["journal"] == 1
    for kind in (asyncio.CancelledError, KeyboardInterrupt, SystemExit):
        with pytest.raises(kind), jobs.fence("journal"):
            raise kind
    assert jobs.failures["journal"] == 1


async def test_a_job_that_is_to_stop_does_not_wait_for_its_next_try() -> None:
    jobs, stop = SideJobs(Clock()), asyncio.Event()

    async def breaks() -> None:
        boom()

    task = jobs.start("mqtt door", breaks, stop)
    await until(lambda: jobs.failures["mqtt door"] >= 1)
    stop.set()
    async with asyncio.timeout(WITHIN_S):
        await task


async def test_a_teller_that_fails_itself_does_no_harm() -> None:
    jobs = SideJobs(Clock(), boom)
    with jobs.fence("live page"):
        boom()
    assert len(jobs.state()) == 1


TABLES = """
[doors.osc]
listen = "127.0.0.1:{port}"
[doors.mqtt]
broker = "127.0.0.1"
port = 1
"""


@pytest.fixture
async def up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Running]:
    monkeypatch.setattr(side_jobs, "WELL_AFTER_S", 0.05)
    monkeypatch.setattr(metering_side, "TURN_EVERY_S", 0.01)
    async with running(tmp_path) as found:
        yield found


def named(up: Running) -> set[str]:
    return {job["name"] for job in up.runner.state()["jobs"]}


async def obeys(up: Running) -> None:
    """An order is answered with ok, and its light reaches the wire."""
    (wire,) = up.drivers.values()
    before = wire.codes
    by = -0.5 if up.runner.state()["balance"]["exposure_stops"] > 0 else 0.5
    await give(up.runner, {"do": "expose", "by": by}, BOX)
    await until(lambda: up.runner.light.settled and wire.codes != before)


async def all_kinds(up: Running) -> None:
    """An order that changes the light, one that changes the mode, and one that is refused."""
    await obeys(up)
    await give(up.runner, {"do": "follow"}, BOX)
    with pytest.raises(Refusal):
        await give(up.runner, {"do": "nonsense"}, BOX)


def broken_after_work(up: Running, monkeypatch: pytest.MonkeyPatch) -> dict[str, Callable[[], None]]:
    """Every seam of what is done after an order or a turn, and how it is broken."""
    figures = up.runner.counts
    return {
        "journal": lambda: monkeypatch.setattr(Journal, "line", boom),
        "takes": lambda: monkeypatch.setattr(TakeRecorder, "change_job", boom),
        "storage": lambda: monkeypatch.setattr(record_module, "state_job", boom),
        "metrics": lambda: monkeypatch.setattr(figures, "order_took", boom),
        "service manager": lambda: monkeypatch.setattr(up.runner, "turned", boom),
        "metering": lambda: monkeypatch.setattr(up.runner.metering, "view", boom),
        "drift": lambda: monkeypatch.setattr(up.runner.metering, "turn", boom),
    }


async def test_nothing_after_an_order_fails_it_or_ends_the_light(up: Running) -> None:
    for name in broken_after_work(up, pytest.MonkeyPatch()):
        with pytest.MonkeyPatch.context() as monkeypatch:
            broken_after_work(up, monkeypatch)[name]()
            await all_kinds(up)
            await until(lambda name=name: name in named(up))
        await all_kinds(up)
        await until(lambda: not named(up))
    assert latest_entries(up.store, 1)


async def test_the_journal_has_orders_as_they_were_given_and_those_of_our_own_too(up: Running) -> None:
    given = '{"role":"fill","by":"-1/3","do":"trim"}', '{"by":1,"do":"trim"}'
    await give(up.runner, json.loads(given[0]), BOX)
    with pytest.raises(Refusal, match=r"trim\.role: is missing"):
        await give(up.runner, json.loads(given[1]), BOX)
    await up.runner.do(Trim(do="trim", role="fill", to=0.0), BOX)
    own = '{"do":"trim","role":"fill","to":0.0}'
    kept = [entry["said"] for entry in reversed(latest_entries(up.store, 3))]
    assert [json.dumps(said, separators=(",", ":")) for said in kept] == [*given, own]


async def test_advice_that_fails_is_given_once_it_can(up: Running) -> None:
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(runner_module, "remedies", boom)
        await give(up.runner, {"do": "expose", "to": 90_000}, BOX)
        await until(lambda: "advice" in named(up))
        assert up.runner.state()["remedies"] == []
        async with aiohttp.ClientSession() as session, session.get(up.url + "/metrics") as response:
            assert 'fillside_job_failures_total{job="advice"}' in await response.text()
        async with aiohttp.ClientSession() as session, session.get(up.url + "/health") as response:
            assert response.status == 200
            assert "advice fails; see the state" in (await response.json())["says"]
    await until(lambda: up.runner.state()["remedies"])
    await until(lambda: not named(up))


async def test_lookers_on_hear_what_they_missed_once_the_live_page_is_back(up: Running) -> None:
    async with up.runner.live.join() as reader:
        await reader.next()
        with pytest.MonkeyPatch.context() as monkeypatch:
            monkeypatch.setattr(Live, "_hand_round", boom)
            await obeys(up)
            await until(lambda: "live page" in named(up))
            await give(up.runner, {"do": "trim", "role": "fill", "by": -1}, BOX)
            failed = up.runner.jobs.failures["live page"]
            await until(lambda: up.runner.jobs.failures["live page"] > failed)
        async with asyncio.timeout(WITHIN_S):
            while '"trims":{"fill":-1' not in await reader.next():
                pass
    await until(lambda: not named(up))


async def test_a_wire_that_fails_is_named_and_gets_the_light_once_it_can(up: Running) -> None:
    (wire,) = up.drivers.values()
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(wire, "_send", boom)
        await give(up.runner, {"do": "expose", "by": 0.5}, BOX)
        await until(lambda: f"wire {wire.name}" in named(up))
    await until(lambda: up.runner.wires.have_taken(up.runner.light.codes) and up.runner.light.settled)
    await until(lambda: not named(up))


async def test_a_door_that_fails_opens_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(side_jobs, "WELL_AFTER_S", 0.05)
    hears, connects = Fails(2, OscListener.run), Fails(2, Connection.run)

    async def run(self: OscListener) -> None:
        await hears(self)

    async def connect(self: Connection, serve: Any) -> None:
        await connects(self, serve)

    monkeypatch.setattr(OscListener, "run", run)
    monkeypatch.setattr(Connection, "run", connect)
    async with running(tmp_path, TABLES.format(port=free_udp_port())) as up:
        await obeys(up)
        await until(lambda: hears.calls > 2 and connects.calls > 3)
        assert {*up.runner.jobs.failures} == {"osc door", "mqtt door", "homie door"}
        # There is no broker where the rig says, so the other two stay in trouble.
        await until(lambda: named(up) == {"mqtt door", "homie door"})


async def test_a_route_that_fails_is_named_and_over_once_others_answer(up: Running) -> None:
    async with aiohttp.ClientSession() as session:
        with pytest.MonkeyPatch.context() as monkeypatch:
            monkeypatch.setattr("fillside.doors.http.app.places_of", boom)
            async with session.get(up.url + "/api/v1/places") as response:
                assert response.status == 500
            assert named(up) == {"http door"}
        async with session.get(up.url + "/api/v1/places") as response:
            assert response.status == 200
    await until(lambda: not named(up))


async def test_kept_data_that_fails_at_the_start_is_no_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fillside.metering.guided_routine import GuidedRoutine

    opens = Fails(1, GuidedRoutine.open)

    async def open_it(self: GuidedRoutine) -> None:
        await opens(self)

    monkeypatch.setattr(GuidedRoutine, "open", open_it)
    # A rig with a sensor has its readings taken up at the start.
    async with running(tmp_path, "[sensors.window]\n") as up:
        assert "metering start" in named(up)
        await obeys(up)
        await until(lambda: opens.calls == 2)


async def test_health_is_worked_out(up: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    (wire,) = up.drivers.values()

    async def asked() -> tuple[int, dict[str, Any]]:
        async with aiohttp.ClientSession() as session, session.get(up.url + "/health") as response:
            return response.status, await response.json()

    status, health = await asked()
    assert (status, health["ready"], health["says"]) == (200, True, [])
    wire._report(state="lost", note="unplugged")
    status, health = await asked()
    assert (status, health["ready"]) == (503, False)
    assert health["says"] == ["no wire reaches a lamp", f"wire {wire.name} is lost: unplugged"]
    wire._report(state="ok", note="")
    assert (await asked())[0] == 200
    monkeypatch.setattr(type(up.runner), "turned_ago_s", property(lambda self: 4.0))
    status, health = await asked()
    assert (status, health["says"]) == (503, ["control has not turned for 4 s; the light stays as it was"])
    monkeypatch.undo()
    await wire.close()
    status, health = await asked()
    assert status == 503
    assert f"wire {wire.name} is not open" in health["says"]
