"""Limits on connections: their number, per address and in total, and the time each may spend idle.

A connection is either being served or waiting for its visitor: to finish the handshake, to send a whole
request, or to take an answer. At a limit, the connection that has waited longest is ended, from the address
with too many if there is one, so that newcomers get in and silent connections go. If all are being served,
the newcomer is refused.
"""

from __future__ import annotations

import ipaddress
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

Phase = Literal["handshake", "head", "queue", "body", "answer", "busy", "watch"]
"""The phase of a connection. `queue` is a request that waits for its turn, `watch` a WebSocket; `answer`
lasts until the next request arrives, since nothing reports that an answer was taken."""
WAITING: frozenset[Phase] = frozenset({"handshake", "head", "queue", "body", "answer"})
End = Literal["one_address", "all", "files", "long", "slow", "idle"]
"""The reason for ending a connection: too many from its address, or in total; no file handle; more data than
a request may have; a handshake, a request or the taking of an answer that is too slow; idle after an answer.
"""
TROUBLE: tuple[End, ...] = ("one_address", "all", "files", "long")
"""The reasons worth a line in the log. The others are normal: browsers open connections they never use."""
RESERVED_FILES = 128
"""File handles reserved for the database, drivers, brokers and files that are open for a moment."""


@dataclass(frozen=True)
class ConnectionLimits:
    """The number of connections, and the time [s] that each may keep the daemon waiting."""

    total: int = 600
    """Each takes some 40 kB with its buffers, all of them tens of MB."""
    per_address: int = 64
    """A browser opens six, and a household's devices come through one address."""
    per_loopback: int = 320
    """A proxy brings all its visitors through one loopback address."""
    websockets_per_address: int = 32
    websockets_per_loopback: int = 224
    """WebSockets are never ended to make room, so they leave some connections for orders."""
    handshakes_per_address: int = 16
    """A handshake costs milliseconds of the processor; this many may fall into one turn of the event loop."""
    new_per_s: float = 100.0
    """From one address other than loopback: twice the need of a tracker that opens a connection for each of
    fifty reports a second. A connection beyond that costs no more than accepting it."""
    burst: float = 200.0
    handshake_s: float = 10.0
    head_s: float = 10.0
    body_s: float = 10.0
    answer_s: float = 30.0
    octets: int = 192 * 1024
    """The data received ahead of an answer: an order (64 KiB) in one piece from the system's buffer, and a
    head, whose limit RFC 9110, 5.4, leaves to the server."""

    def within(self, files: int) -> ConnectionLimits:
        """Scale the limits to a number of file handles."""
        room = max(files - RESERVED_FILES, files // 2)
        if room >= self.total:
            return self
        share = room / self.total
        return ConnectionLimits(
            total=room,
            per_address=max(4, min(self.per_address, room // 4)),
            per_loopback=max(4, int(self.per_loopback * share)),
            websockets_per_address=max(2, min(self.websockets_per_address, room // 8)),
            websockets_per_loopback=max(2, int(self.websockets_per_loopback * share)),
        )

    def seconds(self, phase: Phase) -> float | None:
        """Return the time limit of a phase [s]; None for a phase that does not depend on the visitor."""
        limits: dict[Phase, float] = {
            "handshake": self.handshake_s,
            "head": self.head_s,
            "body": self.body_s + 1.0,  # leaves time to send the refusal
            "answer": self.answer_s,
        }
        return limits.get(phase)


@dataclass(eq=False)
class OpenConnection:
    """One connection; `end` closes it at once."""

    address: str
    is_loopback: bool
    phase: Phase
    since_s: float
    octets: int = 0
    end: Callable[[], None] = lambda: None


@dataclass
class _AddressGroup:
    """The connections of one address, which may open `may_open` more, as of `seen_s`."""

    may_open: float
    seen_s: float
    connections: dict[OpenConnection, None] = field(default_factory=dict)
    """In the order in which they entered their phases."""

    def count_in(self, phase: Phase) -> int:
        return sum(connection.phase == phase for connection in self.connections)

    def longest_waiting(self) -> OpenConnection | None:
        """Return the connection that has waited longest; one with a whole request
        only if there is no other."""
        first = None
        for connection in self.connections:
            if connection.phase in WAITING:
                if connection.phase != "queue":
                    return connection
                first = first or connection
        return first


@lru_cache(1000)
def address_group(address: str) -> tuple[str, bool]:
    """Return the name under which an address is counted, and true if it is this machine's own.

    A household has 2^64 IPv6 addresses to choose from, so those count by network.

    >>> address_group("192.0.2.7"), address_group("::ffff:127.0.0.1"), address_group("2001:db8::1:2")
    (('192.0.2.7', False), ('127.0.0.1', True), ('2001:db8::/64', False))
    """
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address, False
    mapped = getattr(found, "ipv4_mapped", None)
    found = mapped or found
    if found.version == 6 and not (found.is_loopback or found.is_link_local):
        return str(ipaddress.ip_network((found.packed[:8] + bytes(8), 64))), False
    return str(found), found.is_loopback


class ConnectionTable:
    """The open connections."""

    def __init__(self, limits: ConnectionLimits, clock: Callable[[], float]) -> None:
        self.limits, self._clock = limits, clock
        self._groups: dict[str, _AddressGroup] = {}
        self.ended: Counter[End] = Counter()
        self.ended_of: Counter[str] = Counter()
        """By address, since this was last cleared."""
        self.closed = 0
        """The number of connections that have closed."""

    @property
    def connections(self) -> tuple[OpenConnection, ...]:
        return tuple(connection for group in self._groups.values() for connection in group.connections)

    def __len__(self) -> int:
        return sum(len(group.connections) for group in self._groups.values())

    def admit(self, address: str, phase: Phase) -> OpenConnection | None:
        """Register a new connection, ending others at a limit; return None if there is no room."""
        name, is_loopback = address_group(address)
        now_s, limits = self._clock(), self.limits
        group = self._groups.setdefault(name, _AddressGroup(limits.burst, now_s))
        group.may_open = min(limits.burst, group.may_open + (now_s - group.seen_s) * limits.new_per_s)
        group.seen_s = now_s
        most = limits.per_loopback if is_loopback else limits.per_address
        if not is_loopback and group.may_open < 1:
            self._count("one_address", name)
            return None
        if len(group.connections) >= most and not self._make_room([group], "one_address", name):
            return None
        if phase == "handshake" and group.count_in(phase) >= limits.handshakes_per_address:
            self.end(next(one for one in group.connections if one.phase == phase), "one_address")
        if len(self) >= limits.total and not self._make_room(self._largest_first(), "all", name):
            return None
        group.may_open -= 1
        connection = OpenConnection(name, is_loopback, phase, now_s)
        group.connections[connection] = None
        return connection

    def _largest_first(self) -> Iterable[_AddressGroup]:
        return sorted(self._groups.values(), key=lambda group: len(group.connections), reverse=True)

    def _make_room(self, groups: Iterable[_AddressGroup], reason: End, newcomer: str) -> bool:
        """End the longest waiting connection of the first group that has one.

        Return false, and count the newcomer as refused, if none has.
        """
        for group in groups:
            if (connection := group.longest_waiting()) is not None:
                self.end(connection, reason)
                return True
        self._count(reason, newcomer)
        return False

    def free_handle(self) -> None:
        """End the longest waiting connection, to free its file handle."""
        self._make_room(self._largest_first(), "files", "")

    def set_phase(self, connection: OpenConnection, phase: Phase) -> None:
        """Note that a connection enters a phase."""
        connection.phase, connection.since_s = phase, self._clock()
        group = self._groups.get(connection.address)
        if group is not None and connection in group.connections:
            group.connections[connection] = group.connections.pop(connection)
        if phase == "queue":
            connection.octets = 0

    def may_open_websocket(self, connection: OpenConnection) -> bool:
        """Return true if the address of a connection may open one more WebSocket."""
        limits = self.limits
        most = limits.websockets_per_loopback if connection.is_loopback else limits.websockets_per_address
        return self._groups[connection.address].count_in("watch") < most

    def count_octets(self, connection: OpenConnection, octets: int) -> None:
        """Count data received ahead of an answer, and end a connection that sends too much."""
        if connection.phase in ("body", "watch"):
            return
        connection.octets += octets
        if connection.octets > self.limits.octets:
            self.end(connection, "long")

    def end(self, connection: OpenConnection, reason: End) -> None:
        self._count(reason, connection.address)
        self.remove(connection)
        connection.end()

    def remove(self, connection: OpenConnection) -> None:
        """Forget a connection that has closed."""
        group = self._groups.get(connection.address)
        if group is not None and connection in group.connections:
            del group.connections[connection]
            self.closed += 1

    def end_overdue(self) -> None:
        """End overdue connections and forget idle addresses; call this about once a second."""
        now_s = self._clock()
        for connection in self.connections:
            most_s = self.limits.seconds(connection.phase)
            if most_s is not None and now_s - connection.since_s > most_s:
                self.end(connection, "idle" if connection.phase == "answer" else "slow")
        full_s = self.limits.burst / self.limits.new_per_s
        idle = [
            name
            for name, group in self._groups.items()
            if not group.connections and now_s - group.seen_s > full_s
        ]
        for name in idle:
            del self._groups[name]

    def _count(self, reason: End, group: str) -> None:
        self.ended[reason] += 1
        if reason in TROUBLE:
            self.ended_of[group] += 1
