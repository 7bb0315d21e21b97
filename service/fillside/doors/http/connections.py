"""The listening socket: accepts connections under the limits of a `ConnectionTable`, and tracks their phases.

asyncio's own server accepts every connection, and without a free file handle it writes 256 log lines at a
time. This one decides before a connection costs anything; when handles run short it ends silent connections
and retries a little later.
"""

from __future__ import annotations

import asyncio
import errno
import gc
import logging
import resource
import socket
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from typing import Any, cast

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError

from fillside.background.turns import Turnstile
from fillside.doors.http.connection_limits import (
    TROUBLE,
    ConnectionLimits,
    ConnectionTable,
    End,
    OpenConnection,
)
from fillside.doors.http.responses import unguarded_refusal
from fillside.orders.answers import Refusal

log = logging.getLogger(__name__)

ACCEPTS_PER_TURN = 16
"""Each takes about 0.2 ms, so a frame waits at most 3 ms for newcomers."""
PAUSE_S = 0.2
"""The pause in accepting while there is no file handle."""
CHECK_EVERY_S = 1.0
REPORT_EVERY_S = 60.0
COLLECT_AFTER = 100
"""Closed TLS connections leave a quarter of a MB each in reference cycles, which the garbage collector counts
as about ten small objects. Collecting this many takes a few ms."""
TLS_SHUTDOWN_S = 2.0
"""The time for the closing messages of TLS [s]."""
WRITE_AHEAD = 16 * 1024
"""The send buffer above which a handler waits for its connection."""
FILES_WANTED = 4096
MOST_HEADERS = 64
SHUTDOWN_S = 1.0
LINGERING_S = 2.0
"""The time for which the rest of an unwanted body is read, so that its sender gets the answer."""
IDLE_S = 30.0
_NO_HANDLE = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})
_REASON_TEXTS: dict[End, str] = {
    "one_address": "too many from one address",
    "all": "too many in all",
    "files": "no file handle left",
    "long": "more sent ahead than a request may have",
}

Server = Callable[[], asyncio.BaseProtocol]
Clock = Callable[[], float]


def files_allowed() -> int:
    """Raise the limit on open files toward `FILES_WANTED`, and return it."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = FILES_WANTED if hard == resource.RLIM_INFINITY else min(FILES_WANTED, hard)
    if soft == resource.RLIM_INFINITY:
        return FILES_WANTED
    if soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
    return max(soft, most)


def _cancel(task: asyncio.Task[None]) -> None:
    task.cancel()


class _GatedProtocol(asyncio.Protocol):
    """Sits between a transport and the server's protocol, and reports to the gate."""

    def __init__(self, gate: Gate, connection: OpenConnection, inner: asyncio.Protocol) -> None:
        self._gate, self._connection, self._inner = gate, connection, inner

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        end = cast(asyncio.Transport, transport)
        end.set_write_buffer_limits(high=WRITE_AHEAD)
        self._connection.end = end.abort
        self._gate.register(self._connection, self._inner)
        self._inner.connection_made(transport)

    def data_received(self, data: bytes) -> None:
        self._gate.table.count_octets(self._connection, len(data))
        self._inner.data_received(data)

    def eof_received(self) -> bool | None:
        return self._inner.eof_received()

    def pause_writing(self) -> None:
        self._inner.pause_writing()

    def resume_writing(self) -> None:
        self._inner.resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        self._gate.unregister(self._connection, self._inner)
        self._inner.connection_lost(exc)


