"""Contract: half requests, silent connections and crowds of WebSockets shut nobody else out of the HTTP door.

Several addresses are several of 127.0.0.0/8, so their bounds are loopback's; how those of others differ is
`test_crowd.py`. Times are milliseconds here, and no test waits for one that is longer.
"""

from __future__ import annotations

import asyncio
import errno
import json
import logging
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, cast

import aiohttp
import pytest
from aiohttp import web

from fillside.background.turns import Turnstile
from fillside.daemon import http_door
from fillside.daemon.composition import Running, Settings, daemon
from fillside.daemon.logs import RepeatFilter
from fillside.demo.play import demo_studio
from fillside.doors.http import connections as gates
from fillside.doors.http.connection_limits import ConnectionLimits
from fillside.doors.http.connections import Gate
from fillside.doors.http.listening import Listen
from fillside.doors.listener import give
from fillside.storage.records.journal import Visitor

LIMITS = ConnectionLimits(total=20, per_loopback=8, websockets_per_loopback=3, body_s=0.05)
ASKS = b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
ORDER = (
    b"POST /api/v1/do HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
    b"Content-Length: 16\r\n\r\n"
)
LIVE = (
    b"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)


class House:
    """A daemon, and its gate."""

    def __init__(self, up: Running, gate: Gate) -> None:
        self.up, self.gate = up, gate
        self.port = int(up.url.rsplit(":", 1)[1])
        self._writers: list[asyncio.StreamWriter] = []

    async def come(self, address: str, said: bytes = b"") -> asyncio.StreamReader:
        """A connection from there that says this, and stays."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, local_addr=(address, 0))
        self._writers.append(writer)
        writer.write(said)
        return reader

    async def ask(self, address: str, said: bytes = ASKS) -> int:
        """The status that is answered to one who comes from there."""
        async with asyncio.timeout(10):
            return await status_of(await self.come(address, said))

    def leave(self) -> None:
        for writer in self._writers:
            writer.close()


async def status_of(reader: asyncio.StreamReader) -> int:
    return int((await reader.readline()).split()[1])


async def ended(reader: asyncio.StreamReader) -> bool:
    """Whether the other side ends a connection, whatever it says first."""
    try:
        async with asyncio.timeout(10):
            await reader.read()
    except ConnectionError:
        return True
    except TimeoutError:
        return False
    return True


@pytest.fixture
async def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[House]:
    made: list[Gate] = []

    def gate(clock: Any) -> Gate:
        made.append(Gate(clock, LIMITS))
        return made[0]

    monkeypatch.setattr(http_door, "Gate", gate)
    async with daemon(demo_studio(), Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0))) as up:
        found = House(up, made[0])
        yield found
        found.leave()


@pytest.mark.parametrize("said", [b"", ASKS[:-2], ORDER + b'{"do"'])
async def test_half_requests_of_one_address_shut_nobody_out(house: House, said: bytes) -> None:
    silent = [await house.come("127.0.0.2", said) for _ in range(3 * LIMITS.per_loopback)]
    assert await house.ask("127.0.0.3") == 200
    assert await house.ask("127.0.0.2") == 200, "who comes last is no worse off"
    assert await ended(silent[0])
    assert len(house.gate.table) <= LIMITS.total


async def test_all_addresses_together_leave_room_for_a_newcomer(house: House) -> None:
    for number in range(3 * LIMITS.total):
        await house.come(f"127.0.0.{20 + number % 10}", ASKS[:-2])
    assert await house.ask("127.0.0.3") == 200
    assert len(house.gate.table) <= LIMITS.total


async def test_a_body_that_does_not_come_is_answered_and_ended(house: House) -> None:
    reader = await house.come("127.0.0.2", ORDER + b'{"do"')
    async with asyncio.timeout(10):
        assert await status_of(reader) == 408
        head = await reader.readuntil(b"\r\n\r\n")
        length = int(head.lower().partition(b"content-length: ")[2].split()[0])
        answer = json.loads(await reader.readexactly(length))
    assert answer["error"]["code"] == "bad_order"
    assert "0.05 s" in answer["error"]["message"]
    assert house.up.runner.counts.orders == 0


async def test_websockets_of_one_address_have_a_bound(house: House) -> None:
    kept = [await house.come("127.0.0.2", LIVE) for _ in range(LIMITS.websockets_per_loopback)]
    async with asyncio.timeout(10):
        assert [await status_of(reader) for reader in kept] == [101] * LIMITS.websockets_per_loopback
    assert await house.ask("127.0.0.2", LIVE) == 429
    assert await house.ask("127.0.0.3", LIVE) == 101
    assert await house.ask("127.0.0.2") == 200


async def test_what_was_ended_is_counted_and_said_once_a_minute(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    async def figures() -> str:
        async with aiohttp.ClientSession() as session, session.get(house.up.url + "/metrics") as response:
            return await response.text()

    for _ in range(LIMITS.per_loopback + 4):
        await house.come("127.0.0.2")
    text = await figures()
    assert 'fillside_connections_ended_total{why="one_address"} 4.0' in text
    assert f"fillside_connections {LIMITS.per_loopback + 1:.1f}" in text
    now_s = 1000.0
    house.gate._clock = lambda: now_s
    house.gate._reported_at = 0.0
    with caplog.at_level(logging.WARNING):
        house.gate.check()
        for _ in range(3):
            await house.come("127.0.0.2")
        await figures()
        now_s += 59.0
        house.gate.check()
        assert len(caplog.messages) == 1
        assert "4 connections ended: too many from one address (4)" in caplog.messages[0]
        assert "127.0.0.2" in caplog.messages[0]
        now_s += 2.0
        house.gate.check()
    assert "3 connections ended" in caplog.messages[1]


class Exhausted:
    """A listening socket of a process that has no file handle left."""

    def __init__(self, number: int) -> None:
        self._number, self.asked = number, 0

    def accept(self) -> None:
        self.asked += 1
        raise OSError(self._number, "no")


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENFILE, errno.ENOMEM])
def test_without_a_file_handle_a_silent_one_goes_and_nothing_spins(
    number: int, caplog: pytest.LogCaptureFixture
) -> None:
    gate, listener = Gate(lambda: 0.0, LIMITS), Exhausted(number)
    silent = gate.table.admit("127.0.0.2", "head")
    assert gate._accept(cast(socket.socket, listener), cast(Any, None), None) is False
    assert listener.asked == 1
    assert silent not in gate.table.connections
    assert not caplog.records
    assert gate.table.ended == {"files": 1}


async def test_after_a_rest_connections_are_taken_again(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gates, "PAUSE_S", 0.001)
    refused = iter([False, False])
    accept = house.gate._accept
    monkeypatch.setattr(house.gate, "_accept", lambda *args: next(refused, None) is None and accept(*args))
    assert await house.ask("127.0.0.3") == 200
    assert next(refused, None) is None


class Turns:
    """Counts the turns of the event loop, from the first one on."""

    def __init__(self) -> None:
        self.number, self.over = 0, False
        self._count()

    def _count(self) -> None:
        self.number += 1
        if not self.over:
            asyncio.get_running_loop().call_soon(self._count)


async def test_orders_that_were_stored_together_are_answered_one_a_turn(house: House) -> None:
    turns = Turns()
    answered: list[int] = []

    async def order(number: int) -> None:
        said = {"do": "trim", "role": "fill", "to": number / 100}
        await give(house.up.runner, said, Visitor("anna", "http", "127.0.0.1"))
        answered.append(turns.number)

    async with asyncio.timeout(10):
        await asyncio.gather(*(order(number) for number in range(20)))
    turns.over = True
    assert len(set(answered)) == 20


async def test_a_turn_of_the_loop_is_for_one_of_each_party_in_turn() -> None:
    turnstile, turn, passed = Turnstile(), Turns(), []

    async def pass_through(party: str) -> None:
        await turnstile.through(party)
        passed.append((party, turn.number))

    tasks = [asyncio.create_task(pass_through(party)) for party in "aaaaabc"]
    gone = asyncio.create_task(turnstile.through("a"))
    await asyncio.sleep(0)
    gone.cancel()
    await asyncio.gather(*tasks)
    turn.over = True
    assert [party for party, _ in passed] == ["a", "b", "c", "a", "a", "a", "a"]
    turns = [number for _, number in passed]
    assert len(set(turns)) == 7, "no two in one turn"
    await turnstile.through("d")


def record(name: str, text: str, *args: object, level: int = logging.WARNING) -> logging.LogRecord:
    return logging.LogRecord(name, level, "", 0, text, args, None)


def test_a_kind_of_trouble_is_a_line_a_minute() -> None:
    now_s = 0.0
    sparing = RepeatFilter(lambda: now_s)
    asyncio_says = [record("asyncio", f"no more\nsocket: {number}") for number in range(3)]
    assert [sparing.filter(each) for each in asyncio_says] == [True, False, False]
    door_says = [record("fillside.access.authentication", "wrong from %s", number) for number in range(3)]
    assert [sparing.filter(each) for each in door_says] == [True, False, False]
    we_say = [record("fillside.daemon.reload", "head %s stays", name) for name in ("key", "fill", "key")]
    assert all(sparing.filter(each) for each in we_say), "two lamps may be lost in one moment"
    told = [record("fillside.daemon.composition", "is held", level=logging.INFO) for _ in range(3)]
    assert all(sparing.filter(each) for each in told)
    now_s = 60.0
    later = record("fillside.access.authentication", "wrong from %s", 9)
    assert sparing.filter(later)
    assert later.getMessage() == "wrong from 9 (and 2 more like it)"


async def test_one_who_goes_before_the_body_was_read_is_no_fault_of_ours(
    house: House, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = asyncio.Event()

    async def late(request: web.Request) -> bytes:
        assert request.transport is not None
        request.transport.abort()
        for _ in range(3):
            await asyncio.sleep(0)
        gone.set()
        # What aiohttp's own StreamReader raises where it is asked to wait for one who has gone.
        raise RuntimeError("Connection closed.")

    monkeypatch.setattr(web.Request, "read", late)
    assert await ended(await house.come("127.0.0.2", ORDER))
    await gone.wait()
    assert await house.ask("127.0.0.3") == 200
    assert not caplog.records
    assert not house.up.runner.jobs.failures
