"""The terminal: escapes control characters in all output except our own, and redraws a few lines in place."""

from __future__ import annotations

import io
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from fillside.text.escapes import escape_controls, escape_to_one_line


class _EscapingStream(io.TextIOWrapper):
    """A stream that escapes control characters, except a leading carriage return, which redraws a line."""

    def write(self, text: str) -> int:
        first = "\r" if text.startswith("\r") else ""
        return super().write(first + escape_controls(text[len(first) :]))

    def steer(self, text: str) -> None:
        """Write control sequences of our own unescaped."""
        super().write(text)


@contextmanager
def escaped_output() -> Iterator[None]:
    """Escape control characters in whatever is written to stdout and stderr while inside."""
    before = sys.stdout, sys.stderr
    streams = []
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, io.TextIOWrapper):
            stream.flush()
            made = _EscapingStream(
                stream.buffer, stream.encoding, stream.errors, line_buffering=stream.line_buffering
            )
            streams.append(made)
            setattr(sys, name, made)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
        for made in streams:
            made.detach()


def steer(text: str) -> None:
    """Write control sequences of our own to stdout."""
    (sys.stdout.steer if isinstance(sys.stdout, _EscapingStream) else sys.stdout.write)(text)
    sys.stdout.flush()


class TerminalScreen:
    """Redraws lines in place without clearing them first, so that nothing flickers."""

    def __init__(self) -> None:
        self._line_count = 0

    def draw(self, lines: list[str]) -> None:
        width, height = shutil.get_terminal_size()
        visible_lines = [line[: width - 1] for line in lines[: height - 1]]
        up = f"\x1b[{self._line_count}A" if self._line_count else ""
        body = "".join(f"\r{escape_to_one_line(line)}\x1b[K\n" for line in visible_lines)
        steer(f"\x1b[?25l{up}{body}\x1b[J")
        self._line_count = len(visible_lines)

    def end(self) -> None:
        steer("\x1b[?25h")
