"""The stored rows that cannot be read, collected over a run and described for people."""

from __future__ import annotations

import logging
import threading

from fillside.storage.rows import TABLES

log = logging.getLogger(__name__)

MOST_COUNTED = 10_000
_WITHOUT = {
    "remembered": "what was remembered of the light cannot be read; it begins from the rig file",
    "undoable": "earlier orders cannot be taken back any more: what was kept of them cannot be read",
}
"""Consequences of a missing row, for these tables."""


class UnreadableRows:
    """Counts rejected rows, each once. Thread-safe."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._notes: tuple[str, ...] = ()
        self._rejected: dict[str, set[object]] = {}
        self._incomplete: dict[str, str] = {}

    @property
    def notes(self) -> tuple[str, ...]:
        """One line each: added notes, incomplete tables, and the number of rows left out."""
        with self._lock:
            failed = [
                f"not all {TABLES[name].several} can be read: {why}" for name, why in self._incomplete.items()
            ]
            left_out = [_left_out(name, len(bad)) for name, bad in self._rejected.items()]
        return (*self._notes, *failed, *left_out)

    def add_note(self, text: str) -> None:
        """Add a line that stays true until the end of this run."""
        with self._lock:
            if text not in self._notes:
                self._notes = (*self._notes, text)
                log.error("%s", text)

    def reject_row(self, table: str, row: object, why: str) -> None:
        """Count a row that was left out for being wrong."""
        with self._lock:
            known = self._rejected.setdefault(table, set())
            if row in known or len(known) >= MOST_COUNTED:
                return
            known.add(row)
            if str(len(known)).strip("0") == "1":
                log.error("a %s (%r) is left out: %s; %d so far", TABLES[table].one, row, why, len(known))

    def mark_incomplete(self, table: str, why: str) -> None:
        """Note that the table could not be read to its end."""
        with self._lock:
            if self._incomplete.get(table) != why:
                self._incomplete[table] = why
                log.error("the %s cannot all be read: %s", TABLES[table].several, why)

    def mark_complete(self, table: str) -> None:
        """Note that the table could be read."""
        with self._lock:
            self._incomplete.pop(table, None)


def _left_out(name: str, count: int) -> str:
    """
    >>> _left_out("journal", 2)
    '2 journal entries cannot be read and are left out'
    """
    table = TABLES[name]
    if name in _WITHOUT:
        return _WITHOUT[name]
    many = f"{count} {table.several} cannot be read and are"
    return f"{'one ' + table.one + ' cannot be read and is' if count == 1 else many} left out"
