"""The cautions of a rig, shown when its light first comes up, and later those that a change of the rig adds.

What was shown is kept in the data folder, cause by cause: a softbox that joins the rig brings the caution on
closed modifiers with it, and a rehearsal with simulated lamps does not count for the lamps that follow.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from collections.abc import Iterable, Iterator
from itertools import groupby
from shutil import get_terminal_size
from textwrap import wrap

from fillside.rig.checks.cautions import Caution, cautions_of
from fillside.rig.tables.model import Rig
from fillside.storage.store import Store
from fillside.storage.writer import PersistentJob

log = logging.getLogger(__name__)

NARROWEST, WIDEST = 60, 110
LOGGED_AFTER = len("fillside: ")
SIMULATED = "sim"


def show_cautions(rig: Rig, store: Store) -> None:
    """Log the cautions of a rig that its data folder does not have as shown, and keep that they were.

    Reads the disk; not for the event loop's thread.
    """
    name = f"cautions shown for {rig.rig.name}"
    known = _shown(store, name)
    due = {caution: causes for caution in cautions_of(rig) if (causes := set(_causes(caution, rig)) - known)}
    if not due:
        return
    opening, *below = block(due, rig, first=not known, width=_width())
    log.info("%s", opening, extra={"below": below})
    known.update(*due.values())
    store.keep(_keeping(name, json.dumps(sorted(known))), synced=False)


def block(cautions: Iterable[Caution], rig: Rig, *, first: bool, width: int = WIDEST) -> list[str]:
    """The cautions as they stand in a terminal: a line before them, then group by group."""
    of = rig.rig.name
    opening = f"mind with the lamps of {of}" if first else f"mind as well, with what is new in {of}"
    opening += " (also in `fillside check`; local codes and licensed people first):"
    lines = wrap(opening, width - LOGGED_AFTER)
    for group, members in groupby(cautions, key=lambda caution: caution.group):
        lines.append(f"  {group}")
        for caution in members:
            lines += wrap(caution.says, width, initial_indent="  - ", subsequent_indent="    ")
    return lines


def _width() -> int:
    """The letters in a line of the terminal, as far as lines of that length are read easily."""
    return max(NARROWEST, min(WIDEST, get_terminal_size((WIDEST, 24)).columns))


def _causes(caution: Caution, rig: Rig) -> Iterator[str]:
    """What a caution is remembered by: its key, with each head that gives cause for it."""
    rehearsed = {
        head.name
        for head in rig.heads
        if head.drive is not None and rig.drivers[head.drive.driver].kind == SIMULATED
    }
    real = {head.name for head in rig.heads if head.drive is not None} - rehearsed
    for head in caution.cause.heads or ("",):
        simulated = head in rehearsed if head else bool(rehearsed) and not real
        yield " ".join(filter(None, (caution.key, head, "simulated" if simulated else "")))


def _shown(store: Store, name: str) -> set[str]:
    found = store.rows("identity", "WHERE name = ?", (name,))
    try:
        kept = json.loads(found[0][1]) if found else []
    except ValueError:
        return set()
    return {cause for cause in kept if isinstance(cause, str)} if isinstance(kept, list) else set()


def _keeping(name: str, value: str) -> PersistentJob:
    def job(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT OR REPLACE INTO identity (name, value) VALUES (?, ?)", (name, value))

    return PersistentJob(job, key=name)
