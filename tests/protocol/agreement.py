"""Many packets at once before decoders of other people: tshark's ACN dissector and the `sacn` package.

tshark reads them from a capture file that is written here (the classic pcap format: a header, then for each
packet its time and its octets from the Ethernet header on). It takes data packets apart and no others, and
slots only after the start code 0 and where there are six or more; of a name it shows control characters in
its own way, so names are compared where they have none.
"""

from __future__ import annotations

import os
import struct
import subprocess
import uuid
from collections.abc import Iterable, Sequence
from pathlib import Path

from sacn.messages.data_packet import DataPacket as TheirData
from sacn.messages.sync_packet import SyncPacket as TheirSync
from sacn.messages.universe_discovery import UniverseDiscoveryPacket as TheirDiscovery

from fillside_drivers.sacn.packet import DataPacket, DiscoveryPacket, Packet, SyncPacket, decode, encode

SWITCHES = ["--enable-heuristic", "acn"]
for _preference in ("dmx_enable:TRUE", "dmx_display_view:Decimal", "dmx_display_zeros:TRUE"):
    SWITCHES += ["-o", f"acn.{_preference}"]
FIELDS = (
    "acn.cid",
    "acn.dmx.source_name",
    "acn.dmx.priority",
    "acn.dmx.universe",
    "acn.dmx.seq_number",
    "acn.dmx.option_p",
    "acn.dmx.option_s",
    "acn.dmx.start_code2",
    "acn.dmx.count",
    "acn.dmx.first_property_address",
    "acn.dmx.increment",
    "acn.pdu.length",
    "acn.dmx.data",
)
PORT = 5568
LEAST_SHOWN = 6
"""Of fewer slots tshark 4.0 shows none; a packet of a source like ours has 512."""


def capture(octets: Iterable[bytes]) -> bytes:
    """A capture file of UDP datagrams to the port of E1.31."""
    found = [struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)]
    for number, payload in enumerate(octets):
        udp = struct.pack(">HHHH", 50000, PORT, 8 + len(payload), 0) + payload
        ip = struct.pack(
            ">BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 0, 0, 64, 17, 0, b"\x7f\0\0\1", b"\x7f\0\0\1"
        )
        frame = bytes(12) + b"\x08\x00" + ip + udp
        found.append(struct.pack("<IIII", number, 0, len(frame), len(frame)) + frame)
    return b"".join(found)


def seen_by_tshark(tshark: str, octets: Sequence[bytes], file: Path) -> list[dict[str, str]]:
    """What tshark makes of each datagram, by the names of its fields."""
    file.write_bytes(capture(octets))
    fields = [word for name in FIELDS for word in ("-e", name)]
    words = [tshark, *SWITCHES, "-r", str(file), "-T", "fields", "-E", "separator=/t", *fields]
    done = subprocess.run(
        words,
        capture_output=True,
        check=True,
        env={**os.environ, "LC_ALL": "C.UTF-8", "HOME": "/nonexistent"},
    )
    rows = done.stdout.decode("utf-8", "surrogateescape").split("\n")[:-1]
    return [dict(zip(FIELDS, row.split("\t"), strict=True)) for row in rows]


def levels_of(row: dict[str, str]) -> list[int]:
    """The slots in tshark's table of them: lines of twenty after a label and a colon, the first a heading."""
    lines = [line.partition(":")[2] for line in row["acn.dmx.data"].split(",") if ":" in line]
    return [int(value) for line in lines for value in line.replace("|", " ").split()]


def differs_from_tshark(packet: DataPacket, row: dict[str, str]) -> list[str]:
    """The fields in which tshark reads another packet."""
    ours = {
        "acn.cid": packet.cid,
        "acn.dmx.priority": packet.priority,
        "acn.dmx.universe": packet.universe,
        "acn.dmx.seq_number": packet.sequence,
        "acn.dmx.option_p": packet.preview,
        "acn.dmx.option_s": packet.terminated,
        "acn.dmx.start_code2": packet.start_code,
        "acn.dmx.count": len(packet.slots) + 1,
        "acn.dmx.first_property_address": 0,
        "acn.dmx.increment": 1,
    }
    theirs = {name: uuid.UUID(row[name]) if name == "acn.cid" else int(row[name], 0) for name in ours}
    wrong = [name for name in ours if ours[name] != theirs[name]]
    if packet.source_name.isprintable() and "\\" not in packet.source_name:
        wrong += ["acn.dmx.source_name"] if row["acn.dmx.source_name"] != packet.source_name else []
    if packet.start_code == 0 and len(packet.slots) >= LEAST_SHOWN:
        wrong += ["acn.dmx.data"] if levels_of(row) != list(packet.slots) else []
    total = 126 + len(packet.slots)
    lengths = [int(length) for length in row["acn.pdu.length"].split(",")]
    return wrong + (["acn.pdu.length"] if lengths != [total - 16, total - 38, total - 115] else [])


def differs_from_package(packet: Packet) -> list[str]:
    """The fields in which the `sacn` package reads another packet, or we read another from its octets."""
    octets = encode(packet)
    if isinstance(packet, SyncPacket):
        sync = TheirSync.make_sync_packet(octets)
        ours: list[object] = [packet.cid.bytes, packet.sync_address, packet.sequence]
        theirs: list[object] = [bytes(sync.cid), sync.syncAddr, sync.sequence]
        back = decode(bytes(sync.getBytes()))
    elif isinstance(packet, DiscoveryPacket):
        found = TheirDiscovery.make_universe_discovery_packet(octets)
        ours = [packet.cid.bytes, packet.source_name, packet.page, packet.last_page, packet.universes]
        theirs = [bytes(found.cid), found.sourceName, found.page, found.lastPage, tuple(found.universes)]
        back = decode(bytes(found.getBytes()))
    else:
        return _differs_as_data(packet, TheirData.make_data_packet(octets))
    wrong = [f"member {k}" for k, (a, b) in enumerate(zip(ours, theirs, strict=True)) if a != b]
    return wrong + (["octets"] if back != packet else [])


def _differs_as_data(packet: DataPacket, their: TheirData) -> list[str]:
    # The package always carries 512 slots.
    slots = packet.slots.ljust(512, b"\0")
    pairs = {
        "cid": (packet.cid.bytes, bytes(their.cid)),
        "source_name": (packet.source_name, their.sourceName),
        "universe": (packet.universe, their.universe),
        "sequence": (packet.sequence, their.sequence),
        "priority": (packet.priority, their.priority),
        "sync_address": (packet.sync_address, their.syncAddr),
        "preview": (packet.preview, their.option_PreviewData),
        "terminated": (packet.terminated, their.option_StreamTerminated),
        "force_sync": (packet.force_sync, their.option_ForceSync),
        "start_code": (packet.start_code, their.dmxStartCode),
        "slots": (slots, bytes(their.dmxData)),
    }
    wrong = [name for name, (ours, theirs) in pairs.items() if ours != theirs]
    back = decode(bytes(their.getBytes()))
    same = isinstance(back, DataPacket) and (back.slots, back.cid) == (slots, packet.cid)
    return wrong + ([] if same else ["octets"])
