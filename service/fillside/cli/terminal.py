"""The terminal: what is written there shows control characters and never acts by them, but for our own.

A few lines can be drawn again and again in place.
"""

from __future__ import annotations

import io
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from fillside.text.escapes import escape_controls, escape_to_one_line


class _Visible(io.TextIOWrapper):
    """A stream to people. A first carriage return is ours: it draws over a line of our own."""

    def write(self, text: str) -> int:
        first = "\r" if text.startswith("\r") else ""
        return super().write(first + escape_controls(text[len(first) :]))

    def steer(self, text: str) -> None:
        """Write our own control sequences as they are."""
        super().write(text)


@contextmanager
def shown_visibly() -> Iterator[None]:
    """Whatever is written to stdout and stderr meanwhile is shown, and steers nothing."""
    before = sys.stdout, sys.stderr
    own = []
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, io.TextIOWrapper):
            stream.flush()
            made = _Visible(
                stream.buffer, stream.encoding, stream.errors, line_buffering=stream.line_buffering
            )
            own.append(made)
            setattr(sys, name, made)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
        for made in own:
            made.detach()


def steer(text: str) -> None:
    """Write our own control sequences to stdout."""
    (sys.stdout.steer if isinstance(sys.stdout, _Visible) else sys.stdout.write)(text)
    sys.stdout.flush()


class TerminalScreen:
    """Draws lines over the ones drawn before; each is written over, none cleared first: no flicker."""

    def __init__(self) -> None:
        self._drawn = 0

    def draw(self, lines: list[str]) -> None:
        width, height = shutil.get_terminal_size()
        shown = [line[: width - 1] for line in lines[: height - 1]]
        up = f"\x1b[{self._drawn}A" if self._drawn else ""
        body = "".join(f"\r{escape_to_one_line(line)}\x1b[K\n" for line in shown)
        steer(f"\x1b[?25l{up}{body}\x1b[J")
        self._drawn = len(shown)

    def end(self) -> None:
        steer("\x1b[?25h")
