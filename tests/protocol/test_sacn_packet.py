"""Protocol: the E1.31 codec, both ways from one table of cases, and what it makes of garbage."""

from __future__ import annotations

import uuid
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillside_drivers.sacn.packet import (
    DataOctets,
    DataPacket,
    DiscoveryPacket,
    FieldError,
    OctetsError,
    Packet,
    SyncPacket,
    decode,
    encode,
)
from protocol.packets import packets
from protocol.wires import CID

DATA = DataPacket(CID, "north room", 1, 0, bytes(512))
CASES: list[Packet] = [
    DATA,
    replace(DATA, slots=bytes(range(256)) * 2, universe=63999, sequence=255, priority=200),
    replace(DATA, slots=b"", priority=0),
    replace(DATA, slots=b"\x01", start_code=0xCC),
    replace(DATA, preview=True, terminated=True, force_sync=True, sync_address=63999),
    replace(DATA, source_name="x" * 63),
    replace(DATA, source_name="Nordzimmer é 灯"),
    replace(DATA, source_name=""),
    SyncPacket(CID, 1, 0),
    SyncPacket(CID, 63999, 255),
    DiscoveryPacket(CID, "north room", ()),
    DiscoveryPacket(CID, "north room", (1, 2, 63999), page=1, last_page=1),
    DiscoveryPacket(CID, "north room", tuple(range(1, 513)), last_page=255),
]


@pytest.mark.parametrize("packet", CASES)
def test_each_case_both_ways(packet: Packet) -> None:
    assert decode(encode(packet)) == packet


@given(packets)
def test_any_packet_both_ways(packet: Packet) -> None:
    assert decode(encode(packet)) == packet


@given(packets, st.binary(max_size=30))
def test_octets_after_the_packet_are_ignored(packet: Packet, more: bytes) -> None:
    assert decode(encode(packet) + more) == packet


# E1.31 5.1 to 7.7: a receiver discards a packet when any of these differs from the tables.
@pytest.mark.parametrize("at", [0, 1, 2, 3, 4, 12, 15, 18, 21, 40, 43, 117, 118, 119, 120, 121, 122])
def test_fixed_octets_are_checked(at: int) -> None:
    octets = bytearray(encode(DATA))
    octets[at] ^= 0x10
    with pytest.raises(OctetsError):
        decode(bytes(octets))


@pytest.mark.parametrize("packet", CASES)
def test_every_cut_is_an_error(packet: Packet) -> None:
    octets = encode(packet)
    for length in range(len(octets)):
        with pytest.raises(OctetsError):
            decode(octets[:length])


@pytest.mark.parametrize(
    ("field", "packet"),
    [
        ("universe", replace(DATA, universe=0)),
        ("universe", replace(DATA, universe=64000)),
        ("priority", replace(DATA, priority=201)),
        ("priority", replace(DATA, priority=-1)),
        ("sequence", replace(DATA, sequence=256)),
        ("slots", replace(DATA, slots=bytes(513))),
        ("source_name", replace(DATA, source_name="x" * 64)),
        ("source_name", replace(DATA, source_name="é" * 32)),
        ("source_name", replace(DATA, source_name="a\0b")),
        ("sync_address", replace(DATA, sync_address=64000)),
        ("start_code", replace(DATA, start_code=256)),
        ("sync_address", SyncPacket(CID, 0, 0)),
        ("universes", DiscoveryPacket(CID, "", (2, 1))),
        ("universes", DiscoveryPacket(CID, "", (0,))),
        ("universes", DiscoveryPacket(CID, "", tuple(range(1, 514)))),
        ("page", DiscoveryPacket(CID, "", (), page=1)),
        ("last_page", DiscoveryPacket(CID, "", (), last_page=256)),
    ],
)
def test_our_own_mistakes_are_named(field: str, packet: Packet) -> None:
    with pytest.raises(FieldError) as caught:
        encode(packet)
    assert caught.value.field == field


@pytest.mark.parametrize(("at", "value"), [(108, 201), (113, 0xFF), (109, 0xFF)])
def test_peer_values_out_of_range(at: int, value: int) -> None:
    octets = bytearray(encode(DATA))
    octets[at] = value
    with pytest.raises(OctetsError) as caught:
        decode(bytes(octets))
    assert caught.value.offset == at


def test_names_of_peers_are_read_as_well_as_can_be() -> None:
    octets = bytearray(encode(DATA))
    octets[44:108] = b"\xff" * 64
    packet = decode(bytes(octets))
    assert isinstance(packet, DataPacket)
    assert packet.source_name == "\N{REPLACEMENT CHARACTER}" * 21


@given(st.integers(0, 255), st.binary(min_size=512, max_size=512), st.booleans())
def test_prepared_octets_are_those_of_the_codec(sequence: int, slots: bytes, terminated: bool) -> None:
    first = replace(DATA, preview=True)
    made = DataOctets(first)
    made.put(b"\xaa" * 512)
    made.next(3, terminated=True)
    made.put(slots)
    assert made.next(sequence, terminated) == encode(
        replace(first, sequence=sequence, slots=slots, terminated=terminated)
    )
    with pytest.raises(FieldError):
        made.put(slots[1:])


def test_any_uuid_is_a_cid() -> None:
    for cid in (uuid.UUID(int=0), uuid.UUID(int=2**128 - 1)):
        assert decode(encode(replace(DATA, cid=cid))) == replace(DATA, cid=cid)


@pytest.mark.parametrize("packet", [DATA, SyncPacket(CID, 1, 0), DiscoveryPacket(CID, "north room", (1, 2))])
@pytest.mark.parametrize("layer", [16, 38])
@pytest.mark.parametrize("by", [-2, -1, 1, 2, 64])
def test_a_layer_that_is_longer_or_shorter_than_it_says_is_no_packet(
    packet: Packet, layer: int, by: int
) -> None:
    """E1.31 5.4 and 6.1: flags and length of the root layer stand at octet 16, of the framing layer at 38;
    both end with the packet. The datagram is long enough for what is stated."""
    octets = bytearray(encode(packet)) + bytes(128)
    stated = int.from_bytes(octets[layer : layer + 2], "big")
    octets[layer : layer + 2] = (stated + by).to_bytes(2, "big")
    with pytest.raises(OctetsError):
        decode(bytes(octets))
