"""Protocol: the OSC door over real UDP, spoken to by python-osc's client."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import logging
import socket
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder
from pythonosc.udp_client import UDPClient

from fillside.daemon.composition import Running
from fillside.doors.listener import DoorError
from fillside.doors.osc import listener as door
from fillside.doors.osc.listener import MOST_WAITING, OscListener
from fillside.doors.osc.packet import Message, messages_of, packet_of
from fillside.orders.answers import Refusal
from fillside.orders.model import LightOrder, MeterOrder
from fillside.rig.tables.doors import OscDoor
from fillside.storage.records.journal import Visitor
from protocol.broker import until
from protocol.studio import running


def free_udp_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def built(address: str, *values: Any) -> Any:
    builder = OscMessageBuilder(f"/fillside/{address}")
    for value in values:
        builder.add_arg(value)
    return builder.build()


class Box:
    """A button box: sends, and hears what is said back to the port it sends from."""

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        self._client = UDPClient(host, port)
        self._client._sock.settimeout(60.0)

    def send(self, address: str, *values: Any) -> None:
        self._client.send(built(address, *values))

    def send_bundle(self, at: float, *messages: Any) -> None:
        builder = OscBundleBuilder(at)
        for message in messages:
            builder.add_content(message)
        self._client.send(builder.build())

    def send_octets(self, octets: bytes) -> None:
        self._client._sock.sendto(octets, (self._client._address, self._client._port))

    async def hears(self) -> tuple[str, list[Any]]:
        octets = await asyncio.to_thread(self._client._sock.recv, 65536)
        message = OscMessage(octets)
        return message.address, message.params

    async def answer(self, address: str, *values: Any) -> list[Any]:
        self.send(address, *values)
        said, params = await self.hears()
        assert said == "/fillside/said"
        return params

    def close(self) -> None:
        self._client._sock.close()


@contextlib.asynccontextmanager
async def opened(folder: Path, more: str = "") -> AsyncIterator[tuple[Running, Box]]:
    port = free_udp_port()
    async with running(folder, f'[doors.osc]\nlisten = "127.0.0.1:{port}"\n{more}\n') as up:
        with contextlib.closing(Box(port)) as box:
            yield up, box


async def test_orders_are_obeyed_and_answered_to_who_sent_them(tmp_path: Path) -> None:
    async with opened(tmp_path) as (up, box):
        assert await box.answer("trim/fill", -1) == [
            "ok",
            "/fillside/trim/fill",
            "fill trimmed -1 stop",
        ]
        assert up.runner.state()["trims"] == {"fill": -1.0}
        assert (await box.answer("mode", "freeze"))[0] == "ok"
        assert up.runner.state()["mode"] == "freeze"
        assert (await box.answer("follow", 1))[0] == "ok"
        assert (await box.answer("move/desk"))[0] == "ok"
        assert up.runner.state()["subject_seen"]["mark"] == "desk"
        code, address, message = await box.answer("trim/fil", 1)
        assert (code, address) == ("unknown_name", "/fillside/trim/fil")
        assert "fill" in message
        assert (await box.answer("trim/fill", float("nan")))[0] == "out_of_range"
        assert up.runner.state()["trims"] == {"fill": -1.0}
        assert up.doors.figures["osc"].refused == 2


async def test_a_button_that_comes_up_does_nothing(tmp_path: Path) -> None:
    async with opened(tmp_path) as (up, box):
        box.send("freeze", 0)
        assert (await box.answer("expose", 0))[1] == "/fillside/expose"
        assert up.runner.state()["mode"] == "follow"


async def test_the_state_is_told_when_asked_for(tmp_path: Path) -> None:
    async with opened(tmp_path) as (up, box):
        await until(lambda: up.runner.state()["settled"], 20.0)
        box.send("state")
        address, (text,) = await box.hears()
        assert address == "/fillside/state"
        assert json.loads(text) == up.runner.state()


async def test_a_tracker_is_answered_only_when_it_is_wrong(tmp_path: Path) -> None:
    async with opened(tmp_path) as (up, box):
        for step in range(50):
            box.send("subject", 0.012 * step, 0.006 * step, 1.2)
            await asyncio.sleep(0.02)
        box.send("subject", 0.0, 0.0, 99.0)
        said, (code, *_) = await box.hears()
        assert (said, code) == ("/fillside/said", "out_of_range")
        assert up.runner.state()["subject_seen"]["source"] == "tracker"
        assert up.runner.state()["subject"][0] == pytest.approx(0.59, abs=0.1)


async def test_a_bundle_is_obeyed_in_its_order_and_at_its_time(tmp_path: Path) -> None:
    async with opened(tmp_path) as (up, box):
        box.send_bundle(IMMEDIATELY, built("freeze"), built("trim/fill", -0.5))
        assert [(await box.hears())[1][1] for _ in range(2)] == ["/fillside/freeze", "/fillside/trim/fill"]
        assert up.runner.state()["mode"] == "freeze"
        box.send_bundle(time.time() + 0.4, built("follow"))
        assert (await box.answer("expose", 0))[0] == "ok"
        assert up.runner.state()["mode"] == "freeze"
        await box.hears()
        assert up.runner.state()["mode"] == "follow"
        box.send_bundle(time.time() + 3600, built("dark"))
        await until(lambda: up.doors.figures["osc"].dropped == 1)


async def test_malformed_packets_are_counted_and_dropped(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with opened(tmp_path) as (up, box):
        with caplog.at_level(logging.WARNING):
            for octets in (
                b"",
                b"junk",
                b"#bundle\x00",
                b"#bundle\x00" + b"\x00" * 7 + b"\x01\xff\xff\xff\xfc",
            ):
                box.send_octets(octets)
            box.send_octets(b"/fillside/dark\x00\x00,zzz\x00\x00\x00\x00")
            await until(lambda: up.doors.figures["osc"].dropped == 5)
        assert len(caplog.records) == 1
        assert (await box.answer("expose", 0))[0] == "ok"
        assert up.runner.state()["mode"] == "follow"


async def test_answers_go_to_the_port_that_listens(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(60.0)
        async with opened(tmp_path, f"answer_port = {ear.getsockname()[1]}") as (_, box):
            box.send("freeze")
            assert (await asyncio.to_thread(ear.recv, 65536)).startswith(b"/fillside/said\x00")


async def test_who_may_not_speak_is_not_heard(tmp_path: Path) -> None:
    async with running(tmp_path) as up:
        listener = OscListener(OscDoor(), up.runner, time.time)
        job = asyncio.create_task(listener.run())
        packet = built("dark").dgram
        for host in ("192.0.2.1", "::ffff:192.0.2.1", "nonsense"):
            listener.datagram_received(packet, (host, 9))
        await asyncio.sleep(0.1)
        assert listener.figures.dropped == 3
        assert up.runner.state()["mode"] == "follow"
        listener.datagram_received(packet, ("127.0.0.1", 9))
        await until(lambda: up.runner.state()["mode"] == "dark")
        job.cancel()


async def test_a_flood_keeps_nobody_from_being_heard_afterwards(tmp_path: Path) -> None:
    async with opened(tmp_path) as (up, box):
        for _ in range(3000):
            box.send("subject", 0.0, 0.0, 1.2)
        figures, heard = up.doors.figures["osc"], -1
        # Until none of them is left in the system's buffer, which takes no more as long as it is full.
        while figures.received != heard:
            heard = figures.received
            await asyncio.sleep(0.1)
        assert heard > 0
        assert (await box.answer("freeze"))[0] == "ok"
        assert up.runner.state()["mode"] == "freeze"


async def test_a_port_that_is_taken_stops_the_start(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        listen = f'[doors.osc]\nlisten = "127.0.0.1:{other.getsockname()[1]}"\n'
        with pytest.raises(DoorError, match=r"doors\.osc: cannot listen on .*in use"):
            async with running(tmp_path, listen):
                pass


async def test_the_door_is_shut_unless_the_rig_file_opens_it(tmp_path: Path) -> None:
    async with running(tmp_path) as up:
        assert up.doors.figures == {}


class Busy:
    """A studio that obeys."""

    jobs: Any = None

    def __init__(self) -> None:
        self.done, self.asked, self.all_done = 0, 0, asyncio.Event()

    def refuse(self, source: Any, visitor: Visitor, refusal: Refusal) -> None:
        raise refusal

    async def do(self, order: LightOrder | MeterOrder, visitor: Visitor, source: Any = None) -> str:
        self.done += 1
        if self.done == MOST_WAITING:
            self.all_done.set()
        return ""

    def state(self) -> dict[str, Any]:
        self.asked += 1
        return {}

    def watching(self) -> Any:
        raise NotImplementedError


async def test_a_flood_of_packets_makes_no_states_and_what_is_too_much_is_not_even_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    studio, read = Busy(), 0

    def counted(packet: bytes) -> list[Message]:
        nonlocal read
        read += 1
        return messages_of(packet)

    monkeypatch.setattr(door, "messages_of", counted)
    listener = OscListener(OscDoor(), studio, lambda: 0.0)
    packet = packet_of(Message("/fillside/expose", (0.1,)))
    for _ in range(2 * MOST_WAITING):
        listener.datagram_received(packet, ("127.0.0.1", 9))
    assert read == MOST_WAITING
    assert listener.figures.dropped == MOST_WAITING
    job = asyncio.create_task(listener.run())
    async with asyncio.timeout(10):
        await studio.all_done.wait()
    await asyncio.sleep(0)
    job.cancel()
    await asyncio.gather(job, return_exceptions=True)
    assert studio.asked == 0


async def test_a_message_is_obeyed_in_the_next_turn_and_others_of_that_turn_after_it_one_by_one() -> None:
    studio = Busy()
    listener = OscListener(OscDoor(), studio, lambda: 0.0)
    job = asyncio.create_task(listener.run())
    await asyncio.sleep(0)
    for _ in range(2):
        for _ in range(3):
            listener.datagram_received(packet_of(Message("/fillside/expose", (0.1,))), ("127.0.0.1", 9))
        before, done = studio.done, []
        for _ in range(6):
            await asyncio.sleep(0)
            done.append(studio.done - before)
        assert done[0] == 1
        assert done[-1] == 3
        assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(done))
    job.cancel()
    await asyncio.gather(job, return_exceptions=True)
