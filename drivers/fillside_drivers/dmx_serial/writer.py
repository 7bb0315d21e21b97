"""The thread that keeps a DMX line refreshed: break, mark, octets, and again.

It is a thread because serial writes and the waits of a break block. It shares two things with the event loop,
under one condition: the latest octets and the request to stop. Everything it reports goes to `tell` as an
`Event`; `tell` must be thread-safe.
"""

from __future__ import annotations

import logging
import random
import termios
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from fillside_drivers.dmx_serial.timing import BREAK_S, MARK_S, packet_s
from fillside_drivers.driver import Clock
from fillside_drivers.retry import Backoff
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)

PORT_ERRORS = (OSError, termios.error)
"""Exceptions of an unplugged serial port; pyserial's own errors derive from the first."""

LATE_S = 0.1
"""Delay of a packet's start beyond which it counts as late."""


class Port(Protocol):
    """The part of a serial port's interface used here."""

    break_condition: bool

    def write(self, octets: bytes, /) -> int | None: ...
    def flush(self) -> None: ...
    def close(self) -> None: ...


@dataclass(frozen=True)
class Event:
    """An event on the line: opened, one packet sent, packets late, line lost, or the thread ended."""

    what: Literal["opened", "sent", "late", "lost", "ended"]
    error: BaseException | None = None


class LineRefresher:
    """Refreshes the line until stopped; reopens a lost line, with back-off.

    Parameters:
        open_port: opens the device; raises OSError if it cannot.
        slots: number of slots in a packet, for its time on the line.
        period_s: time from break to break while nothing changes [s].
        clock: monotonic time [s].
        tell: receives the events, on the writer's thread.
        rng: jitter of the back-off.
        system: the machine's threads and waits.
    """

    def __init__(
        self,
        open_port: Callable[[], Port],
        slots: int,
        period_s: float,
        clock: Clock,
        tell: Callable[[Event], None],
        rng: random.Random,
        system: System = SYSTEM,
    ) -> None:
        self._open_port, self._clock, self._tell = open_port, clock, tell
        self._shortest_s, self._period_s = packet_s(slots), period_s
        self._backoff = Backoff(rng)
        self._condition = system.condition()
        self._octets: bytes | None = None
        self._fresh = False
        self._stopping = False
        self._thread, self._sleep = system.thread(self._run, "dmx-serial writer"), system.sleep

    def start(self) -> None:
        self._thread.start()

    def put(self, octets: bytes) -> None:
        """Pass start code and slots; the latest are sent as soon as the previous packet is complete."""
        with self._condition:
            self._octets, self._fresh = octets, True
            self._condition.notify()

    def stop(self) -> None:
        """Ask the thread to end once the waiting octets are sent; it then reports `ended`."""
        with self._condition:
            self._stopping = True
            self._condition.notify()

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._try_line()
        except Exception as error:
            log.exception("the writer of a DMX line has failed")
            self._tell(Event("ended", error))
        else:
            self._tell(Event("ended"))

    def _try_line(self) -> None:
        """Open the device and refresh the line until stopped or failed; wait after a failure."""
        try:
            port = self._open_port()
            try:
                self._tell(Event("opened"))
                self._refresh(port)
            finally:
                port.close()
        except PORT_ERRORS as error:
            self._tell(Event("lost", error))
            with self._condition:
                self._condition.wait_for(lambda: self._stopping, self._backoff.next_s())

    def _refresh(self, port: Port) -> None:
        free_at = due = self._clock()
        while (octets := self._next(free_at, due)) is not None:
            start = self._clock()
            if start - due > LATE_S:
                self._tell(Event("late"))
            self._send(port, octets)
            self._backoff.reset()
            self._tell(Event("sent"))
            free_at, due = start + self._shortest_s, start + self._period_s

    def _next(self, free_at: float, due: float) -> bytes | None:
        """Wait for the next packet: until the line is free after a change, otherwise until it is due."""
        with self._condition:
            self._condition.wait_for(
                lambda: self._fresh or self._stopping,
                None if self._octets is None else max(0.0, due - self._clock()),
            )
            if self._octets is None or (self._stopping and not self._fresh):
                return None
        # The line is busy with the packet before; octets passed meanwhile replace the waiting ones.
        self._sleep(max(0.0, free_at - self._clock()))
        with self._condition:
            self._fresh = False
            return self._octets

    def _send(self, port: Port, octets: bytes) -> None:
        """Send one packet. Sleeping and switching a break may take longer than requested, never less."""
        port.break_condition = True
        self._sleep(BREAK_S)
        port.break_condition = False
        self._sleep(MARK_S)
        port.write(octets)
        port.flush()