class Gate:
    """Accepts connections, and gives each request a turn of the event loop."""

    def __init__(self, clock: Clock, limits: ConnectionLimits | None = None) -> None:
        self.table = ConnectionTable(limits or ConnectionLimits().within(files_allowed()), clock)
        self._clock = clock
        self._turns = Turnstile()
        self._connections: dict[asyncio.BaseProtocol, OpenConnection] = {}
        self._accepting: set[asyncio.Task[None]] = set()
        self._collected = 0
        self._reported_at = -REPORT_EVERY_S
        self._reported: dict[End, int] = {}

    @asynccontextmanager
    async def open(
        self, listener: socket.socket, server: Server, tls: ssl.SSLContext | None
    ) -> AsyncIterator[None]:
        """Accept connections while inside; the server closes those that are open at the end."""
        loop = asyncio.get_running_loop()
        listener.setblocking(False)
        pause: asyncio.TimerHandle | None = None

        def accept() -> None:
            nonlocal pause
            if not self._accept(listener, server, tls):
                loop.remove_reader(listener)
                pause = loop.call_later(PAUSE_S, loop.add_reader, listener, accept)

        loop.add_reader(listener, accept)
        try:
            yield
        finally:
            loop.remove_reader(listener)
            if pause is not None:
                pause.cancel()
            for task in tuple(self._accepting):
                task.cancel()
            await asyncio.gather(*self._accepting, return_exceptions=True)

    def _accept(self, listener: socket.socket, server: Server, tls: ssl.SSLContext | None) -> bool:
        """Accept some of the waiting connections; return true to accept more in the next turn."""
        if tls is not None:
            self._collect_closed()
        for _ in range(ACCEPTS_PER_TURN):
            try:
                bare, peer = listener.accept()
            except OSError as error:
                if error.errno not in _NO_HANDLE:
                    return True  # no connection waits any more, or the one that did has closed
                self.table.free_handle()
                return False
            connection = self.table.admit(str(peer[0]), "handshake" if tls else "head")
            if connection is None:
                bare.close()
                continue
            bare.setblocking(False)
            task = asyncio.get_running_loop().create_task(self._connect(bare, connection, server, tls))
            connection.end = partial(_cancel, task)
            self._accepting.add(task)
            task.add_done_callback(self._accepting.discard)
        return True

    async def _connect(
        self, bare: socket.socket, connection: OpenConnection, server: Server, tls: ssl.SSLContext | None
    ) -> None:
        def protocol() -> _GatedProtocol:
            return _GatedProtocol(self, connection, cast(asyncio.Protocol, server()))

        loop, limits = asyncio.get_running_loop(), self.table.limits
        if tls is not None:
            # A handshake costs milliseconds, so it gets a turn of its own.
            try:
                await self._turns.through(connection.address)
            except asyncio.CancelledError:
                bare.close()
                raise
        try:
            await loop.connect_accepted_socket(
                protocol,
                bare,
                ssl=tls,
                ssl_handshake_timeout=limits.handshake_s if tls else None,
                ssl_shutdown_timeout=TLS_SHUTDOWN_S if tls else None,
            )
        except OSError:
            self.table.remove(connection)  # it left during the handshake, or spoke something else

    def register(self, connection: OpenConnection, inner: asyncio.BaseProtocol) -> None:
        """Register an accepted connection, which is expected to send a request."""
        self._connections[inner] = connection
        self.table.set_phase(connection, "head")

    def unregister(self, connection: OpenConnection, inner: asyncio.BaseProtocol) -> None:
        self.table.remove(connection)
        self._connections.pop(inner, None)

    @asynccontextmanager
    async def serving(self, request: web.Request) -> AsyncIterator[None]:
        """Wait for the turn of a request, and mark its connection as busy while inside."""
        connection = self._connections.get(request.protocol)
        if connection is None:
            yield
            return
        await self._await_turn(connection, request)
        try:
            yield
        finally:
            # The rest of an unread body is still arriving.
            self.table.set_phase(connection, "answer" if request.content.is_eof() else "body")

    async def _await_turn(self, connection: OpenConnection, request: web.Request) -> None:
        self.table.set_phase(connection, "queue")
        await self._turns.through(connection.address)
        if request.transport is None:
            raise ConnectionResetError("the connection was ended while it waited")
        self.table.set_phase(connection, "busy")

    async def read_body(self, request: web.Request) -> bytes:
        """Read the whole body. Raises Refusal if it does not arrive in time or is too long."""
        if request.content.is_eof() and request.transport is not None:
            return await request.read()  # nothing to wait for, so the request still has its turn
        connection = self._connections.get(request.protocol)
        if connection is not None:
            self.table.set_phase(connection, "body")
        within_s, body = self.table.limits.body_s, None
        try:
            async with asyncio.timeout(within_s):
                body = await request.read()
        except TimeoutError:
            pass
        except RuntimeError:
            if request.transport is None:  # as aiohttp reports it before the first wait
                raise ConnectionResetError("the visitor left before the body arrived") from None
            raise
        if connection is not None:
            await self._await_turn(connection, request)
        if body is None:
            raise Refusal("bad_order", f"the order did not come whole within {within_s:g} s", status=408)
        return body

    def register_websocket(self, request: web.Request) -> None:
        """Register the WebSocket that a request opens. Raises Refusal (too_many) if
        its address has enough."""
        connection = self._connections.get(request.protocol)
        if connection is None:
            return
        if not self.table.may_open_websocket(connection):
            raise Refusal("too_many", "enough are looking on from this address already")
        self.table.set_phase(connection, "watch")

    async def run(self) -> None:
        """End overdue connections, and log refused ones once a minute at most, until cancelled."""
        while True:
            await asyncio.sleep(CHECK_EVERY_S)
            self.check()

    def check(self) -> None:
        self.table.end_overdue()
        now_s, ended = self._clock(), self.table.ended
        counts = {reason: ended[reason] - self._reported.get(reason, 0) for reason in TROUBLE}
        if now_s - self._reported_at < REPORT_EVERY_S or not any(counts.values()):
            return
        parts = [f"{_REASON_TEXTS[reason]} ({count})" for reason, count in counts.items() if count]
        most = self.table.ended_of.most_common(1)
        whose = f"; most of them from {most[0][0]}" if most else ""
        log.warning("%d connections ended: %s%s", sum(counts.values()), ", ".join(parts), whose)
        self._reported, self._reported_at = dict(ended), now_s
        self.table.ended_of.clear()

    def _collect_closed(self) -> None:
        """Free the memory of closed connections before it grows large."""
        closed = self.table.closed - self._collected
        if closed >= COLLECT_AFTER:
            self._collected += closed
            gc.collect()


