"""Who may hold a connection, and for how long without doing anything.

A connection is either worked for, or waits for its visitor: to finish the handshake, to send a whole request,
to take an answer. Whoever is over a bound makes room by ending the connection that has waited longest, of the
address that comes with too many: so a newcomer gets in, and what is silent goes. Where all are at work, the
newcomer goes.
"""

from __future__ import annotations

import ipaddress
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

Phase = Literal["handshake", "head", "queue", "body", "answer", "busy", "watch"]
"""What a connection is at. `queue` is a request that waits for its turn, `watch` a WebSocket; `answer` lasts
until the next request has come, since nobody tells when an answer was taken."""
WAITS: frozenset[Phase] = frozenset({"handshake", "head", "queue", "body", "answer"})
End = Literal["one_address", "all", "files", "long", "slow", "idle"]
"""Why a connection was ended: too many from its address, or in all; no file handle for it; more sent ahead
than a request may have; too slow with its handshake, its request, or with taking the answer; nothing more
asked for."""
TROUBLE: tuple[End, ...] = ("one_address", "all", "files", "long")
"""What is worth a line in the log; a browser opens connections that it never uses, and keeps used ones."""
FILES_KEPT = 128
"""File handles beside visitors': database, drivers, brokers, and what a command of the moment opens."""


