"""Contract: an order is answered once it is on the disk, its light never waits for that, and where it cannot
be stored the answer, the state and /health say so."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from contract.disk import WAIT_S, Disk, full
from fillside.cli.render.state import state_lines
from fillside.daemon.composition import Running
from fillside.daemon.service import status_line
from fillside.doors.listener import give
from fillside.orders.answers import Refusal
from fillside.storage import writer
from fillside.storage.records.journal import Visitor, latest_entries
from fillside.storage.records.metering import readings
from fillside.storage.records.saved_state import load_state
from fillside.storage.records.takes import latest_takes
from protocol.studio import running

ANNA = Visitor("anna", "test")
TABLE = "head,level,x,y,z,value,unit,receptor,facing\nkey,1,0,0,1.2,640,lux,flat,head"
LIFE = "this will not outlive a restart"


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    made = Disk()
    monkeypatch.setattr(writer, "commit", made.commit)
    monkeypatch.setattr(writer, "RETRY_S", 0.01)
    # A real disk under load may take longer than anybody would wait for it.
    monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", WAIT_S)
    return made


@pytest.fixture
async def up(tmp_path: Path, disk: Disk) -> AsyncIterator[Running]:
    async with running(tmp_path) as here:
        try:
            yield here
        finally:
            disk.fails = None
            disk.open.set()


def ordered(up: Running, **said: Any) -> asyncio.Task[str]:
    return asyncio.create_task(give(up.runner, said, ANNA))


async def turn() -> None:
    """Let what can be done without the disk be done."""
    for _ in range(5):
        await asyncio.sleep(0)


async def at_the_disk(disk: Disk) -> None:
    assert await asyncio.to_thread(disk.at_it.wait, WAIT_S)


async def kept_again(up: Running) -> None:
    async with asyncio.timeout(WAIT_S), up.runner.live.join() as reader:
        while not up.runner.state()["storage"]["kept"]:
            await reader.next()


async def settled(up: Running) -> None:
    async with asyncio.timeout(WAIT_S), up.runner.live.join() as reader:
        while not up.runner.light.settled:
            await reader.next()


async def test_light_first_answer_once_it_is_stored(up: Running, disk: Disk) -> None:
    before, before_s = up.runner.light.codes, len(disk.commits)
    disk.hang()
    answer = ordered(up, do="trim", role="fill", by=-1)
    await turn()
    assert up.runner.light.codes != before
    await at_the_disk(disk)
    await turn()
    assert not answer.done()
    assert up.runner.state()["trims"] == {"fill": -1.0}
    disk.open.set()
    assert await answer == "fill trimmed -1 stop"
    assert load_state(up.store)["trims"] == {"fill": -1.0}
    assert latest_entries(up.store)[0]["said"] == {"do": "trim", "role": "fill", "by": -1}
    assert 2 in disk.commits[before_s:]


async def test_orders_that_wait_share_one_sync_and_reports_wait_for_none(up: Running, disk: Disk) -> None:
    disk.hang()
    first = ordered(up, do="expose", by=0.1)
    await at_the_disk(disk)
    done: list[int] = []
    answers = []
    for number in range(10):
        answers.append(ordered(up, do="trim", role="fill", by=-0.1))
        answers[-1].add_done_callback(lambda _, number=number: done.append(number))
    await turn()
    await give(up.runner, {"do": "subject", "to": [0.01, 0.0, 1.2]}, ANNA)
    assert not any(answer.done() for answer in (first, *answers))
    before = len(disk.commits)
    disk.open.set()
    await asyncio.gather(first, *answers)
    assert done == list(range(10))
    # The one that hung, the one for all ten, and some for the light as it comes to rest.
    assert disk.commits[before:].count(2) < 8
    assert load_state(up.store)["trims"]["fill"] == pytest.approx(-1.0)


async def test_a_take_is_stored_with_its_freeze(up: Running) -> None:
    await give(up.runner, {"do": "freeze"}, ANNA)
    (take,) = latest_takes(up.store)
    assert take.ended is None
    assert load_state(up.store)["mode"] == "freeze"
    await give(up.runner, {"do": "undo"}, ANNA)
    (take,) = latest_takes(up.store)
    assert take.ended is not None


async def test_a_disk_that_takes_nothing_is_said_wherever_somebody_looks(up: Running, disk: Disk) -> None:
    disk.fails = full()
    note = await give(up.runner, {"do": "trim", "role": "fill", "by": -1}, ANNA)
    assert note == f"fill trimmed -1 stop; {LIFE}: the disk is full"
    assert await give(up.runner, {"do": "freeze"}, ANNA) == f"{LIFE}: the disk is full"
    state = up.runner.state()
    assert (state["mode"], state["trims"]) == ("freeze", {"fill": -1.0})
    assert state["storage"]["kept"] is False
    assert "the disk is full" in state["storage"]["note"]
    assert any("will not outlive a restart" in line for line in state_lines(state))
    assert "nothing is stored" in status_line(state)
    async with aiohttp.ClientSession() as session, session.get(f"{up.url}/health") as response:
        assert (await response.json())["storage"] == "the disk is full"
    disk.fails = None
    await kept_again(up)
    assert up.runner.state()["storage"] == {"kept": True, "note": ""}
    assert load_state(up.store)["mode"] == "freeze"
    assert len(latest_takes(up.store)) == 1
    assert [one["said"]["do"] for one in latest_entries(up.store)][:2] == ["freeze", "trim"]
    assert LIFE not in await give(up.runner, {"do": "follow"}, ANNA)


async def test_a_reading_that_cannot_be_stored_is_refused_and_is_nowhere(up: Running, disk: Disk) -> None:
    await give(up.runner, {"do": "only", "head": "key", "level": 1.0}, ANNA)
    await settled(up)
    disk.fails = full()
    before = up.runner.state()
    by_hand = {"do": "read", "head": "key", "at": "chair", "value": 640, "unit": "lux"}
    for said in (by_hand, {"do": "import", "readings": TABLE}):
        with pytest.raises(Refusal, match="cannot be kept: the disk is full") as refused:
            await give(up.runner, said, ANNA)
        assert refused.value.code == "not_now"
    after = up.runner.state()
    assert after["drift"] == before["drift"]
    assert after["calibrated_at"] is None
    assert after["heads"] == before["heads"]
    disk.fails = None
    await kept_again(up)
    assert readings(up.store) == []


async def test_a_disk_that_hangs_stops_nobody(
    up: Running, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", 0.05)
    disk.hang()
    up.runner.save()
    await at_the_disk(disk)
    note = await give(up.runner, {"do": "trim", "role": "fill", "by": -1}, ANNA)
    assert note.endswith(f"{LIFE}: the disk does not answer")
    assert up.runner.state()["storage"]["kept"] is False
    async with aiohttp.ClientSession() as session:
        order = json.dumps({"do": "trim", "role": "key", "by": -1})
        headers = {"Content-Type": "application/json"}
        async with session.post(f"{up.url}/api/v1/do", data=order, headers=headers) as response:
            answer = await response.json()
        async with session.get(f"{up.url}/api/v1/readings") as response:
            assert response.status == 200
    assert answer["ok"]
    assert answer["note"].endswith("the disk does not answer")
    assert answer["state"]["storage"]["kept"] is False
    with pytest.raises(Refusal, match="cannot be kept: the disk does not answer"):
        await give(up.runner, {"do": "import", "readings": TABLE}, ANNA)
    await settled(up)
    monkeypatch.setattr(writer, "ANSWER_TIMEOUT_S", WAIT_S)
    disk.open.set()
    await kept_again(up)
    assert LIFE not in await give(up.runner, {"do": "follow"}, ANNA)
    assert load_state(up.store)["trims"] == {"fill": -1.0, "key": -1.0}
    assert readings(up.store) == []
