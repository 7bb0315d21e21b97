"""What the daemon says of itself, on stderr: one line a message, for people or as JSON."""

from __future__ import annotations

import json
import logging
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Literal

from fillside.visible import in_one_line, visible

Form = Literal["plain", "json"]
AGAIN_AFTER_S = 60.0
MOST_KINDS = 500
OURS = ("fillside", "fillside_drivers")
OF_VISITORS = ("fillside.access", "fillside.interfaces")


class Sparing(logging.Filter):
    """Of each kind of trouble a line a minute at most, with how many more there were since the last.

    What libraries and the doors say is of one kind whatever it is about, for visitors can make it come in any
    number; of what we say ourselves only the same words are.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._said: dict[tuple[str, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        if record.levelno < logging.WARNING:
            return True
        now_s, kind = self._clock(), (record.name, _kind(record))
        at_s, left_out = self._said.get(kind, (-AGAIN_AFTER_S, 0))
        if now_s - at_s < AGAIN_AFTER_S:
            self._said[kind] = at_s, left_out + 1
            return False
        if len(self._said) >= MOST_KINDS:
            self._said = {key: seen for key, seen in self._said.items() if now_s - seen[0] < AGAIN_AFTER_S}
        self._said[kind] = now_s, 0
        if left_out:
            record.msg, record.args = f"{record.getMessage()} (and {left_out} more like it)", ()
        return True


def _kind(record: logging.LogRecord) -> str:
    if _under(record.name, OURS) and not _under(record.name, OF_VISITORS):
        return record.getMessage()
    # asyncio writes the objects concerned into further lines.
    return str(record.msg).partition("\n")[0]


def _under(name: str, rooms: tuple[str, ...]) -> bool:
    return any(name == room or name.startswith(room + ".") for room in rooms)


class _Plain(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        word = "" if record.levelno <= logging.INFO else f"{record.levelname.lower()}: "
        trace = f"\n{visible(self.formatException(record.exc_info))}" if record.exc_info else ""
        return f"fillside: {word}{in_one_line(record.getMessage())}{trace}"


class _Json(logging.Formatter):
    """One object a line: when (ISO 8601, UTC), how bad, who says it, and what."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        said = {
            "at": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "from": record.name,
            "message": record.getMessage(),
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
