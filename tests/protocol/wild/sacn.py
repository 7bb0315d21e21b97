"""Wild E1.31 packets: as any receiver reads them, and as heard of other sources on our universes."""

from __future__ import annotations

import asyncio
import random
import time
import uuid
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from fillside_drivers.sacn.listener import Listener
from fillside_drivers.sacn.packet import DataPacket, DiscoveryPacket, OctetsError, SyncPacket, decode, encode
from fillside_drivers.sacn.sources import MOST_SOURCES, RivalSources, notices
from protocol.wild.matter import text
from protocol.wild.trial import Kind, one_line

OWN = uuid.UUID("8d2f6a7e-0b4c-4c58-9a55-6a1f3c0e7d21")
PRIORITIES = {1: 100, 7: 0, 63999: 200}


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


class Datagrams:
    """Datagrams as they come in on the groups of our universes."""

    def __init__(self) -> None:
        self._now = time.monotonic()
        self._changes = 0
        self._sources = RivalSources(OWN, PRIORITIES)
        self._listener = Listener(self._sources, OWN.bytes, lambda: self._now, self._changed)

    def _changed(self) -> None:
        self._changes += 1

    def make(self, rng: random.Random) -> bytes:
        pick = rng.random()
        if pick < 0.05:
            return rng.randbytes(rng.choice((0, 1, 100, 126, 638, 1400, 9000, 65_000)))
        if pick < 0.3:
            cid = OWN if rng.random() < 0.1 else uuid.UUID(int=rng.randrange(40))
            name = text(rng).encode("utf-8", "replace")[:63].decode("utf-8", "ignore").replace("\0", " ")
            universe = rng.choice((*PRIORITIES, 2))
            packet = DataPacket(
                cid,
                name,
                universe,
                rng.randrange(256),
                bytes(rng.choice((1, 512))),
                rng.choice((0, 100, 200)),
            )
            octets = encode(packet)
            return octets if rng.random() < 0.5 else damaged(rng, octets)
        return damaged(rng, sound(rng))

    async def feed(self, made: bytes) -> str:
        self._now += 0.002
        before, garbage, changes = self._sources.present, self._listener.garbage, self._changes
        is_packet = survives(made)
        self._listener.hear(made)
        packet = decode(made) if is_packet else None
        is_other = isinstance(packet, DataPacket) and packet.cid != OWN and packet.universe in PRIORITIES
        if not is_other and self._changes == changes:
            assert self._sources.present == before, "what is no source's packet changed who is there"
        # Our own packets are known by their identity, before they are read.
        assert is_packet or self._listener.garbage == garbage + 1 or OWN.bytes in made
        for notice in notices(self._sources.rivals, PRIORITIES):
            one_line(notice)
        assert len(self._sources.present) <= MOST_SOURCES * len(PRIORITIES)
        return "accepted" if is_packet else "refused"

    async def check(self) -> None:
        """Who is silent is forgotten, whoever it was."""
        self._now += 10.0
        self._listener._expire()
        assert self._sources.present == ()
        await asyncio.sleep(0)


@asynccontextmanager
async def datagrams(folder: Path) -> AsyncIterator[Kind]:
    kind = Datagrams()
    yield kind
    kind._listener.close()
