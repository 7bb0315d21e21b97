"""``GET /api/v1/live``: the whole state, then what changes, over a WebSocket."""

from __future__ import annotations

import asyncio
import contextlib
from socket import SO_SNDBUF, SOL_SOCKET

from aiohttp import WSCloseCode, web

from fillside.answers import Refusal
from fillside.interfaces.http.guards import PROTOCOL
from fillside.live import MOST_READERS, DroppedError, Live, Reader

HEARTBEAT_S = 20.0
SEND_BUFFER = 64 * 1024
"""What the system may hold back for one reader: who is further behind shall be known to be."""
SEND_AT_MOST_S = 5.0


async def serve_live(request: web.Request, live: Live) -> web.StreamResponse:
    """Tell one reader until it leaves, does not keep up, or the daemon stops."""
    if live.readers >= MOST_READERS:
        raise Refusal("too_many", f"{MOST_READERS} are looking on already")
    socket = web.WebSocketResponse(
        protocols=(PROTOCOL,), heartbeat=HEARTBEAT_S, max_msg_size=4096, compress=False
    )
    if not socket.can_prepare(request).ok:
        raise Refusal("bad_order", "this is a WebSocket; ask for the upgrade", "Upgrade", status=426)
    await socket.prepare(request)
    _bound_what_waits(request.transport)
    async with live.join() as reader:
        telling = asyncio.create_task(_tell(socket, reader, live), name="live reader")
        try:
            # What a reader says is not listened to; reading finds out that it left, and answers its pings.
            async for _ in socket:
                pass
        finally:
            telling.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await telling
    return socket


def _bound_what_waits(transport: asyncio.Transport | None) -> None:
    bare = None if transport is None else transport.get_extra_info("socket")
    if bare is not None:
        bare.setsockopt(SOL_SOCKET, SO_SNDBUF, SEND_BUFFER)


async def _tell(socket: web.WebSocketResponse, reader: Reader, live: Live) -> None:
    try:
        while True:
            text = await reader.next()
            async with asyncio.timeout(SEND_AT_MOST_S):
                await socket.send_str(text)
    except DroppedError as dropped:
        await _bid_farewell(socket, str(dropped))
    except TimeoutError:
        reason = f"too slow: nothing taken for {SEND_AT_MOST_S:g} s"
        live.drop(reader, reason)
        await _bid_farewell(socket, reason)
    except (ConnectionError, RuntimeError):
        return  # it left while being told


async def _bid_farewell(socket: web.WebSocketResponse, reason: str) -> None:
    """Close with the reason; one who takes nothing does not get to hold the connection open."""
    code = WSCloseCode.GOING_AWAY if reason.startswith("stopping") else WSCloseCode.TRY_AGAIN_LATER
    with contextlib.suppress(TimeoutError, ConnectionError, RuntimeError):
        async with asyncio.timeout(1.0):
            await socket.close(code=code, message=reason.encode("utf-8")[:120])
            return
    transport = socket._req.transport if socket._req is not None else None
    if transport is not None:
        transport.abort()
