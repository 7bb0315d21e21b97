"""Telling the service manager how we are: one datagram to the socket it named, and nothing without one.

Reference: sd_notify(3), with the "Notes" on `NOTIFY_SOCKET` and the stable protocol; `RELOADING=1` wants
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
"""sd_watchdog_enabled(3) recommends half the period; a turn that ends late must not be the last."""
LONGEST_STATUS = 200


class Notifier:
    """Speaks with systemd; silent where `environ` names no socket."""

    def __init__(self, environ: Mapping[str, str], clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environ)
        self._pinged_at = -float("inf")
        self._status = ""

    @property
    def wanted(self) -> bool:
        """Whether anybody listens."""
        return self._address is not None

    def ready(self, status: str) -> None:
        """Started, or done with a reload."""
        self._status = _one_line(status)
        self._say("READY=1", f"STATUS={self._status}")

    def reloading(self) -> None:
        now_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        self._say("RELOADING=1", f"MONOTONIC_USEC={now_us}")

    def stopping(self) -> None:
        self._say("STOPPING=1")

    def status(self, text: str) -> None:
        """A line for people, sent when it is another."""
        line = _one_line(text)
        if line != self._status:
            self._status = line
            self._say(f"STATUS={line}")

    def turn_completed(self) -> None:
        """Called after each completed control turn and by nothing else: a timer pings for the dead."""
        if self.watchdog_s is None:
            return
        now = self._clock()
        if now - self._pinged_at >= self.watchdog_s / PINGS_A_PERIOD:
            self._pinged_at = now
            self._say("WATCHDOG=1")

    def _say(self, *lines: str) -> None:
        if self._address is None:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as speaker:
                speaker.setblocking(False)
                speaker.sendto("\n".join(lines).encode("utf-8"), self._address)
        except OSError as error:
            log.debug("the service manager does not hear: %s", error)


def _address(named: str) -> str | None:
    """A path, or "@" and a name in the abstract namespace, whose first octet is zero."""
    if named.startswith("@"):
        return "\0" + named[1:]
    return named if named.startswith("/") else None


def _watchdog_s(environ: Mapping[str, str]) -> float | None:
    """The watchdog's period in seconds; None when there is none for this process."""
    text = environ.get("WATCHDOG_USEC", "")
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        return None
    if environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    return int(text) / 1e6


def _one_line(text: str) -> str:
    return " ".join(text.split())[:LONGEST_STATUS]
