"""A wire between two ends of a TCP connection that a test can cut, leave cut, and mend."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator


class Relay:
    """Listens on a free port of loopback and carries everything to another port."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self.whole = True
        self.port = 0

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not self.whole:
            writer.transport.abort()
            return
        onward, back = await asyncio.open_connection("127.0.0.1", self._to)
        self._writers |= {writer, back}
        for source, sink in ((reader, back), (onward, writer)):
            task = asyncio.create_task(self._carry(source, sink))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _carry(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            while chunk := await source.read(65536):
                sink.write(chunk)
                await sink.drain()
        sink.close()

    def cut(self) -> None:
        """Break every connection at once, and let none through until `mend`."""
        self.whole = False
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    def mend(self) -> None:
        self.whole = True


@contextlib.asynccontextmanager
async def relay(port: int) -> AsyncIterator[Relay]:
    wire = Relay(port)
    server = await asyncio.start_server(wire._accept, "127.0.0.1", 0)
    wire.port = server.sockets[0].getsockname()[1]
    try:
        yield wire
    finally:
        server.close()
        wire.cut()
        for task in list(wire._tasks):
            task.cancel()
        await asyncio.gather(*wire._tasks, return_exceptions=True)
