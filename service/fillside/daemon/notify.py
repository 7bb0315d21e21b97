"""The protocol of systemd's service notifications: datagrams to the socket that systemd names.

Reference: sd_notify(3), with the "Notes" on `NOTIFY_SOCKET` and the stable protocol; `RELOADING=1` requires
`MONOTONIC_USEC=` beside it. sd_watchdog_enabled(3) for `WATCHDOG_USEC` and `WATCHDOG_PID`.
"""

from __future__ import annotations

import logging
import os
import socket
import time
from collections.abc import Callable, Mapping

log = logging.getLogger(__name__)

PINGS_A_PERIOD = 4
"""sd_watchdog_enabled(3) recommends half the period; four leave room for a turn that ends late."""
LONGEST_STATUS = 200


class Notifier:
    """Sends notifications to systemd, or none if `environ` names no socket."""

    def __init__(self, environ: Mapping[str, str], clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environ)
        self._pinged_at = -float("inf")
        self._status = ""

    @property
    def wanted(self) -> bool:
        """True if a service manager listens."""
        return self._address is not None

    def ready(self, status: str) -> None:
        """Report the end of the start or of a reload."""
        self._status = _one_line(status)
        self._send("READY=1", f"STATUS={self._status}")

    def reloading(self) -> None:
        now_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        self._send("RELOADING=1", f"MONOTONIC_USEC={now_us}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def status(self, text: str) -> None:
        """Report a status line for people, if it has changed."""
        line = _one_line(text)
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def turn_completed(self) -> None:
        """Ping the watchdog. Only a completed control turn calls this: a timer would ping for a dead loop."""
        if self.watchdog_s is None:
            return
        now = self._clock()
        if now - self._pinged_at >= self.watchdog_s / PINGS_A_PERIOD:
            self._pinged_at = now
            self._send("WATCHDOG=1")

    def _send(self, *lines: str) -> None:
        if self._address is None:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.setblocking(False)
                sender.sendto("\n".join(lines).encode("utf-8"), self._address)
        except OSError as error:
            log.debug("the service manager cannot be reached: %s", error)


def _address(named: str) -> str | None:
    """Return the socket address of a path, or of "@" and a name in the abstract namespace."""
    if named.startswith("@"):
        return "\0" + named[1:]
    return named if named.startswith("/") else None


def _watchdog_s(environ: Mapping[str, str]) -> float | None:
    """Return the watchdog's period [s]; None if this process has none."""
    text = environ.get("WATCHDOG_USEC", "")
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        return None
    if environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    return int(text) / 1e6


def _one_line(text: str) -> str:
    return " ".join(text.split())[:LONGEST_STATUS]
