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
@pytest.mark.parametrize(
    "at", [0, 1, 2, 3, 4, 12, 15, 16, 18, 21, 38, 40, 43, 115, 117, 118, 119, 120, 121, 122]
)
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
        ("sequence", SyncPacket(CID, 1, 256)),
        ("universes", DiscoveryPacket(CID, "", (2, 1))),
        ("universes", DiscoveryPacket(CID, "", (2, 2))),
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


SYNC, DISCOVERY = SyncPacket(CID, 1, 0), DiscoveryPacket(CID, "north room", (1, 2))


def with_words(packet: Packet, words: dict[int, int], more: bytes = b"") -> bytearray:
    """The octets of a packet with other 16-bit numbers at some places, and more octets at its end."""
    octets = bytearray(encode(packet)) + more
    for at, value in words.items():
        octets[at : at + 2] = value.to_bytes(2, "big")
    return octets


@pytest.mark.parametrize(
    ("packet", "at", "value", "said"),
    [
        (DATA, 107, 201, "priority 201"),
        (DATA, 113, 0, "universe 0"),
        (DATA, 113, 64000, "universe 64000"),
        (DATA, 109, 64000, "synchronization address 64000"),
        (SYNC, 45, 0, "synchronization address 0"),
        (SYNC, 45, 64000, "synchronization address 64000"),
        (DISCOVERY, 120, 0, "universe 0"),
        (DISCOVERY, 122, 64000, "universe 64000"),
    ],
)
def test_peer_values_out_of_range(packet: Packet, at: int, value: int, said: str) -> None:
    """The field is named, with its place or that of its list; the priority is one octet."""
    with pytest.raises(OctetsError, match=f"^{said} ") as caught:
        decode(bytes(with_words(packet, {at: value})))
    assert caught.value.offset == {107: 108, 122: 120}.get(at, at)


@pytest.mark.parametrize(
    "words",
    [
        {116: 2},
        {118: 0x0201},
        {120: 2},
        {112: 0x7000 | 7},
        {112: 0x7000 | 9},
        {112: 0x6000 | 12},
    ],
    ids=["vector", "page after the last", "a universe twice", "list too short", "list too long", "flags"],
)
def test_a_list_of_universes_that_contradicts_itself_is_no_packet(words: dict[int, int]) -> None:
    """E1.31 8.1 to 8.5: flags and length at octet 112, vector to 117, pages at 118, then the list."""
    with pytest.raises(OctetsError):
        decode(bytes(with_words(DISCOVERY, words)))


def test_names_of_peers_are_read_as_well_as_can_be() -> None:
    octets = bytearray(encode(DATA))
    octets[44:108] = b"\xff" * 64
    packet = decode(bytes(octets))
    assert isinstance(packet, DataPacket)
    assert packet.source_name == "\N{REPLACEMENT CHARACTER}" * 21


def test_a_name_that_fills_its_field_can_be_sent_again() -> None:
    """E1.31 6.2.2: 64 octets with a null at the end."""
    octets = bytearray(encode(DATA))
    octets[44:108] = b"x" * 64
    packet = decode(bytes(octets))
    assert packet == replace(DATA, source_name="x" * 63)
    assert decode(encode(packet)) == packet


def test_a_name_that_is_no_text_does_not_keep_light_from_going_out() -> None:
    """Names of machines come from the system as they are, with octets that are no UTF-8."""
    packet = decode(encode(replace(DATA, source_name=b"studio \xff".decode("utf-8", "surrogateescape"))))
    assert isinstance(packet, DataPacket)
    assert packet.source_name.startswith("studio ")
    assert packet.slots == DATA.slots


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


@pytest.mark.parametrize("packet", [replace(DATA, slots=b"\x01"), SYNC, DISCOVERY])
def test_layers_that_agree_on_more_than_there_is_are_no_packet(packet: Packet) -> None:
    octets = encode(packet)
    words = {16: 0x7000 | len(octets) - 15, 38: 0x7000 | len(octets) - 37}
    with pytest.raises(OctetsError):
        decode(bytes(with_words(packet, words)))


@pytest.mark.parametrize(("at", "by"), [(115, -1), (115, 1), (123, -1), (123, 1)])
def test_levels_are_as_many_as_both_their_numbers_say(at: int, by: int) -> None:
    """E1.31 7.1 and 7.6: length of the layer at octet 115, count of its values at 123."""
    packet = replace(DATA, slots=bytes(9))
    stated = int.from_bytes(encode(packet)[at : at + 2], "big")
    with pytest.raises(OctetsError):
        decode(bytes(with_words(packet, {at: stated + by}, bytes(8))))


def laid_out_to(packet: Packet, total: int) -> bytes:
    """A packet cut or filled up to so many octets, with every length in it as the standard reckons it."""
    octets = bytearray(encode(packet)[:total].ljust(total, b"\0"))
    lengths = {16: 0x7000 | total - 16, 38: 0x7000 | total - 38}
    if isinstance(packet, DataPacket):
        lengths |= {115: 0x7000 | total - 115, 123: total - 125}
    elif isinstance(packet, DiscoveryPacket):
        lengths |= {112: 0x7000 | total - 112}
        octets[120:] = b"".join(universe.to_bytes(2, "big") for universe in range(1, 600))[: total - 120]
    for at, value in lengths.items():
        if at + 2 <= total:
            octets[at : at + 2] = (value & 0xFFFF).to_bytes(2, "big")
    return bytes(octets)


@pytest.mark.parametrize(
    ("packet", "fits"),
    [(DATA, range(126, 639)), (SYNC, range(49, 50)), (DISCOVERY, range(120, 1145, 2))],
)
def test_a_packet_is_as_long_as_one_of_its_kind_can_be(packet: Packet, fits: range) -> None:
    """One start code and 512 levels, 49 octets, 512 universes of two octets."""
    for total in range(44, 1160):
        octets = laid_out_to(packet, total)
        if total in fits:
            assert type(decode(octets)) is type(packet)
        else:
            with pytest.raises(OctetsError):
                decode(octets)
