"""People and programs at the HTTP door, over streams in memory: one request, or many on a kept connection."""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from simulation.machine.network import MemoryTransport, SimulatedNetwork

DOOR = ("127.0.0.1", 7420)
ANSWERS_WITHIN_S = 8.0
FIELDS = "Host: 127.0.0.1:7420\r\nContent-Type: application/json\r\n"


class NoAnswerError(Exception):
    """The daemon is not there, went away, or did not answer in time."""


@dataclass(frozen=True)
class Answer:
    """An answer of the HTTP door, as it came."""

    asked: str
    status: int
    octets: bytes


Hear = Callable[[Answer], object]


def nobody(answer: Answer) -> None:
    """Hear of no answer."""


class Connection(asyncio.Protocol):
    """A connection to the HTTP door, which answers in order; `ended` is true once it is lost."""

    def __init__(self, network: SimulatedNetwork, hear: Hear = nobody) -> None:
        self._hear = hear
        self._octets = b""
        self._waiting: deque[tuple[str, asyncio.Future[Answer]]] = deque()
        self.ended = False
        try:
            self.transport: MemoryTransport = network.connect(DOOR, self)
        except OSError as error:
            raise NoAnswerError(str(error)) from error

    def send(self, method: str, path: str, text: bytes = b"") -> asyncio.Future[Answer]:
        """Send a request; the answer comes later."""
        self.transport.write(request(method, path, text))
        return self.expect(f"{method} {path}")

    def expect(self, asked: str) -> asyncio.Future[Answer]:
        """Expect one answer more, to octets that were written to the transport."""
        future: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        if self.ended:
            future.set_exception(NoAnswerError("the connection ended"))
        else:
            self._waiting.append((asked, future))
        return future

    async def ask(
        self, method: str, path: str, text: bytes = b"", within_s: float = ANSWERS_WITHIN_S
    ) -> Answer:
        """Return the answer to a request. Raises NoAnswerError."""
        return await answer_of(self.send(method, path, text), within_s)

    def leave(self) -> None:
        self.transport.abort()

    def data_received(self, data: bytes) -> None:
        self._octets += data
        while self._take():
            pass

    def _take(self) -> bool:
        """Take one whole answer off what came; return false if there is none yet."""
        head, gap, rest = self._octets.partition(b"\r\n\r\n")
        if not gap:
            return False
        lines = head.decode("latin-1").split("\r\n")
        fields = dict(line.lower().split(": ", 1) for line in lines[1:])
        length = int(fields.get("content-length", 0))
        if len(rest) < length:
            return False
        self._octets = rest[length:]
        asked, future = self._waiting.popleft() if self._waiting else ("nothing", None)
        answer = Answer(asked, int(lines[0].split()[1]), rest[:length])
        self._hear(answer)
        if future is not None and not future.done():
            future.set_result(answer)
        return True

    def connection_lost(self, exc: Exception | None) -> None:
        self.ended = True
        for _, future in self._waiting:
            if not future.done():
                future.set_exception(NoAnswerError("the connection ended"))
                future.exception()
        self._waiting.clear()


def request(method: str, path: str, text: bytes = b"") -> bytes:
    """Return the octets of a request."""
    head = f"{method} {path} HTTP/1.1\r\n{FIELDS}Content-Length: {len(text)}\r\n\r\n"
    return head.encode() + text


async def answer_of(future: asyncio.Future[Answer], within_s: float = ANSWERS_WITHIN_S) -> Answer:
    """Wait for an answer. Raises NoAnswerError."""
    try:
        async with asyncio.timeout(within_s):
            return await future
    except TimeoutError:
        raise NoAnswerError("no answer in time") from None


async def ask(
    network: SimulatedNetwork,
    method: str,
    path: str,
    body: Any = None,
    within_s: float = ANSWERS_WITHIN_S,
    hear: Hear = nobody,
) -> tuple[int, Any]:
    """Return status and JSON of one request, on a connection of its own. Raises NoAnswerError."""
    connection = Connection(network, hear)
    text = b"" if body is None else json.dumps(body).encode()
    try:
        answer = await connection.ask(method, path, text, within_s)
    finally:
        connection.leave()
    return answer.status, json.loads(answer.octets)


async def ask_slowly(
    network: SimulatedNetwork, text: bytes, pieces: Sequence[float], hear: Hear = nobody
) -> Answer:
    """Give an order in pieces, with a pause before each [s]. Raises NoAnswerError."""
    connection = Connection(network, hear)
    octets = request("POST", "/api/v1/do", text)
    size = len(octets) // len(pieces) + 1
    future = connection.expect("POST /api/v1/do")
    try:
        for number, pause_s in enumerate(pieces):
            await asyncio.sleep(pause_s)
            connection.transport.write(octets[number * size : (number + 1) * size])
        return await answer_of(future, ANSWERS_WITHIN_S)
    finally:
        connection.leave()
