"""The cautions of a rig, logged when its light first comes up, and those that a later change of the rig adds.

The data folder stores each cause for which a caution was shown: adding a softbox shows the caution on closed
modifiers, and a rehearsal with simulated lamps does not count for the real lamps.
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
    """Log the cautions of a rig that were not shown before, and record them as shown.

    Reads the disk, so do not call it on the event loop's thread.
    """
    name = f"cautions shown for {rig.rig.name}"
    earlier = _causes_shown(store, name)
    new = {one: causes for one in cautions_of(rig) if (causes := set(_causes(one, rig)) - earlier)}
    if not new:
        return
    opening, *below = block(new, rig, first=not earlier, width=_width())
    log.info("%s", opening, extra={"below": below})
    earlier.update(*new.values())
    store.keep(_storing(name, json.dumps(sorted(earlier))), synced=False)


def block(cautions: Iterable[Caution], rig: Rig, *, first: bool, width: int = WIDEST) -> list[str]:
    """Format cautions for a terminal: an opening line, then group by group."""
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
    """Return the width of the terminal, limited to widths that are easy to read."""
    return max(NARROWEST, min(WIDEST, get_terminal_size((WIDEST, 24)).columns))


def _causes(caution: Caution, rig: Rig) -> Iterator[str]:
    """Yield the causes of a caution: its key, with each head concerned."""
    rehearsed = {
        head.name
        for head in rig.heads
        if head.drive is not None and rig.drivers[head.drive.driver].kind == SIMULATED
    }
    real = {head.name for head in rig.heads if head.drive is not None} - rehearsed
    for head in caution.cause.heads or ("",):
        simulated = head in rehearsed if head else bool(rehearsed) and not real
        yield " ".join(filter(None, (caution.key, head, "simulated" if simulated else "")))


def _causes_shown(store: Store, name: str) -> set[str]:
    found = store.rows("identity", "WHERE name = ?", (name,))
    try:
        causes = json.loads(found[0][1]) if found else []
    except ValueError:
        return set()
    return {cause for cause in causes if isinstance(cause, str)} if isinstance(causes, list) else set()


def _storing(name: str, value: str) -> PersistentJob:
    def job(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT OR REPLACE INTO identity (name, value) VALUES (?, ?)", (name, value))

    return PersistentJob(job, key=name)
