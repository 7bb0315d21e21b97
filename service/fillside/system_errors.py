"""Explains errors of the system and of the database in words a person can act on, for the whole service."""

from __future__ import annotations

import sqlite3

from fillside_drivers.plain_errors import package_missing
from fillside_drivers.plain_errors import why as of_the_system

__all__ = ["package_missing", "why"]

_OF_SQLITE = {
    "database or disk is full": "the disk is full",
    "readonly database": "the folder or the file may not be written to",
    "disk I/O error": "the disk reports an error; is it full, read-only or broken?",
    "unable to open database file": "the file cannot be opened; see the folder and its permissions",
    "database is locked": "another program holds the file",
    "file is not a database": "the file is damaged",
    "malformed": "the file is damaged",
}


def why(error: BaseException) -> str:
    """Return the reason as a clause to follow a colon."""
    if isinstance(error, sqlite3.Error):
        text = str(error)
        return next((words for part, words in _OF_SQLITE.items() if part in text), text)
    return of_the_system(error)
