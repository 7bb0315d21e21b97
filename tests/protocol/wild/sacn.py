"""Wild E1.31 packets: as any receiver reads them, and as heard of other sources on our universes."""

from __future__ import annotations

import asyncio
import random
import time
import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fillside_drivers.sacn.listener import Listener
from fillside_drivers.sacn.packet import DataPacket, decode, encode
from fillside_drivers.sacn.sources import MOST_SOURCES, Sources, notices
from protocol.mutants import damaged, sound, survives
from protocol.wild.matter import text
from protocol.wild.trial import Kind, one_line

OWN = uuid.UUID("8d2f6a7e-0b4c-4c58-9a55-6a1f3c0e7d21")
PRIORITIES = {1: 100, 7: 0, 63999: 200}


class Datagrams:
    """Datagrams as they come in on the groups of our universes."""

    def __init__(self) -> None:
        self._now = time.monotonic()
        self._changes = 0
        self._sources = Sources(OWN, PRIORITIES)
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
