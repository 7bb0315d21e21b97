"""The listening socket: who may come in at all, by a `ConnectionTable`, and each connection's way through it.

asyncio's own server takes every connection, and where there is no file handle left it says so in 256 log
lines at a time. This one decides before a connection costs anything, and where handles are short it ends
silent connections and tries again a little later.
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
from typing import cast

from aiohttp import web

from fillside.background.turns import Turnstile
from fillside.doors.http.connection_limits import TROUBLE, ConnectionLimits, ConnectionTable, End, Visit
from fillside.orders.answers import Refusal

log = logging.getLogger(__name__)

ACCEPTS_PER_TURN = 16
"""Some 0.2 ms each: a frame waits no longer than 3 ms for newcomers."""
REST_S = 0.2
"""How long nobody is taken while there is no file handle."""
LOOK_EVERY_S = 1.0
SAY_EVERY_S = 60.0
CLEAR_AFTER = 100
"""Connections with TLS that went, or never came to be: each leaves a quarter of a MB held in cycles, which
the collector counts as some ten small objects. To clear so many away takes a few ms."""
GOODBYE_S = 2.0
"""For TLS' own goodbye."""
WRITE_AHEAD = 16 * 1024
"""Answers beyond what the system holds for a connection wait with us, one at a time above this."""
FILES_WANTED = 4096
_NO_HANDLE = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})
_IN_WORDS: dict[End, str] = {
    "one_address": "too many from one address",
    "all": "too many in all",
    "files": "no file handle left",
    "long": "more sent ahead than a request may have",
}

Server = Callable[[], asyncio.BaseProtocol]
Clock = Callable[[], float]


def files_allowed() -> int:
    """How many files this process may have open, after asking for as many as are wanted."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = FILES_WANTED if hard == resource.RLIM_INFINITY else min(FILES_WANTED, hard)
    if soft == resource.RLIM_INFINITY:
        return FILES_WANTED
    if soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
    return max(soft, most)


def _cancel(task: asyncio.Task[None]) -> None:
    task.cancel()


class _Connection(asyncio.Protocol):
    """Stands between a transport and the server's own protocol, and says what passes."""

    def __init__(self, gate: Gate, visit: Visit, inner: asyncio.Protocol) -> None:
        self._gate, self._visit, self._inner = gate, visit, inner

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        end = cast(asyncio.Transport, transport)
        end.set_write_buffer_limits(high=WRITE_AHEAD)
        self._visit.end = end.abort
        self._gate.know(self._visit, self._inner)
        self._inner.connection_made(transport)

    def data_received(self, data: bytes) -> None:
        self._gate.crowd.took(self._visit, len(data))
        self._inner.data_received(data)

    def eof_received(self) -> bool | None:
        return self._inner.eof_received()

    def pause_writing(self) -> None:
        self._inner.pause_writing()

    def resume_writing(self) -> None:
        self._inner.resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        self._gate.forget(self._visit, self._inner)
        self._inner.connection_lost(exc)


