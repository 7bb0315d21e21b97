"""Readers of the state over a WebSocket. Frames are written and read here by hand (RFC 6455, 5.2)."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import json
from collections.abc import Callable, Iterator
from random import Random
from typing import Any

from simulation.machine.network import MemoryTransport, SimulatedNetwork
from simulation.visitors.visitors import DOOR, NoAnswerError

TEXT, CLOSE, PING, PONG = 1, 8, 9, 10
FINAL, MASKED = 0x80, 0x80
GUID = b"258EAFA5-E914-47DA-95CA-C5AB0DC85B11"
"""RFC 6455, 1.3."""


def frame(opcode: int, payload: bytes, mask: bytes) -> bytes:
    """Return a frame of a client, which is masked and, here, short."""
    assert len(payload) < 126
    masked = bytes(octet ^ mask[place % 4] for place, octet in enumerate(payload))
    return bytes((FINAL | opcode, MASKED | len(payload))) + mask + masked


def strict_json(text: bytes) -> Any:
    """Return what JSON says. Raises ValueError, also for NaN and infinity."""

    def refuse(constant: str) -> Any:
        raise ValueError(f"{constant} is not JSON")

    return json.loads(text, parse_constant=refuse)


class LiveReader(asyncio.Protocol):
    """Keeps the state that the daemon sends. Raises NoAnswerError if nobody listens.

    Attributes:
        state: the whole state, None until it came.
        changed: true if the last text changed something.
        closed: code and reason of the daemon's close frame.
        ended: true once the connection is lost.
    """

    def __init__(
        self, network: SimulatedNetwork, random: Random, complain: Callable[[str, str], object]
    ) -> None:
        self._random, self._complain = random, complain
        self._octets, self._is_open = b"", False
        self.state: dict[str, Any] | None = None
        self.texts = 0
        self.closed: tuple[int, str] | None = None
        self.ended = False
        self.refused: int | None = None
        self._key = base64.b64encode(random.randbytes(16))
        try:
            self.transport: MemoryTransport = network.connect(DOOR, self)
        except OSError as error:
            raise NoAnswerError(str(error)) from error
        self.transport.write(
            b"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1:7420\r\nUpgrade: websocket\r\n"
            b"Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Protocol: fillside.v1\r\n"
            b"Sec-WebSocket-Key: " + self._key + b"\r\n\r\n"
        )

    def say(self, opcode: int, payload: bytes = b"") -> None:
        self.transport.write(frame(opcode, payload, self._random.randbytes(4)))

    def leave(self, politely: bool) -> None:
        """Leave by a close frame, or just go."""
        if politely and self._is_open:
            self.say(CLOSE, (1000).to_bytes(2, "big"))
            self.transport.close()
        else:
            self.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        self.ended = True

    def data_received(self, data: bytes) -> None:
        self._octets += data
        if not self._is_open and not self._shake_hands():
            return
        for opcode, payload in self._frames():
            self._take(opcode, payload)

    def _shake_hands(self) -> bool:
        head, gap, rest = self._octets.partition(b"\r\n\r\n")
        if not gap:
            return False
        self._octets = rest
        status = int(head.split()[1])
        if status != 101:
            self.refused = status
            self.transport.abort()
            return False
        accept = base64.b64encode(hashlib.sha1(self._key + GUID).digest())
        if accept not in head:
            self._complain("live", "the handshake does not answer the reader's key")
        self._is_open = True
        return True

    def _frames(self) -> Iterator[tuple[int, bytes]]:
        while len(self._octets) >= 2:
            first, length = self._octets[0], self._octets[1]
            start = {126: 4, 127: 10}.get(length, 2)
            if len(self._octets) < start:
                return
            size = int.from_bytes(self._octets[2:start], "big") if start > 2 else length
            if len(self._octets) < start + size:
                return
            if length & MASKED or not first & FINAL:
                self._complain("live", "a frame of the daemon is masked or in parts")
            payload, self._octets = self._octets[start : start + size], self._octets[start + size :]
            yield first & 0x0F, payload

    def _take(self, opcode: int, payload: bytes) -> None:
        if opcode == PING:
            self.say(PONG, payload)
        elif opcode == CLOSE:
            self.closed = int.from_bytes(payload[:2], "big"), payload[2:].decode()
            self.say(CLOSE, payload[:2])
            self.transport.close()
        elif opcode == TEXT:
            self._read(payload)

    def _read(self, payload: bytes) -> None:
        self.texts += 1
        try:
            found = strict_json(payload)
        except ValueError as error:
            self._complain("live", f"a text of the live page is no JSON: {error}")
            return
        if self.state is None and set(found) == {"full"}:
            self.state = found["full"]
        elif self.state is not None and set(found) == {"changed"}:
            self.state = {**self.state, **found["changed"]}
        else:
            self._complain("live", f"text {self.texts} has {sorted(found)}")
