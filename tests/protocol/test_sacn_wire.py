"""Protocol: the streaming ACN driver on real sockets of this machine, and on ones that fail on command."""

from __future__ import annotations

import asyncio
import errno
import os
from dataclasses import replace
from typing import Any

import pytest

from fillside_drivers.driver import Driver, Health, OpenError
from fillside_drivers.sacn.outlet import FULL_S, RETRY_AT_MOST_S, Outlet
from fillside_drivers.sacn.packet import DataPacket, decode
from fillside_drivers.sacn.schedule import TERMINATED_PACKETS
from fillside_drivers.sacn.sender import LATE_S, ON_TIME_AGAIN_S, SacnDriver
from protocol.wires import CID, OTHER_CID, HandClock, Receiver, sacn

KEY = {"key": {"universe": 1, "slot": 1, "bits": 16}}


def seen(octets: list[bytes]) -> list[DataPacket]:
    packets = [decode(each) for each in octets]
    return [packet for packet in packets if isinstance(packet, DataPacket)]


async def test_the_first_packet_carries_what_was_handed_in_before_opening() -> None:
    async with Receiver() as receiver:
        driver = sacn({"to": [f"127.0.0.1:{receiver.port}"]}, KEY)
        driver.send({"key": 0x1234})
        async with driver:
            first = seen(await receiver.until(1))[0]
    assert first.slots[:3] == b"\x12\x34\x00"
    assert (first.cid, first.source_name, first.priority, first.sequence) == (CID, "north room", 100, 0)
    assert all(packet.slots == first.slots for packet in seen(receiver.octets))


async def test_nothing_is_sent_before_the_first_frame() -> None:
    async with Receiver() as receiver:
        async with sacn({"to": [f"127.0.0.1:{receiver.port}"]}, KEY):
            await asyncio.sleep(0.05)
        assert receiver.octets == []


async def test_an_order_is_on_the_wire_when_send_returns() -> None:
    put: list[bytes] = []
    clock = HandClock()
    driver = with_put(lambda octets, address: put.append(octets), clock)
    async with driver:
        driver.send({"key": 1})
        assert len(put) == 1
        clock += 10.0
        driver.send({"key": 2})
        assert [packet.slots[1] for packet in seen(put)] == [1, 2]


async def test_universes_and_heads_share_packets_rightly() -> None:
    drives = {
        "a": {"universe": 1, "slot": 1},
        "b": {"universe": 1, "slot": 512},
        "c": {"universe": 1, "slot": 511},
        "d": {"universe": 7, "slot": 511, "bits": 16},
        "e": {"universe": 9, "slot": 3},
    }
    async with Receiver() as receiver:
        async with sacn({"to": [f"127.0.0.1:{receiver.port}"]}, drives) as driver:
            driver.send({"a": 255, "b": 7, "c": 8, "d": 0xABCD})
            got = {packet.universe: packet for packet in seen(await receiver.until(2))}
            assert set(got) == {1, 7}, "a universe without a code yet is not sent"
            assert got[1].slots == b"\xff" + bytes(509) + b"\x08\x07"
            assert got[7].slots == bytes(510) + b"\xab\xcd"
            driver.send({"e": 1})
            await asyncio.sleep(0.05)
        assert any(packet.universe == 9 and packet.slots[:3] == b"\0\0\1" for packet in seen(receiver.octets))


async def test_three_terminated_packets_at_a_clean_close_and_none_with_stay() -> None:
    for stay, expected in ((False, TERMINATED_PACKETS), (True, 0)):
        async with Receiver() as receiver:
            driver = sacn({"to": [f"127.0.0.1:{receiver.port}"]}, KEY)
            async with driver:
                driver.send({"key": 1})
                driver.send({"key": 2})
                await driver.close(stay=stay)
            await receiver.until(2 + expected)
            packets = seen(receiver.octets)
        assert sum(packet.terminated for packet in packets) == expected
        live = [packet for packet in packets if not packet.terminated]
        assert live[-1].slots[1] == 2, "what was still waiting leaves before the end"
        assert [packet.sequence for packet in packets] == list(range(len(packets)))


async def test_several_destinations_and_exceptions_by_universe() -> None:
    drives = {"a": {"universe": 1, "slot": 1}, "b": {"universe": 2, "slot": 1}}
    async with Receiver() as one, Receiver() as two:
        options = {
            "to": [f"127.0.0.1:{one.port}", f"127.0.0.1:{two.port}"],
            "priority": 110,
            "source_name": "desk",
            "preview": True,
            "universes": {"2": {"to": [f"127.0.0.1:{two.port}"], "priority": 0, "source_name": "desk b"}},
        }
        async with sacn(options, drives) as driver:
            driver.send({"a": 1, "b": 2})
            await one.until(1)
            await two.until(2)
        said = {
            (packet.universe, packet.priority, packet.source_name, packet.preview)
            for packet in seen(two.octets)
        }
        assert said == {(1, 110, "desk", True), (2, 0, "desk b", True)}
        assert {packet.universe for packet in seen(one.octets)} == {1}


async def test_unicast_over_ipv6() -> None:
    try:
        found = await asyncio.get_running_loop().create_datagram_endpoint(Receiver, local_addr=("::1", 0))
    except OSError as error:
        pytest.skip(f"no IPv6 on this machine: {error}")
    transport, receiver = found
    port = transport.get_extra_info("sockname")[1]
    async with sacn({"to": [f"[::1]:{port}"]}, KEY) as driver:
        driver.send({"key": 5})
        assert seen(await receiver.until(1))[0].slots[1] == 5
    transport.close()
    await asyncio.sleep(0)


