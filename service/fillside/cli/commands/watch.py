"""``fillside watch``: the live state as a table, redrawn in place."""

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
from fillside.cli.render.state import one_line, state_lines
from fillside.cli.terminal import TerminalScreen

DRAW_EVERY_S = 0.2
"""The shortest time between two drawings on a terminal; without one, lines are a second apart."""
FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 8.0
LONGEST_S = 30 * 86_400


class LinePrinter:
    """Prints a line for a pipe or a log when the state has changed, at most one a second."""

    def __init__(self, as_json: bool) -> None:
        self._as_json = as_json
        self._last, self._printed_at = "", 0.0

    def state(self, state: dict[str, Any]) -> None:
        text = json.dumps(state) if self._as_json else one_line(state)
        now = time.monotonic()
        if text != self._last and (self._as_json or now - self._printed_at >= 1.0):
            click.echo(text)
            sys.stdout.flush()
            self._last, self._printed_at = text, now


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
    """Show ratio, face, exposure and levels, live, until Ctrl-C."""
    daemon = Daemon(url, token)
    daemon.state()  # Report a missing daemon or a wrong token before drawing anything.
    on_screen = sys.stdout.isatty() and not as_json
    screen, printer = TerminalScreen(), LinePrinter(as_json)

    def show(state: dict[str, Any], note: str = "") -> None:
        if on_screen:
            screen.draw([*([note, ""] if note else []), *state_lines(state)])
        elif note:
            click.echo(f"fillside: {note}", err=True)
        else:
            printer.state(state)

    try:
        asyncio.run(_watch(daemon, show, seconds))
    finally:
        if on_screen:
            screen.end()


async def _watch(daemon: Daemon, show: Any, seconds: float | None) -> None:
    """Count `seconds` from the first drawing, since connecting alone may take longer."""
    try:
        async with asyncio.timeout(None) as limit:

            def show_and_start(*parts: Any) -> None:
                show(*parts)
                if seconds is not None and limit.when() is None:
                    limit.reschedule(asyncio.get_running_loop().time() + seconds)

            await _stay_in_touch(daemon, show_and_start)
    except TimeoutError:
        return


async def _stay_in_touch(daemon: Daemon, show: Any) -> None:
    import aiohttp

    state: dict[str, Any] = {}
    wait_s = FIRST_WAIT_S
    last_message: list[str] = []
    connector = aiohttp.TCPConnector(ssl=daemon.tls() or True)
    async with aiohttp.ClientSession(headers=daemon.headers(), connector=connector) as session:
        while True:
            try:
                async with session.ws_connect(f"{daemon.url}/api/v1/live", heartbeat=10.0) as socket:
                    wait_s = FIRST_WAIT_S
                    await _listen(socket, state, show, last_message)
                    why = "the daemon closed the connection"
            except aiohttp.WSServerHandshakeError as error:
                if error.status in (401, 403):
                    raise Failure("the daemon lets nobody look on with this token") from error
                why = f"the daemon answers {error.status}"
            except (aiohttp.ClientError, OSError) as error:
                from fillside.system_errors import why as reason

                why = reason(getattr(error, "os_error", None) or error)
            as_of = f"; this is as of {last_message[-1]}, the lamps may have changed" if last_message else ""
            show(state, f"not connected ({why}){as_of}; trying again every {wait_s:g} s at most")
            await asyncio.sleep(wait_s)
            wait_s = min(LONGEST_WAIT_S, wait_s * 2)


async def _listen(socket: Any, state: dict[str, Any], show: Any, last_message: list[str]) -> None:
    """Show the state as it changes, at most every `DRAW_EVERY_S`; the newest is always shown in the end.

    `last_message` receives the time of day of the latest message.
    """
    changed = asyncio.Event()

    async def draw() -> None:
        while True:
            await changed.wait()
            changed.clear()
            show(state)
            await asyncio.sleep(DRAW_EVERY_S)

    drawing = asyncio.create_task(draw(), name="drawing")
    try:
        async for message in socket:
            update = json.loads(message.data)
            last_message[:] = [time.strftime("%H:%M:%S")]
            if "full" in update:
                state.clear()
            state.update(update.get("full") or update.get("changed") or {})
            changed.set()
            if drawing.done():
                break
    finally:
        drawing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await drawing
