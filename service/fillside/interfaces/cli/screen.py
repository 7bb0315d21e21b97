"""A few lines of a terminal that are drawn again and again in place."""

from __future__ import annotations

import shutil
import sys


class Screen:
    """Draws lines over the ones drawn before; each is written over, none cleared first: no flicker."""

    def __init__(self) -> None:
        self._drawn = 0

    def draw(self, lines: list[str]) -> None:
        width, height = shutil.get_terminal_size()
        shown = [line[: width - 1] for line in lines[: height - 1]]
        up = f"\x1b[{self._drawn}A" if self._drawn else ""
        body = "".join(f"\r{line}\x1b[K\n" for line in shown)
        sys.stdout.write(f"\x1b[?25l{up}{body}\x1b[J")
        sys.stdout.flush()
        self._drawn = len(shown)

    def end(self) -> None:
        sys.stdout.write("\x1b[?25h")
        sys.stdout.flush()
