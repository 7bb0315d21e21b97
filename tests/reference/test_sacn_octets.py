"""Reference: octets and numbers of ANSI E1.31-2018 that were laid out by hand, not by the code under test.

Octet offsets, vectors and groups follow the tables of the standard (4-1 to 4-3, 5-4 to 5-12, 6-13, 8-15 and
9.3.1), the data packet was also decoded by tshark 4.0.17 when it was made. The CID 01..10 is a test vector,
no valid UUID.
"""

from __future__ import annotations

import hashlib
import struct
import uuid
import zlib
from dataclasses import replace

import pytest

from fillside_drivers.sacn.options import PORT, SacnOptions
from fillside_drivers.sacn.packet import (
    DATA_UNIVERSES,
    DISCOVERY_UNIVERSE,
    PRIORITIES,
    DataPacket,
    DiscoveryPacket,
    Packet,
    SyncPacket,
    decode,
    encode,
    multicast_group,
)
from fillside_drivers.sacn.schedule import (
    DISCOVERY_S,
    KEEPALIVE_S,
    PERIOD_S,
    SETTLED_PACKETS,
    TERMINATED_PACKETS,
)
from fillside_drivers.sacn.sources import LOSS_S, in_order

CID = uuid.UUID(bytes=bytes(range(1, 17)))
DATA = DataPacket(CID, "studio", 1, 7, bytes([255, 128]) + bytes(510))
SYNC = SyncPacket(CID, 7962, 7)
DISCOVERY = DiscoveryPacket(CID, "studio", (1,))

DATA_HEX = (
    "001000004153432d45312e3137000000"
    "726e000000040102030405060708090a"
    "0b0c0d0e0f1072580000000273747564"
    "696f0000000000000000000000000000" + "00" * 32 + "00000000000000000000000064000007"
    "000001720b02a1000000010201" + "00" + "ff80" + "00" * 510
)
SYNC_HEX = (
    "001000004153432d45312e31370000007021000000080102030405060708090a0b0c0d0e0f10700b00000001071f1a0000"
)
DISCOVERY_HEX = (
    "001000004153432d45312e3137000000706a000000080102030405060708090a0b0c0d0e0f10705400000002"
    "73747564696f" + "00" * 58 + "00000000" + "700a0000000100000001"
)


@pytest.mark.parametrize(
    ("packet", "octets"), [(DATA, DATA_HEX), (SYNC, SYNC_HEX), (DISCOVERY, DISCOVERY_HEX)]
)
def test_reference_packets_both_ways(packet: Packet, octets: str) -> None:
    assert encode(packet).hex() == octets
    assert decode(bytes.fromhex(octets)) == packet


def test_reference_packet_checksums() -> None:
    octets = encode(DATA)
    assert hashlib.sha256(octets).hexdigest() == (
        "f941a2cce6220bd0104ed7c53f0e03c81b9e0e9be03de0d3e4525562a0a80c92"
    )
    assert zlib.crc32(octets) == 0x70C9CB33
    terminated = encode(replace(DATA, sequence=8, terminated=True))
    assert hashlib.sha256(terminated).hexdigest() == (
        "b141cbbcbeeeed069c2c5c6ad85bab30d9a3f6d4ffb133f366713ebd164e902c"
    )


def words(octets: bytes, *offsets: int) -> list[int]:
    return [struct.unpack_from(">H", octets, offset)[0] for offset in offsets]


# Lengths of E1.31 tables 4-1 and following: total, root, framing and DMP flags-and-length, property value
# count.
@pytest.mark.parametrize(
    ("slots", "expected"),
    [
        (1, [127, 28783, 28761, 28684, 2]),
        (24, [150, 28806, 28784, 28707, 25]),
        (128, [254, 28910, 28888, 28811, 129]),
        (512, [638, 29294, 29272, 29195, 513]),
    ],
)
def test_data_lengths(slots: int, expected: list[int]) -> None:
    octets = encode(replace(DATA, slots=bytes(slots)))
    assert [len(octets), *words(octets, 16, 38, 115, 123)] == expected


@pytest.mark.parametrize(
    ("universes", "expected"),
    [
        (0, [120, 28776, 28754, 28680]),
        (1, [122, 28778, 28756, 28682]),
        (512, [1144, 29800, 29778, 29704]),
    ],
)
def test_discovery_lengths(universes: int, expected: list[int]) -> None:
    octets = encode(replace(DISCOVERY, universes=tuple(range(1, universes + 1))))
    assert [len(octets), *words(octets, 16, 38, 112)] == expected


def test_sync_lengths() -> None:
    octets = encode(SYNC)
    assert [len(octets), *words(octets, 16, 38)] == [49, 28705, 28683]


# E1.31 6.2.6: options are bits 7, 6 and 5 of octet 112.
@pytest.mark.parametrize(("option", "mask"), [("preview", 0x80), ("terminated", 0x40), ("force_sync", 0x20)])
def test_options_octet(option: str, mask: int) -> None:
    assert encode(DATA)[112] == 0
    assert encode(replace(DATA, **{option: True}))[112] == mask  # type: ignore[arg-type]


# E1.31 9.3.1.
@pytest.mark.parametrize(
    ("universe", "group"),
    [
        (1, "239.255.0.1"),
        (255, "239.255.0.255"),
        (256, "239.255.1.0"),
        (7962, "239.255.31.26"),
        (63999, "239.255.249.255"),
        (64214, "239.255.250.214"),
    ],
)
def test_multicast_groups(universe: int, group: str) -> None:
    assert multicast_group(universe) == group


# E1.31 6.7.2: a packet counts unless new - last, as a signed octet, is more than -20 and not above 0.
@pytest.mark.parametrize(
    ("last", "new", "counts"),
    [
        (7, 8, True),
        (7, 7, False),
        (7, 6, False),
        (7, 244, False),
        (7, 243, True),
        (250, 3, True),
        (255, 0, True),
        (0, 255, False),
        (0, 236, True),
        (100, 228, True),
    ],
)
def test_sequence_rule(last: int, new: int, counts: bool) -> None:
    assert in_order(last, new) is counts


def test_numbers_of_appendix_a() -> None:
    """E1.31 appendix A, 6.2.3, 6.2.6, 6.2.7 and 6.6.2."""
    assert (PORT, SacnOptions().priority, (PRIORITIES[0], PRIORITIES[-1])) == (5568, 100, (0, 200))
    assert ((DATA_UNIVERSES[0], DATA_UNIVERSES[-1]), DISCOVERY_UNIVERSE) == ((1, 63999), 64214)
    assert (LOSS_S, DISCOVERY_S, SETTLED_PACKETS, TERMINATED_PACKETS) == (2.5, 10, 3, 3)
    assert 0.8 <= KEEPALIVE_S <= 1.0


def test_highest_rate() -> None:
    """ANSI E1.11-2008 (R2018) table 6, from memory: 1e6 / (92 + 12 + 513 x 44) = 44.0995 packets a second."""
    assert round(1 / PERIOD_S, 4) == 44.0995