def _is_own_fault(record: logging.LogRecord) -> bool:
    """Return true if a record is about a fault of Fillside; broken requests are only answered."""
    error = record.exc_info[1] if record.exc_info else None
    return not isinstance(error, HttpProcessingError | web.RequestPayloadError | ConnectionError)


wire_log = logging.getLogger("fillside.http")
wire_log.addFilter(_is_own_fault)


class _RequestProtocol(web.RequestHandler):
    """aiohttp's protocol, except that an unreadable request gets a refusal of the usual shape."""

    __slots__ = ()

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """Answer an unreadable request; the library would quote it on several lines."""
        answer = super().handle_error(request, status, exc, message)
        if status < 500:
            refusal = Refusal("bad_order", "this is no HTTP request that can be read", status=status)
            answer = unguarded_refusal(refusal)
            answer.force_close()
        return answer


@asynccontextmanager
async def serving(
    app: web.Application, bound: socket.socket, gate: Gate, tls: ssl.SSLContext | None = None
) -> AsyncIterator[None]:
    """Answer requests at `bound` while inside, on the connections that `gate` admits."""
    options: dict[str, Any] = {
        "access_log": None,
        "logger": wire_log,
        "keepalive_timeout": IDLE_S,
        "lingering_time": LINGERING_S,
        "max_headers": MOST_HEADERS,
    }
    runner = web.AppRunner(app, handle_signals=False, shutdown_timeout=SHUTDOWN_S, **options)
    await runner.setup()
    loop, server = asyncio.get_running_loop(), runner.server
    assert server is not None, "it was just set up"
    try:
        async with gate.open(bound, lambda: _RequestProtocol(server, loop=loop, **options), tls):
            yield
    finally:
        await runner.cleanup()
