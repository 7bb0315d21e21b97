"""Contract: `watch` does not show as present what it heard before the daemon went."""

from __future__ import annotations

import asyncio
import re
from typing import Any

from aiohttp import web
from aiohttp.test_utils import TestServer

from fillside.cli.client import Daemon
from fillside.cli.commands.watch import _stay_in_touch


async def test_a_daemon_that_goes_is_said_with_when_it_was_last_heard() -> None:
    seen: list[tuple[dict[str, Any], str]] = []
    said = asyncio.Event()

    async def live(request: web.Request) -> web.WebSocketResponse:
        socket = web.WebSocketResponse()
        await socket.prepare(request)
        await socket.send_json({"full": {"mode": "follow"}})
        await socket.close()
        return socket

    def show(state: dict[str, Any], note: str = "") -> None:
        seen.append((dict(state), note))
        if note:
            said.set()

    app = web.Application()
    app.router.add_get("/api/v1/live", live)
    async with TestServer(app) as server:
        watching = asyncio.create_task(_stay_in_touch(Daemon(str(server.make_url("/")), None), show))
        await asyncio.wait_for(said.wait(), 20)
        watching.cancel()
    state, note = seen[-1]
    assert state == {"mode": "follow"}
    assert re.fullmatch(
        r"not connected \(the daemon closed the connection\); this is as of \d\d:\d\d:\d\d, the lamps may "
        r"have changed; trying again every [\d.]+ s at most",
        note,
    )
