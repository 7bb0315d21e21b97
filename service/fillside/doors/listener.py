"""What doors beside HTTP have in common: figures to look at, an error, and one way of giving an order."""

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
"""A tracker sends it up to fifty times a second, and wants no state with each answer."""

Clock = Callable[[], float]


class DoorError(Exception):
    """A door of the rig file cannot be opened on this machine; one clear line."""


@dataclass
class DoorFigures:
    """How a door does: `lost` is a broker that cannot be reached, `since_s` on the daemon's clock.

    `heard` counts messages, `refused` those that were no order that could be obeyed, `dropped` those that
    were not answered either: malformed, from somebody who may not speak, or too many.
    """

    state: Literal["ok", "lost"] = "lost"
    since_s: float = 0.0
    note: str = "not open yet"
    heard: int = 0
    refused: int = 0
    dropped: int = 0

    def report(self, state: Literal["ok", "lost"], note: str, now_s: float) -> bool:
        """Note how it is; whether that is news."""
        news = state != self.state
        if news:
            self.state, self.since_s = state, now_s
        self.note = note
        return news


async def give(studio: Studio, source: Any, visitor: Visitor) -> str:
    """Parse an order from JSON data and have it carried out; return its note.

    Raises Refusal, which the studio has counted and journalled.
    """
    try:
        order = parse_order(source)
    except Refusal as refusal:
        studio.refuse(source, visitor, refusal)
        raise
    return await studio.do(order, visitor, source)


async def answer_to(studio: Studio, source: Any, visitor: Visitor, *, with_state: bool = True) -> Body:
    """Return the answer to an order, done or not. A position report gets no state."""
    try:
        note = await give(studio, source, visitor)
    except Refusal as refusal:
        return refusal.body()
    except Exception:
        log.exception("an order by %s failed", visitor.door)
        return INTERNAL
    return done(note, studio.state() if with_state and source["do"] != POSITION_REPORT else None)
