"""Protocol: our packets as decoders of other people see them: tshark's ACN dissector and the `sacn` package.

tshark listens on the loopback interface while the driver sends; it must be there where CI is set. It does
not take synchronization and discovery packets apart, the `sacn` package does.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import time
import uuid
from pathlib import Path
from typing import Any

import pytest
import sacn as other
from sacn.messages.data_packet import DataPacket as TheirData
from sacn.messages.sync_packet import SyncPacket as TheirSync
from sacn.messages.universe_discovery import UniverseDiscoveryPacket as TheirDiscovery

from fillside_drivers.sacn.packet import DataPacket, DiscoveryPacket, SyncPacket, decode, encode
from protocol.wires import CID, Receiver, sacn

ACN = ["--enable-heuristic", "acn"]
for preference in ("dmx_enable:TRUE", "dmx_display_view:Decimal", "dmx_display_zeros:TRUE"):
    ACN += ["-o", f"acn.{preference}"]
FIELDS = ["acn.cid", "acn.dmx.source_name", "acn.dmx.priority", "acn.dmx.universe", "acn.dmx.seq_number"]
FIELDS += ["acn.dmx.option_s", "acn.dmx.start_code2", "acn.dmx.count", "acn.dmx.data"]
DATA = DataPacket(CID, "Nordzimmer é", 63999, 200, bytes(range(256)) * 2, priority=200, sync_address=7962)


@pytest.fixture
def tshark() -> str:
    found = shutil.which("tshark")
    if found is None:
        assert not os.environ.get("CI"), "tshark is missing; where CI is set it must be installed"
        pytest.skip("tshark is not installed")
    return found


async def run(*words: str) -> str:
    process = await asyncio.create_subprocess_exec(
        *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, error = await process.communicate()
    assert process.returncode == 0, error.decode()
    return out.decode()


def begun(file: Path) -> None:
    while not file.exists() or file.stat().st_size == 0:
        time.sleep(0.01)


def levels_of(row: dict[str, str]) -> list[int]:
    """The slots in tshark's table of them: lines of twenty after a label and a colon, the first a heading."""
    lines = [line.partition(":")[2] for line in row["acn.dmx.data"].split(",") if ":" in line]
    return [int(value) for line in lines for value in line.replace("|", " ").split()]


async def captured(tshark: str, port: int, count: int, file: Path, act: Any) -> list[dict[str, str]]:
    """What tshark makes of the first `count` datagrams to `port` while `act` runs."""
    words = [tshark, *ACN, "-l", "-i", "lo", "-f", f"udp dst port {port}", "-c", str(count), "-w", str(file)]
    # The duration only bounds a run in which the packets do not come; then fewer are read and the test fails.
    process = await asyncio.create_subprocess_exec(
        *words, "-a", "duration:20", stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE
    )
    assert process.stderr is not None
    said = b""
    while b"Capturing on" not in said:
        line = await process.stderr.readline()
        assert line, f"tshark cannot capture on lo: {said.decode()}"
        said += line
    # Capturing has begun once the capture file is begun, which may be a moment after that line.
    await asyncio.to_thread(begun, file)
    await act()
    await process.communicate()
    fields = [word for name in FIELDS for word in ("-e", name)]
    table = await run(tshark, *ACN, "-r", str(file), "-T", "fields", "-E", "separator=/t", *fields)
    return [dict(zip(FIELDS, line.split("\t"), strict=True)) for line in table.splitlines()]


