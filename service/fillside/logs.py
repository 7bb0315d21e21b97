"""What the daemon says of itself, on stderr: one line a message."""

from __future__ import annotations

import logging
import sys


class _Plain(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        word = "" if record.levelno <= logging.INFO else f"{record.levelname.lower()}: "
        return f"fillside: {word}{super().format(record)}"


def log_to_stderr(level: int = logging.INFO) -> None:
    """Send every message of Fillside and its drivers to stderr."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Plain("%(message)s"))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    for name in ("fillside", "fillside_drivers"):
        logging.getLogger(name).setLevel(level)
