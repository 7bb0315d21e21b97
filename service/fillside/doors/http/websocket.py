"""``GET /api/v1/live``: the whole state, then its changes, over a WebSocket."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from socket import SO_SNDBUF, SOL_SOCKET

from aiohttp import WSCloseCode, web

from fillside.doors.http.connections import Gate
from fillside.doors.http.request_checks import PROTOCOL
from fillside.orders.answers import Refusal
from fillside.runtime.live import MOST_READERS, DroppedError, Live, Reader

HEARTBEAT_S = 20.0
SEND_BUFFER = 64 * 1024
"""The system's buffer for one reader, small so that a slow reader is noticed."""
SEND_WITHIN_S = 5.0
NO_LONGER_GOOD = "this token is no longer good"


async def serve_live(
    request: web.Request, live: Live, gate: Gate, may_read: Callable[[], bool]
) -> web.StreamResponse:
    """Send the state to one reader until it leaves, falls behind or loses access, or the daemon stops.

    `may_read` is called before each message, so that a reader whose token was revoked gets nothing more;
    since a message is due at least every `BEAT_S`, its connection ends within that time.
    """
    if live.readers >= MOST_READERS:
        raise Refusal("too_many", f"{MOST_READERS} are looking on already")
    socket = web.WebSocketResponse(
        protocols=(PROTOCOL,), heartbeat=HEARTBEAT_S, max_msg_size=4096, compress=False
    )
    if not socket.can_prepare(request).ok:
        raise Refusal("bad_order", "this is a WebSocket; ask for the upgrade", "Upgrade", status=426)
    gate.register_websocket(request)
    await socket.prepare(request)
    _limit_send_buffer(request.transport)
    async with live.join() as reader:
        sender = asyncio.create_task(_send(socket, reader, live, may_read), name="live reader")
        try:
            # Messages of a reader are ignored; receiving notices that it left, and answers its pings.
            async for _ in socket:
                pass
        finally:
            sender.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await sender
    return socket


def _limit_send_buffer(transport: asyncio.Transport | None) -> None:
    bare = None if transport is None else transport.get_extra_info("socket")
    if bare is not None:
        bare.setsockopt(SOL_SOCKET, SO_SNDBUF, SEND_BUFFER)


async def _send(
    socket: web.WebSocketResponse, reader: Reader, live: Live, may_read: Callable[[], bool]
) -> None:
    try:
        while True:
            text = await reader.next()
            if not may_read():
                await _close(socket, WSCloseCode.POLICY_VIOLATION, NO_LONGER_GOOD)
                return
            async with asyncio.timeout(SEND_WITHIN_S):
                await socket.send_str(text)
    except DroppedError as dropped:
        stops = str(dropped).startswith("stopping")
        code = WSCloseCode.GOING_AWAY if stops else WSCloseCode.TRY_AGAIN_LATER
        await _close(socket, code, str(dropped))
    except TimeoutError:
        reason = f"too slow: nothing taken for {SEND_WITHIN_S:g} s"
        live.drop(reader, reason)
        await _close(socket, WSCloseCode.TRY_AGAIN_LATER, reason)
    except (ConnectionError, RuntimeError):
        return  # it left during a message


async def _close(socket: web.WebSocketResponse, code: WSCloseCode, reason: str) -> None:
    """Close with a reason; abort the connection of a reader that does not take it."""
    with contextlib.suppress(TimeoutError, ConnectionError, RuntimeError):
        async with asyncio.timeout(1.0):
            await socket.close(code=code, message=reason.encode("utf-8")[:120])
            return
    transport = socket._req.transport if socket._req is not None else None
    if transport is not None:
        transport.abort()