async def test_an_address_that_cannot_be_opened_is_named() -> None:
    with pytest.raises(OpenError, match=r"no-such-host\.invalid"):
        async with sacn({"to": ["no-such-host.invalid"]}, KEY):
            pass
    with pytest.raises(OpenError, match=r"203\.0\.113\.77"):
        async with sacn({"to": ["127.0.0.1"], "interface": "203.0.113.77"}, KEY):
            pass


def state(driver: Driver) -> str:
    return driver.health.state


def with_put(put: Any, clock: HandClock) -> SacnDriver:
    """A driver whose only destination puts octets through `put`; its sockets are never used."""
    driver = sacn({"to": ["127.0.0.1"]}, KEY, clock)
    assert isinstance(driver, SacnDriver)
    open_sockets = driver._open

    async def open_with_put() -> None:
        await open_sockets()
        for destination in driver._outlet.destinations:
            destination.put = put

    driver._open = open_with_put  # type: ignore[method-assign]
    return driver


class Network:
    """A network that can be pulled out and put back."""

    def __init__(self) -> None:
        self.error: int | None = None
        self.tries = 0
        self.got: list[bytes] = []

    def put(self, octets: bytes, address: object) -> None:
        self.tries += 1
        if self.error is not None:
            raise OSError(self.error, os.strerror(self.error))
        self.got.append(octets)


async def test_a_lost_network_is_said_retried_once_a_second_at_least_and_found_again() -> None:
    network, clock, heard = Network(), HandClock(), list[Health]()
    driver = with_put(network.put, clock)
    async with driver:
        driver.watch(heard.append)
        driver.send({"key": 1})
        assert state(driver) == "ok"
        network.error = errno.ENETUNREACH
        clock += 1.0
        driver.send({"key": 2})
        assert state(driver) == "lost"
        assert "127.0.0.1 cannot be reached: no way leads there from this machine" in driver.health.note
        assert driver.health.since == clock.now
        network.tries = 0
        for _ in range(600):
            clock += 0.1
            driver._pump()
        assert 60 <= network.tries <= 125, "a minute of back-off, doubling from 0.2 s up to 1 s with jitter"
        network.error = None
        for _ in range(60):
            clock += 0.1
            driver._pump()
        assert state(driver) == "ok"
        assert seen(network.got)[-1].slots[1] == 2
        assert sum(packet.slots[1] == 2 for packet in seen(network.got)) >= 3
    assert [health.state for health in heard] == ["lost", "ok"]
    assert heard[0].errors == 1


async def test_buffers_that_stay_full_are_a_loss_so_that_the_light_waits() -> None:
    network, clock = Network(), HandClock()
    driver = with_put(network.put, clock)
    async with driver:
        driver.send({"key": 1})
        network.error = errno.ENOBUFS
        clock += 1.0
        driver.send({"key": 2})
        assert state(driver) == "late"
        clock += FULL_S + 0.001
        driver.send({"key": 3})
        assert state(driver) == "lost"
        network.error = None
        clock += RETRY_AT_MOST_S
        driver._pump()
        assert state(driver) in ("ok", "late")
        assert seen(network.got)[-1].slots[1] == 3


async def test_full_buffers_are_late_not_lost() -> None:
    network, clock = Network(), HandClock()
    driver = with_put(network.put, clock)
    async with driver:
        driver.send({"key": 1})
        network.error = errno.EAGAIN
        clock += 1.0
        driver.send({"key": 2})
        assert state(driver) == "late"
        network.error = None
        clock += ON_TIME_AGAIN_S + 0.1
        driver._pump()
        assert seen(network.got)[-1].slots[1] == 2


async def test_a_loop_that_stalls_is_late_and_then_on_time_again() -> None:
    network, clock = Network(), HandClock()
    driver = with_put(network.put, clock)
    async with driver:
        driver.send({"key": 1})
        clock += LATE_S + 0.1
        driver._pump()
        assert state(driver) == "late"
        assert driver.health.frames_late == 1
        since = driver.health.since
        for _ in range(int(ON_TIME_AGAIN_S / 0.02) + 10):
            clock += 0.02
            driver._pump()
        assert state(driver) == "ok"
        assert driver.health.since > since


async def test_a_change_after_a_rest_is_not_late() -> None:
    network, clock = Network(), HandClock()
    driver = with_put(network.put, clock)
    async with driver:
        driver.send({"key": 1})
        for _ in range(200):
            clock += 0.02
            driver._pump()
        clock += 0.5
        driver.send({"key": 2})
        assert state(driver) == "ok"
        assert driver.health.frames_late == 0


async def test_another_source_shows_as_a_notice_and_goes_again() -> None:
    clock = HandClock()
    driver = with_put(Network().put, clock)
    async with driver:
        driver.send({"key": 1})
        rival = DataPacket(OTHER_CID, "south room", 1, 0, bytes(512), priority=150)
        driver.sources.hear(rival, clock())
        driver._pump()
        assert state(driver) == "ok"
        assert "priority 150, above ours (100)" in driver.health.notices[0]
        driver.sources.hear(replace(rival, sequence=1, terminated=True), clock())
        driver._pump()
        assert driver.health.notices == ()


def test_an_empty_outlet_has_nobody_to_lose() -> None:
    outlet = Outlet({})
    assert outlet.lost == []
    assert outlet.retry_at is None
    outlet.close()
