"""Keys typed in a terminal, read one by one. The terminal is restored however reading ends."""

from __future__ import annotations

import os
import select
import signal
import sys
import termios
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from fillside.doors.keys.escape_codes import Decoder
from fillside.doors.keys.presses import LOOK_UP_S, Press

ESCAPE_S = 0.05
"""A control sequence arrives in one piece; a lone escape for this long is the escape key [s]."""


@contextmanager
def single_keys(fd: int) -> Iterator[None]:
    """Read single keys without echo while inside; Ctrl-C and Ctrl-Z work as ever."""
    before = termios.tcgetattr(fd)

    def resumed(_number: int, _frame: FrameType | None) -> None:
        # After Ctrl-Z and `fg` the shell has set the terminal its own way.
        tty.setcbreak(fd)

    old = signal.signal(signal.SIGCONT, resumed)
    try:
        tty.setcbreak(fd)
        yield
    finally:
        signal.signal(signal.SIGCONT, old)
        # A terminal that has gone needs no restoring.
        with suppress(termios.error):
            termios.tcsetattr(fd, termios.TCSADRAIN, before)


class Terminal:
    """The presses of a terminal, until it is closed."""

    name = "this terminal"

    def __init__(self, fd: int | None = None) -> None:
        self._fd = sys.stdin.fileno() if fd is None else fd
        self._decoder = Decoder()

    @contextmanager
    def opened(self) -> Iterator[Iterator[Press]]:
        with single_keys(self._fd):
            yield self._presses()

    def drain(self) -> None:
        """Drop unread keys."""
        termios.tcflush(self._fd, termios.TCIFLUSH)
        self._decoder.flush()

    def _presses(self) -> Iterator[Press]:
        while True:
            wait_s = ESCAPE_S if self._decoder.waits else LOOK_UP_S
            ready, _, _ = select.select([self._fd], [], [], wait_s)
            try:
                octets = os.read(self._fd, 1024) if ready else b""
            except OSError:
                return  # the terminal has gone
            if ready and not octets:
                return
            names = self._decoder.feed(octets) if ready else self._decoder.flush()
            now_s = time.monotonic()
            for name in names:
                yield Press(name, now_s)
