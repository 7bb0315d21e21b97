"""A network in memory: datagrams that get lost, doubled and reordered, and streams that may be slow or break.

A socket belongs to the process that opened it. What a dead process sends goes nowhere, and what is sent to it
is lost; its streams break.
"""

from __future__ import annotations

import asyncio
import errno
import math
import os
import socket
from collections import deque
from collections.abc import Callable
from contextvars import Context, copy_context
from dataclasses import dataclass
from random import Random
from typing import Any, cast

from simulation.machine.loop import PROCESS, Process, SimulatedLoop

Address = tuple[str, int]
HERE = "127.0.0.1"
FIRST_FREE_PORT = 40_000
FLIGHT_S = 0.0004
"""The longest usual time of a datagram or a piece of a stream on its way."""
MOST_WAITING = 128


@dataclass
class Weather:
    """The state of the network: shares of datagrams, the longest delay, and the error that sending gives."""

    lost: float = 0.0
    doubled: float = 0.0
    late: float = 0.0
    late_by_s: float = 0.05
    sending_fails: int = 0
    """An errno; 0 while sending works."""


class SimulatedNetwork:
    """All sockets of a world."""

    def __init__(self, loop: SimulatedLoop, random: Random) -> None:
        self.loop, self._random = loop, random
        self._weather, self.failing_since = Weather(), math.inf
        """Since when sending has failed; infinity while it works."""
        self._bound: dict[tuple[int, Address], list[SimulatedSocket]] = {}
        self._next_port = FIRST_FREE_PORT
        self.on_sent: list[Callable[[bytes, Address], object]] = []
        """Called with every datagram that leaves a process, whatever becomes of it."""

    @property
    def weather(self) -> Weather:
        return self._weather

    @weather.setter
    def weather(self, weather: Weather) -> None:
        self._weather = weather
        if not weather.sending_fails:
            self.failing_since = math.inf
        elif self.failing_since == math.inf:
            self.failing_since = self.loop.now

    def socket(self, family: int, kind: int, protocol: int = 0) -> socket.socket:
        """Return a socket of the process that asks."""
        return cast(socket.socket, SimulatedSocket(self, kind))

    def free_port(self) -> int:
        self._next_port += 1
        return self._next_port

    def occupy(self, kind: int, address: Address, one: SimulatedSocket) -> None:
        """Bind a socket; several may share an address of datagrams, as members of a group do."""
        there = self._bound.setdefault((kind, address), [])
        if kind == socket.SOCK_STREAM and there:
            raise OSError(errno.EADDRINUSE, os.strerror(errno.EADDRINUSE))
        there.append(one)

    def vacate(self, kind: int, address: Address, one: SimulatedSocket) -> None:
        there = self._bound.get((kind, address), [])
        if one in there:
            there.remove(one)
        if not there:
            self._bound.pop((kind, address), None)

    def flight_s(self) -> float:
        return self._random.random() * FLIGHT_S

    def deliver(self, octets: bytes, sender: Address, to: Address) -> None:
        """Send a datagram on its way, through whatever weather there is."""
        weather, draw = self.weather, self._random.random
        if weather.sending_fails:
            raise OSError(weather.sending_fails, os.strerror(weather.sending_fails))
        for hear in self.on_sent:
            hear(octets, to)
        if weather.lost and draw() < weather.lost:
            return
        for _ in range(2 if weather.doubled and draw() < weather.doubled else 1):
            delay = self.flight_s()
            if weather.late and draw() < weather.late:
                delay += draw() * weather.late_by_s
            self.loop.call_later(delay, self._arrive, octets, sender, to, context=Context())

    def _arrive(self, octets: bytes, sender: Address, to: Address) -> None:
        for one in tuple(self._bound.get((socket.SOCK_DGRAM, to), ())):
            one.receive(octets, sender)

    def connect(self, to: Address, client: asyncio.Protocol, from_: str = HERE) -> MemoryTransport:
        """Connect a client of the world to a listening process. Raises ConnectionRefusedError."""
        listening = self._bound.get((socket.SOCK_STREAM, to), ())
        if not listening or not listening[0].may_connect:
            raise ConnectionRefusedError(errno.ECONNREFUSED, os.strerror(errno.ECONNREFUSED))
        here = (from_, self.free_port())
        one, other = MemoryTransport(self, here, to), MemoryTransport(self, to, here)
        one.peer, other.peer = other, one
        one.serve(client, copy_context())
        listening[0].offer(other)
        return one