@dataclass(frozen=True)
class ConnectionLimits:
    """How many connections, and how long [s] each may let us wait."""

    in_all: int = 600
    """Some 40 kB each with what it may have in its buffers: tens of MB."""
    from_one: int = 64
    """A browser opens six, and a household's devices come through one address."""
    from_here: int = 320
    """An address of loopback: a proxy brings the whole house by it."""
    watch_from_one: int = 32
    watch_from_here: int = 224
    """WebSockets, which are never ended to make room, leave some for orders."""
    handshakes_from_one: int = 16
    """A handshake costs milliseconds of the processor; so many may fall into one turn of the event loop."""
    new_per_s: float = 100.0
    """From one address that is not loopback's: a tracker that opens one for each of its fifty reports a
    second is twice within it. What comes faster costs only the accepting."""
    burst: float = 200.0
    handshake_s: float = 10.0
    head_s: float = 10.0
    body_s: float = 10.0
    answer_s: float = 30.0
    octets: int = 192 * 1024
    """Sent ahead of the answer: an order (64 KiB) as it comes in one piece out of the system's buffer, and a
    head, whose bound RFC 9110, 5.4, leaves to us."""

    def within(self, files: int) -> ConnectionLimits:
        """The same where a process may have so many files open."""
        room = max(files - FILES_KEPT, files // 2)
        if room >= self.in_all:
            return self
        share = room / self.in_all
        return ConnectionLimits(
            in_all=room,
            from_one=max(4, min(self.from_one, room // 4)),
            from_here=max(4, int(self.from_here * share)),
            watch_from_one=max(2, min(self.watch_from_one, room // 8)),
            watch_from_here=max(2, int(self.watch_from_here * share)),
        )

    def seconds(self, phase: Phase) -> float | None:
        """How long a connection may be at `phase`; None where it is not for the visitor to end that."""
        known: dict[Phase, float] = {
            "handshake": self.handshake_s,
            "head": self.head_s,
            "body": self.body_s + 1.0,  # the answer that says so goes first
            "answer": self.answer_s,
        }
        return known.get(phase)


@dataclass(eq=False)
class Visit:
    """One connection; `end` lets it go at once."""

    party: str
    here: bool
    phase: Phase
    since_s: float
    octets: int = 0
    end: Callable[[], None] = lambda: None


@dataclass
class _Party:
    """All of one address; `may_open` new connections now, as of `seen_s`."""

    may_open: float
    seen_s: float
    visits: dict[Visit, None] = field(default_factory=dict)
    """In the order in which they came to their phases."""

    def number_at(self, phase: Phase) -> int:
        return sum(visit.phase == phase for visit in self.visits)

    def longest_silent(self) -> Visit | None:
        """The one that has waited longest; one whose request has come whole is no flood of half ones."""
        first = None
        for visit in self.visits:
            if visit.phase in WAITS:
                if visit.phase != "queue":
                    return visit
                first = first or visit
        return first


@lru_cache(1000)
def party_of(address: str) -> tuple[str, bool]:
    """What counts as one address, and whether it is this machine's own.

    A household has 2^64 addresses of IPv6 to choose from, so those count by their network.

    >>> party_of("192.0.2.7"), party_of("::ffff:127.0.0.1"), party_of("2001:db8::1:2")
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
    """All connections there are."""

    def __init__(self, limits: ConnectionLimits, clock: Callable[[], float]) -> None:
        self.limits, self._clock = limits, clock
        self._parties: dict[str, _Party] = {}
        self.ended: Counter[End] = Counter()
        self.ended_of: Counter[str] = Counter()
        """By address, since this was last cleared."""
        self.left = 0
        """How many connections are no more."""

    @property
    def visits(self) -> tuple[Visit, ...]:
        return tuple(visit for party in self._parties.values() for visit in party.visits)

    def __len__(self) -> int:
        return sum(len(party.visits) for party in self._parties.values())

    def admit(self, address: str, phase: Phase) -> Visit | None:
        """A new connection's visit, for which others may have had to go; None where there is no room."""
        name, here = party_of(address)
        now_s, limits = self._clock(), self.limits
        party = self._parties.setdefault(name, _Party(limits.burst, now_s))
        party.may_open = min(limits.burst, party.may_open + (now_s - party.seen_s) * limits.new_per_s)
        party.seen_s = now_s
        most = limits.from_here if here else limits.from_one
        if not here and party.may_open < 1:
            self._count("one_address", name)
            return None
        if len(party.visits) >= most and not self._make_room([party], "one_address", name):
            return None
        if phase == "handshake" and party.number_at(phase) >= limits.handshakes_from_one:
            self.end(next(visit for visit in party.visits if visit.phase == phase), "one_address")
        if len(self) >= limits.in_all and not self._make_room(self._largest_first(), "all", name):
            return None
        party.may_open -= 1
        visit = Visit(name, here, phase, now_s)
        party.visits[visit] = None
        return visit

    def _largest_first(self) -> Iterable[_Party]:
        return sorted(self._parties.values(), key=lambda party: len(party.visits), reverse=True)

    def _make_room(self, parties: Iterable[_Party], why: End, newcomer: str) -> bool:
        """End the longest silent one of the first that has any; where none has, the newcomer goes."""
        for party in parties:
            if (visit := party.longest_silent()) is not None:
                self.end(visit, why)
                return True
        self._count(why, newcomer)
        return False

    def make_room(self) -> None:
        """Let the longest silent one go: there is no file handle for another."""
        self._make_room(self._largest_first(), "files", "")

    def at(self, visit: Visit, phase: Phase) -> None:
        """A connection goes on to another phase."""
        visit.phase, visit.since_s = phase, self._clock()
        visits = self._parties[visit.party].visits if visit.party in self._parties else {}
        if visit in visits:
            visits[visit] = visits.pop(visit)
        if phase == "queue":
            visit.octets = 0

    def may_watch(self, visit: Visit) -> bool:
        """Whether one more WebSocket may come from there."""
        most = self.limits.watch_from_here if visit.here else self.limits.watch_from_one
        return self._parties[visit.party].number_at("watch") < most

    def took(self, visit: Visit, octets: int) -> None:
        """Count what came ahead of its time, and end the connection that sends too much of it."""
        if visit.phase in ("body", "watch"):
            return
        visit.octets += octets
        if visit.octets > self.limits.octets:
            self.end(visit, "long")

    def end(self, visit: Visit, why: End) -> None:
        self._count(why, visit.party)
        self.leave(visit)
        visit.end()

    def leave(self, visit: Visit) -> None:
        """A connection is no more."""
        party = self._parties.get(visit.party)
        if party is not None and visit in party.visits:
            del party.visits[visit]
            self.left += 1

    def look(self) -> None:
        """End what is overdue, and forget who was not here for long; to be called every second or so."""
        now_s = self._clock()
        for visit in self.visits:
            most_s = self.limits.seconds(visit.phase)
            if most_s is not None and now_s - visit.since_s > most_s:
                self.end(visit, "idle" if visit.phase == "answer" else "slow")
        full_s = self.limits.burst / self.limits.new_per_s
        gone = [
            name
            for name, party in self._parties.items()
            if not party.visits and now_s - party.seen_s > full_s
        ]
        for name in gone:
            del self._parties[name]

    def _count(self, why: End, party: str) -> None:
        self.ended[why] += 1
        if why in TROUBLE:
            self.ended_of[party] += 1