async def test_tshark_reads_a_whole_stream(tshark: str, tmp_path: Path) -> None:
    """A stream from its first packet over a change to its three terminated packets."""
    drives = {
        "key": {"universe": 63999, "slot": 1, "bits": 16},
        "fill": {"universe": 63999, "slot": 512},
        "hair": {"universe": 63999, "slot": 5},
    }

    async with Receiver() as receiver:
        port = receiver.port

        async def act() -> None:
            options = {"to": [f"127.0.0.1:{port}"], "priority": 150, "source_name": "Nordzimmer é"}
            async with sacn(options, drives) as driver:
                # Nothing is awaited in between: the second frame waits for its time until the close.
                driver.send({"key": 0x1234, "fill": 255, "hair": 0})
                driver.send({"fill": 7})
                await driver.close()

        seen = await captured(tshark, port, 5, tmp_path / "stream.pcap", act)
        ours = [decode(octets) for octets in receiver.octets]
    assert len(seen) == len(ours) == 5
    for row, sequence in zip(seen, range(5), strict=True):
        assert uuid.UUID(row["acn.cid"]) == CID
        assert row["acn.dmx.source_name"] == "Nordzimmer é"
        assert (row["acn.dmx.priority"], row["acn.dmx.universe"]) == ("150", "63999")
        assert row["acn.dmx.seq_number"] == str(sequence)
        assert int(row["acn.dmx.start_code2"], 0) == 0
        assert int(row["acn.dmx.count"], 0) == 513
    assert [row["acn.dmx.option_s"] for row in seen] == ["0", "0", "1", "1", "1"]
    levels = [levels_of(row) for row in seen]
    assert levels[0] == [0x12, 0x34, *[0] * 509, 255]
    assert levels[1] == [0x12, 0x34, *[0] * 509, 7]


def test_their_classes_read_our_data_packet() -> None:
    theirs = TheirData.make_data_packet(encode(DATA))
    assert bytes(theirs.cid) == CID.bytes
    assert (theirs.sourceName, theirs.universe, theirs.sequence) == ("Nordzimmer é", 63999, 200)
    assert (theirs.priority, theirs.syncAddr, theirs.dmxStartCode) == (200, 7962, 0)
    assert bytes(theirs.dmxData) == DATA.slots
    assert not any((theirs.option_StreamTerminated, theirs.option_PreviewData, theirs.option_ForceSync))


def test_we_read_the_data_packet_of_their_classes() -> None:
    theirs = TheirData(
        tuple(CID.bytes),
        "south",
        5,
        tuple(range(200)),
        50,
        9,
        True,
        True,
        True,
        sync_universe=3,
        dmxStartCode=1,
    )
    assert decode(bytes(theirs.getBytes())) == DataPacket(
        CID, "south", 5, 9, bytes(range(200)) + bytes(312), 50, 3, True, True, True, 1
    )


def test_sync_packets_both_ways() -> None:
    ours = SyncPacket(CID, 7962, 200)
    theirs = TheirSync(tuple(CID.bytes), 7962, 200)
    assert encode(ours) == bytes(theirs.getBytes())
    assert TheirSync.make_sync_packet(encode(ours)) == theirs
    assert decode(bytes(theirs.getBytes())) == ours


@pytest.mark.parametrize("universes", [(1,), (1, 2, 63999), tuple(range(1, 513))])
def test_discovery_packets_both_ways(universes: tuple[int, ...]) -> None:
    ours = DiscoveryPacket(CID, "south", universes, 1, 2)
    theirs = TheirDiscovery(tuple(CID.bytes), "south", universes, 1, 2)
    assert encode(ours) == bytes(theirs.getBytes())
    assert TheirDiscovery.make_universe_discovery_packet(encode(ours)) == theirs
    assert decode(bytes(theirs.getBytes())) == ours


async def test_their_receiver_takes_our_stream() -> None:
    """The package's receiver, thread and all: it hears levels, and at the end that the stream is over."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    loop, news = asyncio.get_running_loop(), asyncio.Queue[tuple[str, Any]]()
    receiver = other.sACNreceiver(bind_address="127.0.0.1", bind_port=port)

    def levels(packet: Any) -> None:
        loop.call_soon_threadsafe(news.put_nowait, ("levels", packet.dmxData))

    def availability(universe: int, changed: str) -> None:
        loop.call_soon_threadsafe(news.put_nowait, ("universe", (universe, changed)))

    receiver.register_listener("universe", levels, universe=3)
    receiver.register_listener("availability", availability)
    receiver.start()
    try:
        async with asyncio.timeout(10):
            async with sacn({"to": [f"127.0.0.1:{port}"]}, {"key": {"universe": 3, "slot": 2}}) as driver:
                driver.send({"key": 99})
                assert await news.get() == ("universe", (3, "available"))
                assert await news.get() == ("levels", (0, 99, *[0] * 510))
            assert await news.get() == ("universe", (3, "timeout"))
    finally:
        await asyncio.to_thread(receiver.stop)