class SimulatedSocket:
    """Stands for a `socket.socket`, and the loop asks it for what the system would do."""

    def __init__(self, network: SimulatedNetwork, kind: int) -> None:
        self._network, self._kind = network, kind
        self._process, self._context = PROCESS.get(), copy_context()
        self._address: Address | None = None
        self._watching: tuple[Callable[..., object], tuple[Any, ...]] | None = None
        self._offers: deque[MemoryTransport] = deque()
        self._listens = False
        self._receiver: asyncio.DatagramProtocol | None = None
        if self._process is not None:
            self._process.on_death.append(self.close)

    def __enter__(self) -> SimulatedSocket:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def setblocking(self, flag: bool) -> None:
        """Nothing blocks here."""

    def setsockopt(self, *_: object) -> None:
        """Buffers, groups and hops are not simulated."""

    def bind(self, address: Any) -> None:
        host, port = address[0], address[1] or self._network.free_port()
        self._network.occupy(self._kind, (host, port), self)
        self._address = (host, port)

    def getsockname(self) -> Address:
        return self._address or (HERE, 0)

    def close(self) -> None:
        if self._address is not None:
            self._network.vacate(self._kind, self._address, self)
        self._receiver, self._watching = None, None
        while self._offers:
            self._offers.popleft().abort()

    # Datagrams

    def sendto(self, octets: bytes, address: Any) -> int:
        if self._process is None or self._process.alive:
            self._network.deliver(bytes(octets), self.getsockname(), (address[0], address[1]))
        return len(octets)

    def receive(self, octets: bytes, sender: Address) -> None:
        """Hand a datagram to the process of this socket."""
        if self._receiver is not None:
            self._context.run(self._network.loop.call_soon, self._receiver.datagram_received, octets, sender)

    def endpoint(
        self, factory: Callable[[], asyncio.DatagramProtocol]
    ) -> tuple[MemoryDatagrams, asyncio.DatagramProtocol]:
        """Take the receiver of datagrams, as `create_datagram_endpoint` does."""
        self._receiver = receiver = factory()
        transport = MemoryDatagrams(self)
        receiver.connection_made(transport)
        return transport, receiver

    # Streams

    def listen(self, backlog: int = MOST_WAITING) -> None:
        self._listens = True

    @property
    def may_connect(self) -> bool:
        return self._listens and len(self._offers) < MOST_WAITING

    def watch(self, callback: Callable[..., object] | None, args: tuple[Any, ...]) -> bool:
        before, self._watching = self._watching, None if callback is None else (callback, args)
        if self._offers:
            self._tell()
        return before is not None

    def offer(self, transport: MemoryTransport) -> None:
        self._offers.append(transport)
        self._tell()

    def _tell(self) -> None:
        if self._watching is not None:
            callback, args = self._watching
            self._context.run(self._network.loop.call_soon, callback, *args)

    def accept(self) -> tuple[MemoryConnection, Address]:
        if not self._offers:
            raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))
        transport = self._offers.popleft()
        return MemoryConnection(transport), transport.get_extra_info("peername")


class MemoryConnection:
    """Stands for the socket of an accepted connection."""

    def __init__(self, transport: MemoryTransport) -> None:
        self._transport = transport

    def setblocking(self, flag: bool) -> None:
        """Nothing blocks here."""

    def close(self) -> None:
        self._transport.abort()

    def accepted(self, factory: Callable[[], asyncio.Protocol]) -> tuple[MemoryTransport, asyncio.Protocol]:
        protocol = factory()
        self._transport.serve(protocol, copy_context())
        return self._transport, protocol


class MemoryDatagrams(asyncio.DatagramTransport):
    """Stands for the transport of a UDP socket."""

    def __init__(self, own: SimulatedSocket) -> None:
        super().__init__()
        self._own, self._closing = own, False

    def sendto(self, data: Any, addr: Any = None) -> None:
        try:
            self._own.sendto(bytes(data), addr)
        except OSError:
            return  # a real transport tells `error_received`, which nobody here heeds

    def close(self) -> None:
        self._closing = True
        self._own.close()

    def abort(self) -> None:
        self.close()

    def is_closing(self) -> bool:
        return self._closing


