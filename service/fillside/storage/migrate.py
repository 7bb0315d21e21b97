"""Bringing a database to the present schema: SQL files, one a step, in the order of their numbers.

A new table is a new file `migrations/NNNN_what_it_is_for.sql` with the next number; files that were released
are never edited. Each step runs in one transaction together with its number, so a step is done whole or not
at all.
"""

from __future__ import annotations

import re
import sqlite3
from functools import cache
from importlib.resources import files
from pathlib import Path

from fillside.storage.errors import DataTooNewError

MOST_STEPS = 9999
"""A file's number has four digits: a database of a later schema was never written by any Fillside."""
_NAME = re.compile(r"(\d{4})_[a-z0-9_]+\.sql")


@cache
def migrations() -> tuple[str, ...]:
    """The SQL of every step, in order; step n is `migrations()[n - 1]`."""
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
    """Run the steps that are missing and return how many ran."""
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
