"""Damaged E1.31 packets: octets flipped, cut, doubled and spliced, and lengths and vectors set to edges."""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Iterator

from fillside_drivers.sacn.packet import DataPacket, DiscoveryPacket, OctetsError, SyncPacket, decode, encode

TELLING = (
    0,
    4,
    16,
    18,
    20,
    22,
    38,
    40,
    42,
    44,
    45,
    46,
    47,
    108,
    109,
    111,
    112,
    113,
    115,
    117,
    118,
    119,
    121,
    123,
)
"""Where lengths, vectors and the fields with a range begin, by the tables of E1.31."""
EDGES = (
    0x0000,
    0x0001,
    0x7000,
    0x7001,
    0x7FFF,
    0xFFFF,
    0x0201,
    0x726E,
    0x7258,
    0x720B,
    0xFA00,
    0xF9FF,
    0x00C9,
)


def sound(rng: random.Random) -> bytes:
    """A packet that is whole."""
    cid = uuid.UUID(int=rng.getrandbits(128))
    pick = rng.random()
    if pick < 0.7:
        slots = rng.randbytes(rng.choice((0, 1, 24, 511, 512, 512, 512)))
        packet = DataPacket(cid, "north room", rng.randint(1, 63999), rng.randrange(256), slots)
        return encode(packet)
    if pick < 0.85:
        return encode(SyncPacket(cid, rng.randint(1, 63999), rng.randrange(256)))
    universes = tuple(sorted(rng.sample(range(1, 64000), rng.choice((0, 1, 3, 512)))))
    return encode(DiscoveryPacket(cid, "south room", universes, 0, rng.randrange(256)))


def _flip(rng: random.Random, octets: bytearray) -> None:
    if octets:
        octets[rng.randrange(len(octets))] ^= 1 << rng.randrange(8)


def _set(rng: random.Random, octets: bytearray) -> None:
    if octets:
        octets[rng.randrange(len(octets))] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))


def _edge(rng: random.Random, octets: bytearray) -> None:
    at = rng.choice(TELLING)
    octets[at : at + 2] = rng.choice(EDGES).to_bytes(2, "big")


def _cut(rng: random.Random, octets: bytearray) -> None:
    del octets[rng.randint(0, len(octets)) :]


def _add(rng: random.Random, octets: bytearray) -> None:
    octets += rng.randbytes(rng.choice((1, 2, 40, 900)))


def _double(rng: random.Random, octets: bytearray) -> None:
    start = rng.randint(0, len(octets))
    at = rng.randint(0, len(octets))
    octets[at:at] = octets[start : start + rng.choice((1, 2, 22, 77))]


def _splice(rng: random.Random, octets: bytearray) -> None:
    at = rng.randint(0, len(octets))
    octets[at:] = sound(rng)[at:]


WAYS: tuple[Callable[[random.Random, bytearray], None], ...] = (
    _flip,
    _set,
    _edge,
    _edge,
    _cut,
    _add,
    _double,
    _splice,
)


def mutants(seed: int, count: int) -> Iterator[bytes]:
    """So many damaged packets; the same for the same seed. A sound one is damaged some fifty times."""
    rng = random.Random(seed)
    base = sound(rng)
    for number in range(count):
        if number % 50 == 0:
            base = sound(rng)
        yield damaged(rng, base)


def damaged(rng: random.Random, packet: bytes) -> bytes:
    """A packet with one to six things wrong."""
    octets = bytearray(packet)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        rng.choice(WAYS)(rng, octets)
    return bytes(octets)


def survives(octets: bytes) -> bool:
    """Whether it is still a packet; one that is means the same when it is put out again.

    Anything but a packet or `OctetsError` comes out as it is: that is the finding.
    """
    caught: OctetsError | None = None
    try:
        packet = decode(octets)
    except OctetsError as error:
        caught = error
    if caught is not None:
        assert str(caught)
        assert 0 <= caught.offset <= len(octets)
        return False
    assert decode(encode(packet)) == packet
    return True
