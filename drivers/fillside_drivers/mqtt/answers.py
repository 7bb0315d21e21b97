"""The habits of a bulb in answering its messages, and when an answer is overdue. Pure: no clock, no I/O.

An answer is due to a message only if this bulb is known to answer such messages:

    a new level        always, if it differs from the last report by more than rounding
    the same level     once the bulb has answered several of these in a row: many report changes only
    a question         likewise

An answer to a repeated level is a report of that level; any other report does not count, so that a stranger's
messages teach nothing. A missing answer is late after `LATE_AFTER_S` and lost after `LOST_AFTER_S`; any
report ends the wait. Some bulbs report nothing during a fade: the wait counts from the last change, until the
bulb has reported during fades a few times.
"""

from __future__ import annotations

import math
from typing import Literal

Message = Literal["change", "repeat", "question"]
Overdue = Literal["no", "late", "lost"]

AGAIN_AFTER_S, ASKED_AFTER_S, FADED_AFTER_S = (2.2, 3.5), (1.0, 2.2, 3.5), (3.0,)
"""Times at which a message with a due answer is repeated, or the bulb is asked if it can be: slow bulbs take
2 s to answer, or 1 s after a fade, and a message may be lost. More frequent messages would silence bulbs that
report only when nothing arrives."""
LATE_AFTER_S, LOST_AFTER_S = 2.7, 4.6
"""Times since the message; a loss is reported within 5 s, including the driver's own delay."""
ENOUGH: dict[Message, int] = {"repeat": 3, "question": 2}
"""Answers in a row that make a habit. They are not coincidence: the messages are further apart than most
bulbs' own reports."""
ON_THE_WAY = 3
"""Reports during fades that make a habit."""
DENSE = 1.5
"""Changes at most this many message intervals apart belong to one fade."""
STALE_S = 60.0
"""Age at which a confirmation expires if the bulb reports nothing at rest."""


class AnswerHabits:
    """The observed answers of one bulb. Times are seconds of any clock that never goes back."""

    def __init__(self, interval_s: float, asked: bool = False, fades: bool = False) -> None:
        self._again_after_s = ASKED_AFTER_S if asked else FADED_AFTER_S if fades else AGAIN_AFTER_S
        self._can_be_asked = asked
        self._dense_s = DENSE * interval_s
        self._in_a_row: dict[Message, int] = {"repeat": 0, "question": 0}
        self._refuted: set[Message] = set()
        self._asked: tuple[Message, float] | None = None
        self._on_the_way = 0
        self._dense_changes = 0
        self._changed_at = -math.inf
        self._due_since: float | None = None
        self._certain = False
        self._tries = 0
        self.heard_at = -math.inf
        self.has_reported = False
        """True once any report of its level arrived, even one retained by the broker."""

    @property
    def habit(self) -> Literal["yes", "changes"] | None:
        """The messages that the bulb answers at rest; None while that is unknown."""
        if self.answers("repeat") or self.answers("question"):
            return "yes"
        return None if self.learning or not self.has_reported else "changes"

    @property
    def learning(self) -> bool:
        """True until the bulb's habits at rest are known."""
        open_kinds = {kind for kind in self._in_a_row if not self.answers(kind) and kind not in self._refuted}
        return not self.answers("question") and bool(
            open_kinds - (set() if self._can_be_asked else {"question"})
        )

    def refuses(self, message: Message) -> bool:
        """Return True if a message of this kind was left unanswered."""
        return message in self._refuted

    def answers(self, message: Message) -> bool:
        """Return True if the bulb is in the habit of answering messages of this kind."""
        return message == "change" or self._in_a_row[message] >= ENOUGH[message]

    def note_message(self, message: Message, now: float, certain: bool = False) -> None:
        """Note a message sent to the bulb; `certain` if a report must follow this change of level."""
        if message == "change":
            close = now - self._changed_at <= self._dense_s
            self._dense_changes = self._dense_changes + 1 if close else 0
            self._changed_at, self._asked = now, None
        elif self._due_since is None:
            if self._asked is not None:
                self._in_a_row[self._asked[0]] = 0
                self._refuted.add(self._asked[0])
            self._asked = message, now
        certain = self.answers("repeat") or certain if message == "change" else self.answers(message)
        # The last of several changes decides: a bulb sent back to its old level has nothing to report.
        self._certain = certain or (self._certain and message != "change")
        if self._due_since is None and (certain or not self.has_reported):
            self._due_since, self._tries = now, 0

    def note_repeat(self) -> None:
        """Note that a message with a due answer was repeated."""
        self._tries += 1

    def note_report(self, now: float, as_sent: bool, moved: bool = True) -> None:
        """Note a report: `as_sent` if of the level sent, `moved` if of a level on the way there."""
        self.heard_at, self.has_reported = now, True
        self._due_since, self._certain = None, False
        if self._asked is not None and (as_sent or self._asked[0] == "question"):
            if now - self._asked[1] <= LATE_AFTER_S:
                self._in_a_row[self._asked[0]] += 1
                if self.answers(self._asked[0]):
                    self._refuted.discard(self._asked[0])
            self._asked = None
        if (as_sent or moved) and self._dense_changes >= 2 and now - self._changed_at <= self._dense_s:
            self._on_the_way += 1

    def forget(self) -> None:
        """Expect no answer: the connection was lost, or the bulb was found again."""
        self._due_since, self._certain, self._asked = None, False, None

    def overdue(self, now: float) -> Overdue:
        if now >= self._lost_at:
            return "lost"
        return "late" if now >= self._late_at else "no"

    @property
    def again_at(self) -> float:
        """The time at which to repeat the message with a due answer; infinity for never."""
        if self._due_since is None or self._tries >= len(self._again_after_s):
            return math.inf
        return max(self._due_since, self._changed_at) + self._again_after_s[self._tries]

    def changes_at(self, now: float) -> float:
        """Return the time at which `overdue` changes without a report; infinity for never."""
        return next((at for at in (self._late_at, self._lost_at) if at > now), math.inf)

    @property
    def _waits_from(self) -> float:
        assert self._due_since is not None
        return self._due_since if self._on_the_way >= ON_THE_WAY else max(self._due_since, self._changed_at)

    @property
    def _late_at(self) -> float:
        if self._due_since is None:
            return math.inf
        return (self._waits_from if self.has_reported else self._due_since) + LATE_AFTER_S

    @property
    def _lost_at(self) -> float:
        if self._due_since is None or not self._certain:
            return math.inf
        return self._waits_from + LOST_AFTER_S
