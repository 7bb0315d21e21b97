"""Whether a bulb that can report answers what it is sent, and when an answer is overdue. No clock, no I/O.

Theory. An answer is due to a message only if this bulb is known to answer such messages:

    a new level        always, once it differs from what the bulb last reported by more than bulbs round
    the same level     once the bulb has answered some of these in a row: many report changes only
    a question         likewise

An answer to a repeated level is a report of that level; another report is none, so that a stranger's messages
teach nothing. What is due and does not come is late after `LATE_AFTER_S` and lost after `LOST_AFTER_S`; any
report ends the wait. Bulbs that report only once they rest say nothing during a fade: there the wait is
counted from the last change, until the bulb has been heard on the way a few times.
"""

from __future__ import annotations

import math
from typing import Literal

Message = Literal["change", "repeat", "question"]
Overdue = Literal["no", "late", "lost"]

AGAIN_AFTER_S, ASKED_AFTER_S, FADED_AFTER_S = (2.2, 3.5), (1.0, 2.2, 3.5), (3.0,)
"""When a message whose answer is due is sent again, or the bulb asked, where it can be: slow bulbs take 2 s
to answer, or one after a fade, and a message may be lost. Sending more often would keep those from reporting
that wait for quiet."""
LATE_AFTER_S, LOST_AFTER_S = 2.7, 4.6
"""Since the message; lost is reported within 5 s, the driver's own delay included."""
ENOUGH: dict[Message, int] = {"repeat": 3, "question": 2}
"""So many answers in a row are a habit and no chance: the messages are further apart than most bulbs report
by themselves."""
ON_THE_WAY = 3
DENSE = 1.5
"""Changes at most this many message intervals apart are on the way of one fade."""
STALE_S = 60.0
"""A confirmation older than this has expired, where the bulb says nothing at rest."""


class Answers:
    """What one bulb has been heard to answer. Times are seconds of any clock that never goes back."""

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
        self.known = False
        """Whether anything is known of where it is, if only what a broker kept."""

    @property
    def habit(self) -> Literal["yes", "changes"] | None:
        """What it answers at rest; None while that is not known."""
        if self.answers("repeat") or self.answers("question"):
            return "yes"
        return None if self.learning or not self.known else "changes"

    @property
    def learning(self) -> bool:
        """Whether it is still to be found out what it answers at rest."""
        open_kinds = {kind for kind in self._in_a_row if not self.answers(kind) and kind not in self._refuted}
        return not self.answers("question") and bool(
            open_kinds - (set() if self._can_be_asked else {"question"})
        )

    def refuses(self, message: Message) -> bool:
        """Whether one of these was left unanswered."""
        return message in self._refuted

    def answers(self, message: Message) -> bool:
        """Whether it has the habit of answering these."""
        return message == "change" or self._in_a_row[message] >= ENOUGH[message]

    def sent(self, message: Message, now: float, certain: bool = False) -> None:
        """A message left for the bulb. `certain` says of a changed level that a report must follow it."""
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
        # Of several changes the last decides: a bulb that was sent there and back has nothing to report.
        self._certain = certain or (self._certain and message != "change")
        if self._due_since is None and (certain or not self.known):
            self._due_since, self._tries = now, 0

    def sent_again(self) -> None:
        """A message whose answer is due left once more."""
        self._tries += 1

    def heard(self, now: float, as_sent: bool, moved: bool = True) -> None:
        """The bulb reported: `as_sent` the level it was sent, `moved` one on its way there."""
        self.heard_at, self.known = now, True
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
        """Nothing is due: the way to the bulb was broken, or it was found anew."""
        self._due_since, self._certain, self._asked = None, False, None

    def overdue(self, now: float) -> Overdue:
        if now >= self._lost_at:
            return "lost"
        return "late" if now >= self._late_at else "no"

    @property
    def again_at(self) -> float:
        """When the message that is due an answer is to be sent again; infinity for not."""
        if self._due_since is None or self._tries >= len(self._again_after_s):
            return math.inf
        return max(self._due_since, self._changed_at) + self._again_after_s[self._tries]

    def changes_at(self, now: float) -> float:
        """When `overdue` will be another unless the bulb is heard; infinity for never."""
        return next((at for at in (self._late_at, self._lost_at) if at > now), math.inf)

    @property
    def _waits_from(self) -> float:
        assert self._due_since is not None
        return self._due_since if self._on_the_way >= ON_THE_WAY else max(self._due_since, self._changed_at)

    @property
    def _late_at(self) -> float:
        if self._due_since is None:
            return math.inf
        return (self._waits_from if self.known else self._due_since) + LATE_AFTER_S

    @property
    def _lost_at(self) -> float:
        if self._due_since is None or not self._certain:
            return math.inf
        return self._waits_from + LOST_AFTER_S
