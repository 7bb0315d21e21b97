"""The schedule of E1.31 packets: time in, packets out; no I/O, no clock of its own.

Each universe (with synchronization: all universes together) passes through these phases. `last` is the time
of its last packet, PERIOD_S the shortest time between two packets of 512 slots by ANSI E1.11.

    phase     meaning                            next packet at                      left when
    silent    no value yet                       never                               a value: changed
    changed   a value waits to leave             last + PERIOD_S, or now if later    sent: settling
    settling  the value is owed more packets     last + REPEAT_S                     none owed: resting
    resting   receivers need signs of life only  last + KEEPALIVE_S                  new value: changed

A new value leads from settling to changed as well. A repeat leaves later than a change may: a frame whose
place was taken by a repeat would wait for another packet's time, and so would all after it. A value that
arrives while another waits replaces it: the latest wins, and nothing is caught up after a stall. A universe
that stands by for another source accepts values and sends nothing; when the standby ends, its phase is
changed and its current value leaves at once.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Iterator, Set
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from fillside_drivers.sacn.packet import (
    DISCOVERY_UNIVERSE,
    UNIVERSES_A_PAGE,
    DataOctets,
    DataPacket,
    DiscoveryPacket,
    SyncPacket,
    encode,
)
from fillside_drivers.slots import SLOTS

PERIOD_S = (92 + 12 + 44 * (1 + SLOTS)) / 1e6
"""Shortest packet of 512 slots by ANSI E1.11: break, mark after break, start code, slots. 44.1 a second."""

REPEAT_S = PERIOD_S + 0.004
"""Time to a repeat of a value: the next frame of a fade is due 1/44 s after the one before, and a busy
machine makes it some milliseconds late."""

KEEPALIVE_S = 0.9
"""Between the 800 and 1000 ms of E1.31 6.6.2."""

SETTLED_PACKETS = 3
"""Packets with the same value before any may be suppressed, E1.31 6.6.2."""

SKIPPED_AFTER_RESTART = 20
"""Sequence numbers that a receiver drops as out of order, E1.31 6.7.2. Ours restart at 0 after a restart
without stream termination, so the first value is sent often enough to leave that window, wherever the
receiver's count is."""

TERMINATED_PACKETS = 3
"""Packets that end a stream, E1.31 6.2.6."""

DISCOVERY_S = 10.0
"""E1.31 appendix A, E131_UNIVERSE_DISCOVERY_INTERVAL."""


class Phase(Enum):
    SILENT = "silent"
    CHANGED = "changed"
    SETTLING = "settling"
    RESTING = "resting"


_WAITS_S = {
    Phase.SILENT: math.inf,
    Phase.CHANGED: PERIOD_S,
    Phase.SETTLING: REPEAT_S,
    Phase.RESTING: KEEPALIVE_S,
}
"""The time from a universe's last packet to its next."""


@dataclass(frozen=True)
class Stream:
    """The constant fields of a universe's packets."""

    universe: int
    source_name: str
    priority: int = 100
    preview: bool = False


class OutgoingPacket(NamedTuple):
    """Octets for the multicast group, or the unicast receivers, of `universe`."""

    universe: int
    octets: bytes


@dataclass(slots=True)
class _Universe:
    number: int
    octets: DataOctets
    slots: bytes | None = None
    sequence: int = 0
    standing_by: bool = False

    @property
    def is_sent(self) -> bool:
        return self.slots is not None and not self.standing_by

    def packet(self, terminated: bool = False) -> OutgoingPacket:
        sequence = self.sequence
        self.sequence = (sequence + 1) % 256
        return OutgoingPacket(self.number, self.octets.next(sequence, terminated))


@dataclass(slots=True)
class _Group:
    """Universes whose packets leave together: one, or all with synchronization."""

    universes: list[_Universe]
    phase: Phase = Phase.SILENT
    last: float = -math.inf
    owed: int = 0
    due: float = math.inf
    """The time of the next packet, worked out by `plan` at every change: it is asked for far more often."""

    def plan(self) -> None:
        self.due = self.last + _WAITS_S[self.phase] if self.is_sent else math.inf

    @property
    def is_sent(self) -> bool:
        return any(universe.is_sent for universe in self.universes)

    def change(self) -> None:
        extra = SKIPPED_AFTER_RESTART if self.last == -math.inf else 0
        self.owed = max(SETTLED_PACKETS + extra, self.owed)
        was, self.phase = self.phase, Phase.CHANGED
        if self.due == math.inf:
            self.plan()
        elif was is not Phase.CHANGED:
            self.due = self.last + PERIOD_S

    def assert_again(self) -> None:
        if self.phase is not Phase.SILENT:
            self.owed = max(self.owed, SETTLED_PACKETS)
            self.phase = Phase.SETTLING if self.phase is Phase.RESTING else self.phase
            self.plan()

    def packets(self, now: float) -> list[OutgoingPacket]:
        self.last = now
        self.owed = max(self.owed - 1, 0)
        self.phase = Phase.SETTLING if self.owed else Phase.RESTING
        if self.due < math.inf:
            self.due = now + _WAITS_S[self.phase]
        return [universe.packet() for universe in self.universes if universe.is_sent]


