"""An MQTT broker in memory, with retained messages, last wills and expiry.

Packets of one connection arrive in order, each after a drawn delay. `broker_client` has the daemon's clients,
`guests` the others.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextvars import Context
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from simulation.machine.loop import SimulatedLoop

FLIGHT_S = 0.003
"""The longest usual time of a packet on its way, either way."""
BrokerState = Literal["up", "gone", "hung", "stuck", "slow"]
"""A hung broker takes packets and answers nothing; to a stuck one not even the octets leave."""


@dataclass(frozen=True)
class Message:
    """One publication. `expires_at_s` is of the simulated time."""

    topic: str
    payload: bytes = b""
    qos: int = 0
    retain: bool = False
    response: str | None = None
    correlation: bytes | None = None
    expires_at_s: float | None = None
    publisher: str = ""
    left_s: float = 0.0
    """When it left its publisher."""


@dataclass(frozen=True)
class Wish:
    """A subscription: the topic filter, its quality of service and its options."""

    topic: str
    qos: int = 0
    no_local: bool = False
    retained: bool = True
    """True if retained messages are to be sent at once."""


def matches(wish: str, topic: str) -> bool:
    """Return True if a topic filter takes a topic.

    >>> matches("a/+/c", "a/b/c"), matches("a/#", "a/b/c"), matches("a/+", "a/b/c")
    (True, True, False)
    """
    parts, levels = wish.split("/"), topic.split("/")
    for place, part in enumerate(parts):
        if part == "#":
            return True
        if place >= len(levels) or part not in ("+", levels[place]):
            return False
    return len(parts) == len(levels)


@dataclass
class Ends:
    """The callbacks of the client's end of a connection, made in `context`."""

    accepted: Callable[[], object]
    message: Callable[[Message, bool, int], object]
    """The message, whether the broker had retained it, and its quality of service."""
    lost: Callable[[], object]
    context: Context = field(default_factory=Context)


class Session:
    """One connection to the broker."""

    def __init__(self, broker: MemoryBroker, identifier: str, will: Message | None, ends: Ends) -> None:
        self.broker, self.identifier, self.will, self._ends = broker, identifier, will, ends
        self.wishes: dict[str, Wish] = {}
        self.is_open = True
        """The client's end: False once it has closed the connection or has lost it."""
        self.is_served = True
        """The broker's end."""
        self._arrives = self._comes_back = 0.0

    def send(self, work: Callable[[], object]) -> None:
        """Send a packet, for which the broker does this work when it comes."""
        if self.is_open:
            self._post(work)

    def _post(self, work: Callable[[], object]) -> None:
        loop = self.broker.loop
        self._arrives = max(loop.now, self._arrives) + self.broker.flight_s()
        loop.call_at(self._arrives, self.broker.take, self, work, context=Context())

    def answer(self, call: Callable[..., object], *args: object) -> None:
        """Tell the client's end something."""
        loop = self.broker.loop
        self._comes_back = max(loop.now, self._comes_back) + self.broker.flight_s()
        loop.call_at(self._comes_back, self._tell, call, *args, context=self._ends.context)

    def _tell(self, call: Callable[..., object], *args: object) -> None:
        if self.is_open:
            call(*args)

    def accept(self) -> None:
        self.broker.admit(self)
        self.answer(self._ends.accepted)

    def hand(self, message: Message, was_retained: bool, qos: int) -> None:
        self.answer(self._ends.message, message, was_retained, qos)

    def disconnect(self) -> None:
        """End the connection cleanly; there is no last will then."""
        self.send(self._forget_will)
        self.vanish()

    def _forget_will(self) -> None:
        self.will = None

    def vanish(self, after_s: float = 0.0) -> None:
        """Close the client's end; the broker notices it after some time."""
        if self.is_open:
            self.is_open = False
            loop = self.broker.loop
            self._arrives = max(self._arrives, loop.now + after_s)
            self._post(lambda: self.broker.part(self))

    def drop(self) -> None:
        """Close the broker's end."""
        if self.is_served:
            self.is_served = False
            loop = self.broker.loop
            loop.call_later(self.broker.flight_s(), self._lose, context=self._ends.context)

    def _lose(self) -> None:
        if self.is_open:
            self.is_open = False
            self._ends.lost()


