"""Other E1.31 sources on our universes: packets and time in, sources out, no I/O.

A source is a CID on one universe. It is present from its first packet in order until one with
Stream_Terminated, or 2.5 s without any (E1.31 6.7.1).
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from fillside_drivers.sacn.packet import DataPacket

LOSS_S = 2.5
"""E1.31 appendix A, E131_NETWORK_DATA_LOSS_TIMEOUT."""

MOST_SOURCES = 32
"""Most sources distinguished on one universe; packets of further ones are only counted."""


def in_order(last: int, new: int) -> bool:
    """Return True if a packet with sequence number `new` is in order after `last`, 0..255 (E1.31 6.7.2).

    >>> in_order(255, 0), in_order(7, 7), in_order(7, 244), in_order(7, 243)
    (True, False, False, True)
    """
    step = (new - last + 128) % 256 - 128
    return not -20 < step <= 0


@dataclass(frozen=True)
class Source:
    """Another source on one of our universes, by its latest packet; times are the caller's [s]."""

    universe: int
    cid: uuid.UUID
    name: str
    priority: int
    preview: bool
    since: float
    last_packet_at: float
    sequence: int


class RivalSources:
    """All other sources on the universes that we send.

    Parameters:
        own: our CID; packets with it are our own.
        priorities: our priority by universe; other universes are ignored.
    """

    def __init__(self, own: uuid.UUID, priorities: Mapping[int, int]) -> None:
        self._own, self._priorities = own, dict(priorities)
        self._sources: dict[tuple[int, uuid.UUID], Source] = {}
        self.unseen = 0

    @property
    def present(self) -> tuple[Source, ...]:
        """All sources present, by universe."""
        return tuple(sorted(self._sources.values(), key=lambda s: (s.universe, s.cid)))

    @property
    def rivals(self) -> tuple[Source, ...]:
        """Sources that receivers obey beside or instead of us: live, and of our priority or a higher one."""
        return tuple(s for s in self.present if not s.preview and s.priority >= self._priorities[s.universe])

    @property
    def above(self) -> frozenset[int]:
        """The universes on which a live source has a higher priority than ours."""
        return frozenset(s.universe for s in self.rivals if s.priority > self._priorities[s.universe])

    def hear(self, packet: DataPacket, now: float) -> bool:
        """Process a packet; return True if it changed a source's presence, name or priority."""
        if packet.cid == self._own or packet.universe not in self._priorities:
            return False
        key = (packet.universe, packet.cid)
        known = self._sources.get(key)
        if known is not None and not in_order(known.sequence, packet.sequence):
            return False
        if packet.terminated:
            return self._sources.pop(key, None) is not None
        if known is None and self._full(packet.universe):
            self.unseen += 1
            return False
        fresh = Source(
            universe=packet.universe,
            cid=packet.cid,
            name=_plain(packet.source_name),
            priority=packet.priority,
            preview=packet.preview,
            since=now if known is None else known.since,
            last_packet_at=now,
            sequence=packet.sequence,
        )
        self._sources[key] = fresh
        return known is None or replace(known, last_packet_at=now, sequence=packet.sequence) != fresh

    def _full(self, universe: int) -> bool:
        return sum(1 for number, _ in self._sources if number == universe) >= MOST_SOURCES

    @property
    def due(self) -> float:
        """The time at which the next source counts as lost if it stays silent; inf if there is none."""
        return min((s.last_packet_at + LOSS_S for s in self._sources.values()), default=math.inf)

    def expire(self, now: float) -> bool:
        """Forget sources that were silent for 2.5 s or more; return True if there were any."""
        gone = [key for key, source in self._sources.items() if now - source.last_packet_at >= LOSS_S]
        for key in gone:
            del self._sources[key]
        return bool(gone)


def _plain(name: str) -> str:
    """Replace the control characters of a foreign name, since they could steer a terminal."""
    return "".join(char if char.isprintable() else "?" for char in name)


def notices(rivals: Iterable[Source], priorities: Mapping[int, int], yields: bool = False) -> tuple[str, ...]:
    """Return one sentence per rival, for people; with `yields`, we stand by for a higher priority."""
    return tuple(_sentence(rival, priorities[rival.universe], yields) for rival in rivals)


def _sentence(rival: Source, ours: int, yields: bool) -> str:
    start = f'another source "{rival.name}" sends universe {rival.universe} at priority {rival.priority}'
    if rival.priority > ours and yields:
        return f"{start}, above ours ({ours}): we stand by until it is gone"
    if rival.priority > ours:
        return f"{start}, above ours ({ours}): receivers obey it, not us"
    return f"{start}, the same as ours: each receiver has its own way of choosing between us"
