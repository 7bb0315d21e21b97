"""``fillside watch``: the state live, as a table that stands still."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import time
from typing import Any

import click

from fillside.cli.client import Daemon, live_options
from fillside.cli.group import Failure
from fillside.cli.parameters import SecondsType
from fillside.cli.render.state import block, one_line
from fillside.cli.terminal import TerminalScreen

FRESH_S = 0.2
"""How often a terminal is drawn again at most; a line without one at most once a second."""
FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 8.0
LONGEST_S = 30 * 86_400


class Lines:
    """For a pipe or a log: a line when something changed, at most one a second."""

    def __init__(self, as_json: bool) -> None:
        self._as_json = as_json
        self._last, self._said_at = "", 0.0

    def state(self, state: dict[str, Any]) -> None:
        text = json.dumps(state) if self._as_json else one_line(state)
        now = time.monotonic()
        if text != self._last and (self._as_json or now - self._said_at >= 1.0):
            click.echo(text)
            sys.stdout.flush()
            self._last, self._said_at = text, now


@click.command(
    epilog="""\b
Examples:
  fillside watch              ends with Ctrl-C
  fillside watch --json       a state a line
"""
)
@click.option("--seconds", type=SecondsType(0, LONGEST_S), metavar="N", help="End by itself after N seconds.")
@live_options
def watch(seconds: float | None, url: str, token: str | None, as_json: bool) -> None:
    """Ratio, face, exposure and levels, live, until Ctrl-C."""
    daemon = Daemon(url, token)
    daemon.state()  # a daemon that is not there, or a wrong token, is said before anything is drawn
    on_screen = sys.stdout.isatty() and not as_json
    screen, lines = TerminalScreen(), Lines(as_json)

    def show(state: dict[str, Any], note: str = "") -> None:
        if on_screen:
            screen.draw([*([note, ""] if note else []), *block(state)])
        elif note:
            click.echo(f"fillside: {note}", err=True)
        else:
            lines.state(state)

    try:
        asyncio.run(_watch(daemon, show, seconds))
    finally:
        if on_screen:
            screen.end()


async def _watch(daemon: Daemon, show: Any, seconds: float | None) -> None:
    """The seconds count from what is shown first: connecting may take longer than they are."""
    try:
        async with asyncio.timeout(None) as limit:

            def shown(*what: Any) -> None:
                show(*what)
                if seconds is not None and limit.when() is None:
                    limit.reschedule(asyncio.get_running_loop().time() + seconds)

            await _stay_in_touch(daemon, shown)
    except TimeoutError:
        return


async def _stay_in_touch(daemon: Daemon, show: Any) -> None:
    import aiohttp

    state: dict[str, Any] = {}
    wait_s = FIRST_WAIT_S
    heard: list[str] = []
    connector = aiohttp.TCPConnector(ssl=daemon.tls() or True)
    async with aiohttp.ClientSession(headers=daemon.headers(), connector=connector) as session:
        while True:
            try:
                async with session.ws_connect(f"{daemon.url}/api/v1/live", heartbeat=10.0) as socket:
                    wait_s = FIRST_WAIT_S
                    await _listen(socket, state, show, heard)
                    why = "the daemon closed the connection"
            except aiohttp.WSServerHandshakeError as error:
                if error.status in (401, 403):
                    raise Failure("the daemon lets nobody look on with this token") from error
                why = f"the daemon answers {error.status}"
            except (aiohttp.ClientError, OSError) as error:
                from fillside.system_errors import why as reason

                why = reason(getattr(error, "os_error", None) or error)
            as_of = f"; this is as of {heard[-1]}, the lamps may have changed" if heard else ""
            show(state, f"not connected ({why}){as_of}; trying again every {wait_s:g} s at most")
            await asyncio.sleep(wait_s)
            wait_s = min(LONGEST_WAIT_S, wait_s * 2)


async def _listen(socket: Any, state: dict[str, Any], show: Any, heard: list[str]) -> None:
    """Show what comes, but no more often than eyes want it; the newest is always shown in the end.

    `heard` holds the time of day at which something came last.
    """
    changed = asyncio.Event()

    async def draw() -> None:
        while True:
            await changed.wait()
            changed.clear()
            show(state)
            await asyncio.sleep(FRESH_S)

    drawing = asyncio.create_task(draw(), name="drawing")
    try:
        async for message in socket:
            said = json.loads(message.data)
            heard[:] = [time.strftime("%H:%M:%S")]
            if "full" in said:
                state.clear()
            state.update(said.get("full") or said.get("changed") or {})
            changed.set()
            if drawing.done():
                break
    finally:
        drawing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await drawing