class MemoryTransport(asyncio.Transport):
    """One end of a stream. Pieces arrive in order; who does not read makes the other end wait."""

    def __init__(self, network: SimulatedNetwork, own: Address, other: Address) -> None:
        super().__init__({"sockname": own, "peername": other})
        self._network, self._loop = network, network.loop
        self.peer: MemoryTransport | None = None
        self._protocol: asyncio.Protocol | None = None
        self._context = Context()
        self._process: Process | None = None
        self._inbox: deque[bytes | None] = deque()
        self._waits = 0
        self._reading, self._closing, self._lost = True, False, False
        self._high = 64 * 1024
        self._paused = False
        self._arrives = 0.0
        self._why: Exception | None = None
        """The error by which the connection was lost, maybe before anybody accepted it."""

    def serve(self, protocol: asyncio.Protocol, context: Context) -> None:
        """Begin to hand the protocol, in this context, what comes."""
        self._protocol, self._context = protocol, context
        self._process = context.get(PROCESS)
        if self._process is not None:
            self._process.on_death.append(self.abort)
        protocol.connection_made(self)
        if self._lost:
            self._call("connection_lost", self._why)
        self._hand()

    @property
    def _dead(self) -> bool:
        return self._process is not None and not self._process.alive

    def write(self, data: Any) -> None:
        if self._closing or self._dead or not data:
            return
        self._send(bytes(data))

    def writelines(self, list_of_data: Any) -> None:
        self.write(b"".join(bytes(each) for each in list_of_data))

    def write_eof(self) -> None:
        self._send(None)

    def can_write_eof(self) -> bool:
        return True

    def _send(self, piece: bytes | None) -> None:
        peer = self.peer
        if peer is None:
            return
        peer._waits += len(piece or b"")
        peer._arrives = max(self._loop.now, peer._arrives) + self._network.flight_s()
        self._loop.call_at(peer._arrives, peer._receive, piece, context=Context())
        if peer._waits > self._high and not self._paused:
            self._paused = True
            self._call("pause_writing")

    def _receive(self, piece: bytes | None) -> None:
        if self._lost:
            return
        self._inbox.append(piece)
        self._hand()

    def _hand(self) -> None:
        while self._inbox and self._reading and self._protocol is not None and not self._lost:
            piece = self._inbox.popleft()
            if piece is None:
                self._call("eof_received")
                self.close()
                return
            self._waits -= len(piece)
            self._call("data_received", piece)
            peer = self.peer
            if peer is not None and peer._paused and self._waits <= peer._high // 4:
                peer._paused = False
                peer._call("resume_writing")

    def _call(self, name: str, *args: object) -> None:
        protocol = self._protocol
        if protocol is not None and not self._dead:
            self._context.run(self._loop.call_soon, getattr(protocol, name), *args)

    def pause_reading(self) -> None:
        self._reading = False

    def resume_reading(self) -> None:
        self._reading = True
        self._hand()

    def is_reading(self) -> bool:
        return self._reading

    def close(self) -> None:
        if not self._closing:
            self._closing = True
            if self.peer is not None and not self.peer._lost:
                self._send(None)
            self._end(None)

    def abort(self) -> None:
        self._closing = True
        self._end(None)
        peer = self.peer
        if peer is not None and not peer._lost:
            reset = ConnectionResetError(errno.ECONNRESET, os.strerror(errno.ECONNRESET))
            self._loop.call_later(self._network.flight_s(), peer._end, reset, context=Context())

    def _end(self, why: Exception | None) -> None:
        if not self._lost:
            self._lost = self._closing = True
            self._why = why
            self._call("connection_lost", why)

    def is_closing(self) -> bool:
        return self._closing

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        self._high = 64 * 1024 if high is None else high

    def get_write_buffer_size(self) -> int:
        return self.peer._waits if self.peer is not None else 0

    def get_write_buffer_limits(self) -> tuple[int, int]:
        return self._high // 4, self._high

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        self._protocol = cast(asyncio.Protocol, protocol)

    def get_protocol(self) -> asyncio.BaseProtocol:
        assert self._protocol is not None
        return self._protocol
