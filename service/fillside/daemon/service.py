"""The daemon as a system service: reports readiness, reloads, the end, and a status line."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from fillside.belief.result.expanded_uncertainty import around, decimals
from fillside.daemon.first_start import show_cautions
from fillside.daemon.notify import Notifier
from fillside.daemon.reload import ReloadableParts, reload, see_out_lamps_that_left
from fillside.doors.http.listening import ListenError
from fillside.runtime.readiness import Readiness, readiness

if TYPE_CHECKING:
    from fillside.daemon.composition import Settings

log = logging.getLogger(__name__)

STATUS_EVERY_S = 5.0
CHECK_EVERY_S = 0.2
"""The interval of checks until the light is first held."""
BEATS_A_PERIOD = 4


class Service:
    """Reports to the service manager, and carries out the reloads it asks for."""

    def __init__(self, parts: ReloadableParts, settings: Settings, notifier: Notifier) -> None:
        self._parts, self._settings, self._notifier = parts, settings, notifier
        self._started = False
        runner = parts.runner
        runner.turned = notifier.turn_completed
        if notifier.watchdog_s is not None:
            runner.beat_s = min(runner.beat_s, notifier.watchdog_s / BEATS_A_PERIOD)

    def ready(self) -> None:
        """Report that the start, or a reload, is done."""
        self._notifier.ready(self._status())

    def stopping(self) -> None:
        self._notifier.stopping()

    async def reload_when(self, asked: asyncio.Event) -> None:
        """Reload the rig file and certificate whenever `asked` is set, until cancelled."""
        await see_out_lamps_that_left(self._parts)
        while True:
            await asked.wait()
            asked.clear()
            self._notifier.reloading()
            await self._reload()
            self.ready()

    async def _reload(self) -> None:
        if self._settings.tls is not None:
            try:
                # Not on a thread: a handshake in between would get the new certificate with the old key.
                self._settings.tls.renew()
            except ListenError as error:
                log.error("the certificate stays as it was: %s", error)
        if self._settings.rig_file is None:
            log.error("there is no rig file to reload")
        elif await reload(self._parts, self._settings.rig_file):
            with self._parts.runner.jobs.fence("cautions"):
                await self.show_cautions()

    async def show_cautions(self) -> None:
        """Log the cautions of the rig that were not shown before, on a thread."""
        await asyncio.to_thread(show_cautions, self._parts.rig, self._parts.store)

    async def report_status(self) -> None:
        """Report readiness once, then the status on change, until cancelled."""
        if not self._notifier.wanted:
            return
        while not self._started and not self._readiness().started:
            self._notifier.status(self._status())
            await asyncio.sleep(CHECK_EVERY_S)
        if not self._started:
            self._started = True
            self.ready()
        with self._parts.runner.watching() as changed:
            while True:
                await changed.wait()
                changed.clear()
                self._notifier.status(self._status())
                await asyncio.sleep(STATUS_EVERY_S)

    def _readiness(self) -> Readiness:
        return readiness(self._parts.runner, self._parts.store)

    def _status(self) -> str:
        now = self._readiness()
        line = status_line(self._parts.runner.state())
        return line if now.ready else f"not ready: {now.says[0]}; {line}"


def status_line(state: Mapping[str, Any]) -> str:
    """Return the status line that the service manager shows.

    >>> now = {"ratio_error_stops": 0.01, "exposure_error_stops": -0.2}
    >>> heads = [{"works": True}, {"works": False}]
    >>> status_line({"rig": "corner", "mode": "follow", "achieved": now, "heads": heads, "notes": []})
    'corner: follow; ratio +0.01 stop and exposure -0.20 stop off the wanted; 1 of 2 heads work'
    """
    light, heads = state["achieved"], state["heads"]
    parts = [f"{state['rig']}: {state['mode']}"]
    if light["ratio_error_stops"] is None or light["exposure_error_stops"] is None:
        parts.append("there is no ratio now")
    else:
        ratio, exposure = light["ratio_error_stops"], light["exposure_error_stops"]
        within = state.get("uncertainty") or {}
        off = [_error(ratio, within.get("ratio_stops")), _error(exposure, within.get("exposure_stops"))]
        parts.append(f"ratio {off[0]} and exposure {off[1]} off the wanted")
    working = sum(bool(head["works"]) for head in heads)
    parts.append(f"{working} of {len(heads)} {'head works' if len(heads) == 1 else 'heads work'}")
    if not (state.get("storage") or {}).get("kept", True):
        parts.append("nothing is stored")
    return "; ".join([*parts, *state["notes"][-1:]])


def _error(error_stops: float, within_stops: float | None) -> str:
    """Format an error, or only its uncertainty if the error rounds to 0."""
    if within_stops is None:
        return f"{error_stops:+.2f} stop"
    text = f"{error_stops:+.{decimals(within_stops)}f}"
    return f"within {around(within_stops)}" if float(text) == 0 else f"{text} {around(within_stops)}"
