"""The state from which a restart resumes, the orders that can be undone, and the installation's identity."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Any

from fillside.storage.rows import TABLES, BadRowError, Values
from fillside.storage.store import Store
from fillside.storage.writer import PersistentJob

MOST_UNDOABLE = 1_000
"""Limit far above that of the hold; a foreign table may have any number of rows."""


def save_state(store: Store, body: Any) -> Future[Any]:
    """Store `body` (JSON-able) as the state from which a restart resumes."""
    text = json.dumps(body, allow_nan=False, separators=(",", ":"))
    return store.keep(state_job(text, store.unix_clock()))


def state_job(text: str, unix_s: float) -> PersistentJob:
    """Return the job that stores `text`, JSON, as the state from which a restart resumes."""
    row = (unix_s, text)
    return PersistentJob(
        lambda connection: connection.execute(
            "INSERT INTO remembered (id, saved_at, body) VALUES (1, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET saved_at = excluded.saved_at, body = excluded.body",
            row,
        ),
        key="remembered",
    )


def undoable_orders_job(texts: Mapping[int, str]) -> PersistentJob:
    """Return the job that stores these orders, JSON by number, as the only undoable ones."""

    def job(connection: sqlite3.Connection) -> None:
        found = dict(connection.execute("SELECT id, body FROM undoable").fetchall())
        gone = [(number,) for number in found if number not in texts]
        fresh = [(number, text) for number, text in texts.items() if found.get(number) != text]
        connection.executemany("DELETE FROM undoable WHERE id = ?", gone)
        connection.executemany("INSERT OR REPLACE INTO undoable (id, body) VALUES (?, ?)", fresh)

    return PersistentJob(job, key="undoable")


def load_state(store: Store) -> Any | None:
    """Return the saved state of the last run, or None.

    `undoable` has the JSON of each order that can be undone, oldest first.
    """
    found = store.rows("remembered")
    if not found:
        return None
    # An order can be undone only if all later ones can be.
    orders = store.rows("undoable", "ORDER BY id DESC", most=MOST_UNDOABLE, unbroken=True)[::-1]
    return {**found[0][2], "undoable": [text for _, text in orders]} if orders else found[0][2]


def persistent_identity(store: Store, name: str, make: Callable[[], str], anew: bool = False) -> str:
    """Return this installation's value for `name`, made at the first call and constant from then on.

    With `anew`, or if the stored value is unreadable, a new value replaces it. It is stored before whatever
    is stored after this call, or as soon as the disk takes it; nobody waits.
    """
    if not anew and (found := store.rows("identity", "WHERE name = ?", (name,))):
        return str(found[0][1])
    made = make()

    def job(connection: sqlite3.Connection) -> None:
        row = connection.execute("SELECT name, value FROM identity WHERE name = ?", (name,)).fetchone()
        if anew or row is None or not _is_valid("identity", row):
            connection.execute("INSERT OR REPLACE INTO identity (name, value) VALUES (?, ?)", (name, made))

    store.keep(PersistentJob(job, key=f"identity {name}"))
    return made


def _is_valid(table: str, row: Values) -> bool:
    try:
        TABLES[table].check(row)
    except BadRowError:
        return False
    return True