@dataclass
class _Discovery:
    """Announcements of the list of universes: every DISCOVERY_S, and once in between if it changed."""

    wanted: bool
    announced: tuple[int, ...] = ()
    next_at: float = math.inf
    extra_left: bool = True
    universes: tuple[int, ...] = field(default=())

    @property
    def due(self) -> float:
        if not self.wanted or not self.universes:
            return math.inf
        if self.universes != self.announced and (self.extra_left or not self.announced):
            return -math.inf
        return self.next_at

    def announced_at(self, now: float) -> None:
        regular = not self.announced or now >= self.next_at
        if regular:
            self.next_at = now + DISCOVERY_S
        self.extra_left = regular
        self.announced = self.universes


class Schedule:
    """All packets of one source.

    Parameters:
        cid: identifier of the source, in every packet.
        streams: its universes.
        sync_address: universe of the synchronization packet after each set of data packets; 0 for none.
        announce: source name of universe discovery packets; None for none.
    """

    def __init__(
        self, cid: uuid.UUID, streams: Iterable[Stream], sync_address: int = 0, announce: str | None = None
    ) -> None:
        self._cid, self._sync_address, self._name = cid, sync_address, announce or ""
        self._universes = {
            s.universe: _Universe(
                s.universe,
                DataOctets(
                    DataPacket(
                        cid, s.source_name, s.universe, 0, bytes(SLOTS), s.priority, sync_address, s.preview
                    )
                ),
            )
            for s in streams
        }
        every = list(self._universes.values())
        self._groups = [_Group(every)] if sync_address else [_Group([universe]) for universe in every]
        self._group_of = {u.number: group for group in self._groups for u in group.universes}
        self._sync_sequence = 0
        self._stood_by: frozenset[int] = frozenset()
        self._discovery = _Discovery(wanted=announce is not None)

    def put(self, universe: int, slots: bytes) -> None:
        """Set the 512 slots of a universe; equal slots change nothing."""
        target = self._universes[universe]
        if target.slots == slots:
            return
        is_first = target.slots is None
        target.octets.put(slots)
        target.slots = slots
        if is_first:
            self._list_universes()
        self._group_of[universe].change()

    def go_on_from(self, before: Schedule) -> None:
        """Continue the sequence numbers of a schedule that this one replaces, universe by universe.

        A receiver counts on while the source's identity stays, and drops what begins anew just behind its
        count: for twenty packets, which in a fade is a step of half a second.
        """
        for number in self._universes.keys() & before._universes.keys():
            self._universes[number].sequence = before._universes[number].sequence
        if self._sync_address == before._sync_address:
            self._sync_sequence = before._sync_sequence

    def stand_by(self, universes: Set[int]) -> None:
        """Leave these universes to others; a universe no longer among them resumes with its value at once."""
        if universes == self._stood_by:
            return
        self._stood_by = frozenset(universes)
        for number, universe in self._universes.items():
            before, universe.standing_by = universe.standing_by, number in universes
            if before != universe.standing_by:
                self._group_of[number].plan()
            if before and universe.is_sent:
                self._group_of[number].change()
        self._list_universes()

    def _list_universes(self) -> None:
        self._discovery.universes = tuple(sorted(u.number for u in self._universes.values() if u.is_sent))

    def assert_again(self) -> None:
        """Repeat the settling packets of every universe with a value, for receivers that were unreachable."""
        for group in self._groups:
            group.assert_again()

    @property
    def waiting(self) -> bool:
        """True if a value has not left yet."""
        return any(group.phase is Phase.CHANGED and group.is_sent for group in self._groups)

    @property
    def free_at(self) -> float:
        """The time from which the next value leaves at once, once those that wait have left."""
        changed = Phase.CHANGED
        return PERIOD_S + max(
            [
                each.due if each.phase is changed and each.due < math.inf else each.last
                for each in self._groups
            ]
        )

    @property
    def due(self) -> float:
        """The time of the next packet of `take`: -inf for at once, inf for never."""
        return min([self._discovery.due, *[group.due for group in self._groups]])

    def take(self, now: float) -> list[OutgoingPacket]:
        """Return the packets that leave at `now`; they count as sent."""
        return self._take([group for group in self._groups if group.due <= now], now)

    def flush(self, now: float) -> list[OutgoingPacket]:
        """Return the values that have not left yet, for a caller that has just waited PERIOD_S."""
        return self._take([group for group in self._groups if group.phase is Phase.CHANGED], now)

    def _take(self, groups: list[_Group], now: float) -> list[OutgoingPacket]:
        out = [packet for group in groups for packet in group.packets(now)]
        if out and self._sync_address:
            out.append(self._sync())
        if self._discovery.due <= now:
            out.extend(self._pages())
            self._discovery.announced_at(now)
        return out

    def terminate(self) -> list[OutgoingPacket]:
        """Return one stream-terminated packet per universe; the caller does this TERMINATED_PACKETS times."""
        return [universe.packet(terminated=True) for universe in self._universes.values() if universe.is_sent]

    def _sync(self) -> OutgoingPacket:
        packet = SyncPacket(self._cid, self._sync_address, self._sync_sequence)
        self._sync_sequence = (self._sync_sequence + 1) % 256
        return OutgoingPacket(self._sync_address, encode(packet))

    def _pages(self) -> Iterator[OutgoingPacket]:
        listed = self._discovery.universes
        starts = range(0, len(listed), UNIVERSES_A_PAGE)
        for page, start in enumerate(starts):
            part = listed[start : start + UNIVERSES_A_PAGE]
            packet = DiscoveryPacket(self._cid, self._name, part, page, len(starts) - 1)
            yield OutgoingPacket(DISCOVERY_UNIVERSE, encode(packet))
