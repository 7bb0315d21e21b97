"""The broker's clients that are not the daemon's: bulbs, programs, sensors. They come back by themselves."""

from __future__ import annotations

from collections.abc import Callable
from contextvars import Context
from dataclasses import replace

from simulation.machine.broker import Ends, MemoryBroker, Message, Session, Wish

GIVES_UP_S = 5.0
"""Time for the broker to take a connection."""
AGAIN_S = (0.2, 2.0)
"""The shortest and longest pause before another try."""


class Guest:
    """One client. `on_message` is called with a message, and whether the broker had retained it."""

    def __init__(
        self, broker: MemoryBroker, name: str, wishes: tuple[str, ...] = (), will: Message | None = None
    ) -> None:
        self._broker, self._loop = broker, broker.loop
        self.name, self._will = name, will
        self._wishes = tuple(Wish(topic, 1) for topic in wishes)
        self._session: Session | None = None
        self.is_connected = False
        self._wanted = False
        self.on_connected: Callable[[], object] = lambda: None
        self.on_message: Callable[[Message, bool], object] = lambda message, was_retained: None

    def begin(self) -> None:
        """Connect, and stay connected."""
        self._wanted = True
        self._try()

    def vanish(self, noticed_after_s: float) -> None:
        """Be gone without a word; the broker notices it after some time."""
        self._wanted = self.is_connected = False
        if self._session is not None:
            self._session.vanish(noticed_after_s)
            self._session = None

    def publish(self, topic: str, payload: str | bytes, retain: bool = False, **more: str | bytes) -> bool:
        """Publish if connected; return whether it was."""
        if self._session is None or not self.is_connected:
            return False
        octets = payload if isinstance(payload, bytes) else payload.encode()
        message = Message(topic, octets, 1, retain, publisher=self.name, left_s=self._loop.now)
        message = replace(message, **more)  # type: ignore[arg-type]
        self._session.send(lambda: self._broker.publish(message))
        return True

    def _later(self, seconds: float, call: Callable[..., object], *args: object) -> None:
        self._loop.call_later(seconds, call, *args, context=Context())

    def _try(self) -> None:
        if not self._wanted or self._session is not None:
            return
        ends = Ends(self._accepted, lambda message, was, _: self.on_message(message, was), self._lost)
        try:
            session = self._session = self._broker.connect(self.name, self._will, ends)
        except ConnectionRefusedError:
            self._again()
            return
        self._later(GIVES_UP_S, self._give_up, session)

    def _again(self) -> None:
        least, most = AGAIN_S
        self._later(least + (most - least) * self._broker.random.random(), self._try)

    def _give_up(self, session: Session) -> None:
        if self._session is session and not self.is_connected:
            session.vanish()
            self._lost()

    def _accepted(self) -> None:
        session = self._session
        assert session is not None
        self.is_connected = True
        for wish in self._wishes:
            session.send(lambda wish=wish: self._broker.subscribe(session, wish))  # type: ignore[misc]
        self.on_connected()

    def _lost(self) -> None:
        self._session, self.is_connected = None, False
        self._again()
