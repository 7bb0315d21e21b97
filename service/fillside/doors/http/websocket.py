"""``GET /api/v1/live``: the whole state, then what changes, over a WebSocket."""

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
"""What the system may hold back for one reader: who is further behind shall be known to be."""
SEND_AT_MOST_S = 5.0
NO_LONGER_GOOD = "this token is no longer good"


async def serve_live(
    request: web.Request, live: Live, gate: Gate, good: Callable[[], bool]
) -> web.StreamResponse:
    """Tell one reader until it leaves, does not keep up, is not `good` any more, or the daemon stops.

    That is asked before each text, so that one who was shut out hears nothing more; since something is said
    at least every `BEAT_S`, its connection ends within that.
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
    _bound_what_waits(request.transport)
    async with live.join() as reader:
        telling = asyncio.create_task(_tell(socket, reader, live, good), name="live reader")
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


async def _tell(socket: web.WebSocketResponse, reader: Reader, live: Live, good: Callable[[], bool]) -> None:
    try:
        while True:
            text = await reader.next()
            if not good():
                await _bid_farewell(socket, WSCloseCode.POLICY_VIOLATION, NO_LONGER_GOOD)
                return
            async with asyncio.timeout(SEND_AT_MOST_S):
                await socket.send_str(text)
    except DroppedError as dropped:
        stops = str(dropped).startswith("stopping")
        code = WSCloseCode.GOING_AWAY if stops else WSCloseCode.TRY_AGAIN_LATER
        await _bid_farewell(socket, code, str(dropped))
    except TimeoutError:
        reason = f"too slow: nothing taken for {SEND_AT_MOST_S:g} s"
        live.drop(reader, reason)
        await _bid_farewell(socket, WSCloseCode.TRY_AGAIN_LATER, reason)
    except (ConnectionError, RuntimeError):
        return  # it left while being told


async def _bid_farewell(socket: web.WebSocketResponse, code: WSCloseCode, reason: str) -> None:
    """Close with the reason; one who takes nothing does not get to hold the connection open."""
    with contextlib.suppress(TimeoutError, ConnectionError, RuntimeError):
        async with asyncio.timeout(1.0):
            await socket.close(code=code, message=reason.encode("utf-8")[:120])
            return
    transport = socket._req.transport if socket._req is not None else None
    if transport is not None:
        transport.abort()
