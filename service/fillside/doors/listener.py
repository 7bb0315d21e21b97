"""The parts that doors share: one way to give an order and, for doors other than
HTTP, figures and an error."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from fillside.orders.answers import INTERNAL, Body, Refusal, done
from fillside.orders.parsing import parse_order
from fillside.runtime.studio import Studio
from fillside.storage.records.journal import Visitor

log = logging.getLogger(__name__)

POSITION_REPORT = "subject"
"""A tracker sends this order up to fifty times a second and needs no state with each answer."""

Clock = Callable[[], float]


class DoorError(Exception):
    """A door in the rig file cannot be opened on this machine; one clear line."""


@dataclass
class DoorFigures:
    """The figures of a door: its state, `lost` if a broker cannot be reached;
    `since_s` is on the daemon's clock.

    `received` counts messages, `refused` those that were not obeyed, `dropped` those that were not even
    answered: malformed, from a sender who is not admitted, or too many.
    """

    state: Literal["ok", "lost"] = "lost"
    since_s: float = 0.0
    note: str = "not open yet"
    received: int = 0
    refused: int = 0
    dropped: int = 0

    def report(self, state: Literal["ok", "lost"], note: str, now_s: float) -> bool:
        """Record the state; return true if it differs from the one before."""
        changed = state != self.state
        if changed:
            self.state, self.since_s = state, now_s
        self.note = note
        return changed


async def give(studio: Studio, source: Any, visitor: Visitor) -> str:
    """Parse an order from JSON data and carry it out; return its note.

    Raises Refusal, which the studio has counted and journalled.
    """
    try:
        order = parse_order(source)
    except Refusal as refusal:
        studio.refuse(source, visitor, refusal)
        raise
    return await studio.do(order, visitor, source)


async def answer_to(studio: Studio, source: Any, visitor: Visitor, *, with_state: bool = True) -> Body:
    """Return the answer to an order, whether it was obeyed or refused. A position report gets no state."""
    try:
        note = await give(studio, source, visitor)
    except Refusal as refusal:
        return refusal.body()
    except Exception:
        log.exception("an order by %s failed", visitor.door)
        return INTERNAL
    return done(note, studio.state() if with_state and source["do"] != POSITION_REPORT else None)
