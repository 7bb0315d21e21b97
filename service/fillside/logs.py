"""What the daemon says of itself, on stderr: one line a message, for people or as JSON."""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime
from typing import Literal

from fillside.visible import in_one_line, visible

Form = Literal["plain", "json"]


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
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    for name in ("fillside", "fillside_drivers"):
        logging.getLogger(name).setLevel(level)