class MemoryBroker:
    """The broker of a world."""

    def __init__(self, loop: SimulatedLoop, random: Random) -> None:
        self.loop, self.random = loop, random
        self.state: BrokerState = "up"
        self.since_s = 0.0
        """The time of the last change of state."""
        self.slow_s = 0.0
        self.retained: dict[str, Message] = {}
        self._sessions: dict[str, Session] = {}
        self._connecting: list[Session] = []
        self._waiting: list[tuple[Session, Callable[[], object]]] = []
        self.on_state: list[Callable[[], object]] = []
        """Called whenever the state has changed."""
        self.on_sent: list[Callable[[Message], object]] = []
        """Called with every message of the daemon as it leaves, whatever becomes of it."""

    def flight_s(self) -> float:
        return self.random.random() * (self.slow_s if self.state == "slow" else FLIGHT_S)

    # What may befall it

    def _becomes(self, state: BrokerState) -> None:
        self.state, self.since_s = state, self.loop.now
        for tell in tuple(self.on_state):
            tell()

    @property
    def has_failed(self) -> bool:
        """True once anything has befallen it."""
        return self.since_s > 0

    def go(self) -> None:
        """Die: every connection breaks, and nobody is told a last will."""
        self._becomes("gone")
        for session in (*self._sessions.values(), *self._connecting):
            session.drop()
        self._sessions.clear()
        self._connecting.clear()
        self._waiting.clear()

    def hang(self, stuck: bool = False) -> None:
        self._becomes("stuck" if stuck else "hung")

    def slow(self, seconds: float) -> None:
        """Let every packet take up to so long."""
        self.slow_s = seconds
        self._becomes("slow")

    def come_back(self, keeps: bool = True) -> None:
        """Go on with all that came meanwhile; one that was gone starts with what it retained, or empty."""
        if not keeps:
            self.retained.clear()
        self._becomes("up")
        waiting, self._waiting = self._waiting, []
        for session, work in waiting:
            self.take(session, work)

    # Connections

    def connect(self, identifier: str, will: Message | None, ends: Ends) -> Session:
        """Open a connection. Raises ConnectionRefusedError."""
        if self.state == "gone":
            raise ConnectionRefusedError(errno.ECONNREFUSED, os.strerror(errno.ECONNREFUSED))
        session = Session(self, identifier, will, ends)
        self._connecting.append(session)
        session.send(session.accept)
        return session

    def admit(self, session: Session) -> None:
        if session in self._connecting:
            self._connecting.remove(session)
        before = self._sessions.get(session.identifier)
        if before is not None:
            self.part(before)
        self._sessions[session.identifier] = session

    def part(self, session: Session) -> None:
        """End a connection; its last will is published."""
        if session in self._connecting:
            self._connecting.remove(session)
        if self._sessions.get(session.identifier) is session:
            del self._sessions[session.identifier]
            if session.will is not None:
                self.publish(session.will)
        session.drop()

    def take(self, session: Session, work: Callable[[], object]) -> None:
        """Do what a packet asks for, or keep it until the broker goes on."""
        if self.state in ("hung", "stuck"):
            self._waiting.append((session, work))
        elif self.state != "gone" and session.is_served:
            work()

    def subscribe(self, session: Session, wish: Wish) -> None:
        session.wishes[wish.topic] = wish
        if wish.retained:
            for message in tuple(self.retained.values()):
                if matches(wish.topic, message.topic):
                    session.hand(message, True, min(wish.qos, message.qos))

    def publish(self, message: Message) -> None:
        """Hand a message to everybody who has subscribed to it."""
        if message.expires_at_s is not None and self.loop.now > message.expires_at_s:
            return
        if message.retain and message.payload:
            self.retained[message.topic] = message
        elif message.retain:
            self.retained.pop(message.topic, None)
        for session in tuple(self._sessions.values()):
            own = session.identifier == message.publisher
            found = [
                wish
                for wish in session.wishes.values()
                if matches(wish.topic, message.topic) and not (own and wish.no_local)
            ]
            if found:
                session.hand(message, False, min(message.qos, max(wish.qos for wish in found)))