class Gate:
    """The door's own: all connections, and the turns in which their requests are answered."""

    def __init__(self, clock: Clock, limits: ConnectionLimits | None = None) -> None:
        self.crowd = ConnectionTable(limits or ConnectionLimits().within(files_allowed()), clock)
        self._clock = clock
        self._turns = Turnstile()
        self._visits: dict[asyncio.BaseProtocol, Visit] = {}
        self._coming: set[asyncio.Task[None]] = set()
        self._cleared = 0
        self._said_at = -SAY_EVERY_S
        self._said: dict[End, int] = {}

    @asynccontextmanager
    async def open(
        self, listener: socket.socket, server: Server, tls: ssl.SSLContext | None
    ) -> AsyncIterator[None]:
        """Take connections while inside; those that are there at the end are the server's to close."""
        loop = asyncio.get_running_loop()
        listener.setblocking(False)
        rest: asyncio.TimerHandle | None = None

        def accept() -> None:
            nonlocal rest
            if not self._accept(listener, server, tls):
                loop.remove_reader(listener)
                rest = loop.call_later(REST_S, loop.add_reader, listener, accept)

        loop.add_reader(listener, accept)
        try:
            yield
        finally:
            loop.remove_reader(listener)
            if rest is not None:
                rest.cancel()
            for task in tuple(self._coming):
                task.cancel()
            await asyncio.gather(*self._coming, return_exceptions=True)

    def _accept(self, listener: socket.socket, server: Server, tls: ssl.SSLContext | None) -> bool:
        """Take some of those who wait; whether more can be taken in the next turn."""
        if tls is not None:
            self._clear_away()
        for _ in range(ACCEPTS_PER_TURN):
            try:
                bare, peer = listener.accept()
            except OSError as error:
                if error.errno not in _NO_HANDLE:
                    return True  # nobody waits any more, or the one who did has gone
                self.crowd.make_room()
                return False
            visit = self.crowd.admit(str(peer[0]), "handshake" if tls else "head")
            if visit is None:
                bare.close()
                continue
            bare.setblocking(False)
            task = asyncio.get_running_loop().create_task(self._take(bare, visit, server, tls))
            visit.end = partial(_cancel, task)
            self._coming.add(task)
            task.add_done_callback(self._coming.discard)
        return True

    async def _take(
        self, bare: socket.socket, visit: Visit, server: Server, tls: ssl.SSLContext | None
    ) -> None:
        def connection() -> _Connection:
            return _Connection(self, visit, cast(asyncio.Protocol, server()))

        loop, limits = asyncio.get_running_loop(), self.crowd.limits
        if tls is not None:
            # A handshake costs milliseconds, and gets a turn of its own.
            try:
                await self._turns.through(visit.party)
            except asyncio.CancelledError:
                bare.close()
                raise
        try:
            await loop.connect_accepted_socket(
                connection,
                bare,
                ssl=tls,
                ssl_handshake_timeout=limits.handshake_s if tls else None,
                ssl_shutdown_timeout=GOODBYE_S if tls else None,
            )
        except OSError:
            self.crowd.leave(visit)  # it left in the handshake, or spoke something else

    def know(self, visit: Visit, inner: asyncio.BaseProtocol) -> None:
        """A connection stands, and its request is waited for."""
        self._visits[inner] = visit
        self.crowd.at(visit, "head")

    def forget(self, visit: Visit, inner: asyncio.BaseProtocol) -> None:
        self.crowd.leave(visit)
        self._visits.pop(inner, None)

    @asynccontextmanager
    async def passing(self, request: web.Request) -> AsyncIterator[None]:
        """One request on its way: in its turn, and worked for until it is answered."""
        visit = self._visits.get(request.protocol)
        if visit is None:
            yield
            return
        await self._turn(visit, request)
        try:
            yield
        finally:
            # What is left of a body is still on its way, and read to nobody.
            self.crowd.at(visit, "answer" if request.content.is_eof() else "body")

    async def _turn(self, visit: Visit, request: web.Request) -> None:
        self.crowd.at(visit, "queue")
        await self._turns.through(visit.party)
        if request.transport is None:
            raise ConnectionResetError("it was ended while it waited")
        self.crowd.at(visit, "busy")

    async def body_of(self, request: web.Request) -> bytes:
        """The whole body. Raises Refusal where it does not come in time, or is too long."""
        visit = self._visits.get(request.protocol)
        if visit is not None:
            self.crowd.at(visit, "body")
        within_s, body = self.crowd.limits.body_s, None
        try:
            async with asyncio.timeout(within_s):
                body = await request.read()
        except TimeoutError:
            pass
        except RuntimeError:
            if request.transport is None:  # aiohttp's word for it, before the first wait
                raise ConnectionResetError("it went before its body came") from None
            raise
        if visit is not None:
            await self._turn(visit, request)
        if body is None:
            raise Refusal("bad_order", f"the order did not come whole within {within_s:g} s", status=408)
        return body

    def watches(self, request: web.Request) -> None:
        """A WebSocket is about to be opened. Raises Refusal (too_many) where its address has enough."""
        visit = self._visits.get(request.protocol)
        if visit is None:
            return
        if not self.crowd.may_watch(visit):
            raise Refusal("too_many", "enough are looking on from this address already")
        self.crowd.at(visit, "watch")

    async def keep_order(self) -> None:
        """End what is overdue, and say once a minute at most whom there was no room for; until cancelled."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            self.look()

    def look(self) -> None:
        self.crowd.look()
        now_s, ended = self._clock(), self.crowd.ended
        news = {why: ended[why] - self._said.get(why, 0) for why in TROUBLE}
        if now_s - self._said_at < SAY_EVERY_S or not any(news.values()):
            return
        parts = [f"{_IN_WORDS[why]} ({count})" for why, count in news.items() if count]
        most = self.crowd.ended_of.most_common(1)
        whose = f"; most of them from {most[0][0]}" if most else ""
        log.warning("%d connections ended: %s%s", sum(news.values()), ", ".join(parts), whose)
        self._said, self._said_at = dict(ended), now_s
        self.crowd.ended_of.clear()

    def _clear_away(self) -> None:
        """Have the memory of those who went given back before there is much of it."""
        gone = self.crowd.left - self._cleared
        if gone >= CLEAR_AFTER:
            self._cleared += gone
            gc.collect()
