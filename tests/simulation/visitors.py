"""People and programs at the HTTP door, over streams in memory."""

from __future__ import annotations

import asyncio
import json
from typing import Any

from simulation.network import SimulatedNetwork

DOOR = ("127.0.0.1", 7420)
ANSWERS_WITHIN_S = 8.0


class NoAnswerError(Exception):
    """The daemon is not there, went away, or did not answer in time."""


class _Answer(asyncio.Protocol):
    """Collects one answer."""

    def __init__(self) -> None:
        self.octets = b""
        self.done: asyncio.Future[tuple[int, bytes]] = asyncio.get_running_loop().create_future()

    def data_received(self, data: bytes) -> None:
        self.octets += data
        head, gap, body = self.octets.partition(b"\r\n\r\n")
        if not gap or self.done.done():
            return
        lines = head.decode("latin-1").split("\r\n")
        fields = dict(line.lower().split(": ", 1) for line in lines[1:])
        if len(body) >= int(fields.get("content-length", 0)):
            self.done.set_result((int(lines[0].split()[1]), body))

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.done.done():
            self.done.set_exception(NoAnswerError("the connection ended"))


async def ask(
    network: SimulatedNetwork, method: str, path: str, body: Any = None, within_s: float = ANSWERS_WITHIN_S
) -> tuple[int, Any]:
    """Return status and JSON of one request. Raises NoAnswerError."""
    protocol = _Answer()
    try:
        transport = network.connect(DOOR, protocol)
    except OSError as error:
        raise NoAnswerError(str(error)) from error
    text = b"" if body is None else json.dumps(body).encode()
    head = f"{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:7420\r\nContent-Length: {len(text)}\r\n"
    transport.write((head + "Content-Type: application/json\r\n\r\n").encode() + text)
    try:
        async with asyncio.timeout(within_s):
            status, found = await protocol.done
    except TimeoutError:
        raise NoAnswerError("no answer in time") from None
    finally:
        transport.abort()
    return status, json.loads(found)
