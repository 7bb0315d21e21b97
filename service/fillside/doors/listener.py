"""What doors beside HTTP have in common: figures to look at, an error, and one way of giving an order."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from fillside.orders.answers import INTERNAL, Refusal, done
from fillside.runtime.studio import Studio
from fillside.storage.records.journal import Visitor

log = logging.getLogger(__name__)

Body = dict[str, Any]
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


async def answer_to(studio: Studio, said: Any, visitor: Visitor, *, with_state: bool = True) -> Body:
    """The answer to an order, done or not, in the one shape of every door. A report gets no state."""
    try:
        note = await studio.do(said, visitor)
    except Refusal as refusal:
        return refusal.body()
    except Exception:
        log.exception("an order by %s failed", visitor.door)
        return INTERNAL
    report = isinstance(said, dict) and said.get("do") == "subject"
    return done(note, studio.state() if with_state and not report else None)
