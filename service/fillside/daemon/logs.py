"""The daemon's log on stderr: one line per message, as plain text or as JSON.

A repeated message is written a few times and then once a minute with the number of skipped ones, so that a
fault in every message of a tracker does not fill the disk.
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
OWN = ("fillside", "fillside_drivers")
CAUSED_BY_VISITORS = ("fillside.access", "fillside.doors")


class RepeatFilter(logging.Filter):
    """Passes some messages of a kind at once, then one a minute, with the number skipped since the last.

    For libraries and doors, the kind of a warning is its text without arguments, since visitors can cause any
    number of them, and one passes at once. For all other messages, the kind is a line of the program, and
    LOG_LINE_BURST pass: several lamps may be lost in one moment.
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
        if passes := left >= 1.0:
            if left_out:
                record.msg, record.args = f"{record.getMessage()} (and {left_out} more like it)", ()
            left, left_out = left - 1.0, 0
        else:
            left_out += 1
        if len(self._kinds) >= MOST_KINDS:
            del self._kinds[next(iter(self._kinds))]
        self._kinds[kind] = (left, now_s, left_out)
        return passes


def _kind(record: logging.LogRecord) -> tuple[float, tuple[str | int, ...]]:
    """Return the number of messages of this kind that pass at once, and the kind."""
    is_own = _under(record.name, OWN) and not _under(record.name, CAUSED_BY_VISITORS)
    if is_own or record.levelno < logging.WARNING:
        return float(LOG_LINE_BURST), (record.pathname, record.lineno)
    # asyncio adds the objects concerned on further lines.
    return 1.0, (record.name, str(record.msg).partition("\n")[0])


def _under(name: str, packages: tuple[str, ...]) -> bool:
    return any(name == package or name.startswith(package + ".") for package in packages)


def _below(record: logging.LogRecord) -> list[str]:
    """Return the further lines of a message, given as `extra={"below": …}`.

    Newlines within a message are escaped, since external text might forge a log line.
    """
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
    """One JSON object per line: time (ISO 8601, UTC), level, logger and message."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        entry = {
            "at": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "from": record.name,
            "message": "\n".join([record.getMessage(), *_below(record)]),
        }
        if record.exc_info:
            entry["trace"] = self.formatException(record.exc_info)
        return json.dumps(entry)


def log_to_stderr(level: int = logging.INFO, form: Form = "plain") -> None:
    """Write every message of Fillside and its drivers to stderr."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Json() if form == "json" else _Plain("%(message)s"))
    handler.addFilter(RepeatFilter())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    for name in OWN:
        logging.getLogger(name).setLevel(level)
