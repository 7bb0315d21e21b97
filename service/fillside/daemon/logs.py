"""What the daemon says of itself, on stderr: one line a message, for people or as JSON.

What is said again and again is said some times and then once a minute, with how often it was left out: a
fault that comes with every message of a tracker fills no disk.
"""

from __future__ import annotations

import json
import logging
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Literal

from fillside.bounds import LOG_LINE_BURST
from fillside.text.escapes import escape_controls, escape_to_one_line

Form = Literal["plain", "json"]
MINUTE_S = 60.0
MOST_KINDS = 1_000
OURS = ("fillside", "fillside_drivers")
OF_VISITORS = ("fillside.access", "fillside.doors")


class Sparing(logging.Filter):
    """Of each kind of message some at once, then one a minute, with how many more there were since the last.

    Warnings of libraries and of the doors are of one kind whatever they are about, for visitors can make them
    come in any number, and one of them is let through at once. Of what else is said, a kind is what one line
    of the program says, and LOG_LINE_BURST are: several lamps may be lost in one moment.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._kinds: dict[tuple[str | int, ...], tuple[float, float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        now_s = self._clock()
        most, kind = _kind(record)
        left, at_s, left_out = self._kinds.pop(kind, (most, now_s, 0))
        left = min(most, left + (now_s - at_s) / MINUTE_S)
        if is_said := left >= 1.0:
            if left_out:
                record.msg, record.args = f"{record.getMessage()} (and {left_out} more like it)", ()
            left, left_out = left - 1.0, 0
        else:
            left_out += 1
        if len(self._kinds) >= MOST_KINDS:
            del self._kinds[next(iter(self._kinds))]
        self._kinds[kind] = (left, now_s, left_out)
        return is_said


def _kind(record: logging.LogRecord) -> tuple[float, tuple[str | int, ...]]:
    """How many of a message's kind may come at once, and the kind."""
    is_ours = _under(record.name, OURS) and not _under(record.name, OF_VISITORS)
    if is_ours or record.levelno < logging.WARNING:
        return float(LOG_LINE_BURST), (record.pathname, record.lineno)
    # asyncio writes the objects concerned into further lines.
    return 1.0, (record.name, str(record.msg).partition("\n")[0])


def _under(name: str, rooms: tuple[str, ...]) -> bool:
    return any(name == room or name.startswith(room + ".") for room in rooms)


def _below(record: logging.LogRecord) -> list[str]:
    """The lines that a message of ours goes on in, as `extra={"below": …}`: an end of a line within a message
    is an escape, since what came from elsewhere might forge a line by one."""
    return list(getattr(record, "below", ()))


class _Plain(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        word = "" if record.levelno <= logging.INFO else f"{record.levelname.lower()}: "
        trace = f"\n{escape_controls(self.formatException(record.exc_info))}" if record.exc_info else ""
        lines = [
            f"fillside: {word}{escape_to_one_line(record.getMessage())}",
            *map(escape_to_one_line, _below(record)),
        ]
        return "\n".join(lines) + trace


class _Json(logging.Formatter):
    """One object a line: when (ISO 8601, UTC), how bad, who says it, and what."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        said = {
            "at": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "from": record.name,
            "message": "\n".join([record.getMessage(), *_below(record)]),
        }
        if record.exc_info:
            said["trace"] = self.formatException(record.exc_info)
        return json.dumps(said)


def log_to_stderr(level: int = logging.INFO, form: Form = "plain") -> None:
    """Send every message of Fillside and its drivers to stderr."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Json() if form == "json" else _Plain("%(message)s"))
    handler.addFilter(Sparing())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    for name in OURS:
        logging.getLogger(name).setLevel(level)
