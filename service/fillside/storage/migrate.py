"""Migration of a database to the present schema: numbered SQL files, one per step.

A new table is a new file `migrations/NNNN_purpose.sql` with the next number; released files are never edited.
Each step runs in one transaction together with its number, so it is done completely or not at all.
"""

from __future__ import annotations

import re
import sqlite3
from functools import cache
from importlib.resources import files
from pathlib import Path

from fillside.storage.errors import DataTooNewError

MOST_STEPS = 9999
"""A file's number has four digits, so no Fillside ever wrote a database of a later schema."""
_NAME = re.compile(r"(\d{4})_[a-z0-9_]+\.sql")


@cache
def migrations() -> tuple[str, ...]:
    """Return the SQL of every step, in order; step n is `migrations()[n - 1]`."""
    steps: dict[int, str] = {}
    for entry in (files("fillside.storage") / "migrations").iterdir():
        if match := _NAME.fullmatch(entry.name):
            number = int(match[1])
            if number in steps:
                raise ValueError(f"two migrations have the number {number}")
            steps[number] = entry.read_text("utf-8")
    if sorted(steps) != list(range(1, len(steps) + 1)):
        raise ValueError(f"migrations are numbered {sorted(steps)}, not from 1 without a gap")
    return tuple(steps[number] for number in sorted(steps))


def migrate(connection: sqlite3.Connection, path: Path) -> int:
    """Run the missing steps and return their number; raises DataTooNewError for a later schema."""
    found: int = connection.execute("PRAGMA user_version").fetchone()[0]
    steps = migrations()
    if found > len(steps):
        raise DataTooNewError(path, found, len(steps))
    for number in range(found + 1, len(steps) + 1):
        try:
            connection.executescript(
                f"BEGIN IMMEDIATE;\n{steps[number - 1]}\nPRAGMA user_version = {number};\nCOMMIT;"
            )
        except sqlite3.Error:
            if connection.in_transaction:
                connection.rollback()
            raise
    return len(steps) - found
