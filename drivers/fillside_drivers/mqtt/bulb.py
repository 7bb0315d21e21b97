"""One bulb behind a topic: what it is sent and when. No input or output, no clock.

A bulb takes few messages a second; of the codes it is to have the latest is sent and those between are
dropped. At rest it is asked where it is, or sent its level again. One that is gone is sent nothing, one that
is silent is tried now and then; when it is back nothing is sent until somebody who knows where it was found
has given a new code. One that is in doubt or led step by step gets what `doubt` and `walk` say.
"""

from __future__ import annotations

import math

from fillside_drivers.mqtt.answers import STALE_S, Message
from fillside_drivers.mqtt.payloads import OutgoingMessage, level_messages
from fillside_drivers.mqtt.reports import ReportingBulb
from fillside_drivers.mqtt.return_steps import ReturnSteps
from fillside_drivers.mqtt.unexplained_reports import Doubt

ASSERT_AGAIN_S = 5.0
"""How often a bulb at rest is asked, or sent its level again, since a message may be lost."""

LEARN_AGAIN_S = 3.0
"""The same until it is known whether the bulb answers that: longer than a slow bulb takes to answer."""

PROBE_S = 3.0
"""How often a silent bulb is tried."""

ASK_STEP_S = 0.5
"""After a step to a bulb that is led step by step, until it is asked about it."""

GENTLE_FADE_S = 1.0
"""The fade of a bulb that may not be where it was sent; short enough to be answered in time."""

SURE_CODES = 0.015
"""A change by less than this share of full scale may be none to a bulb that rounds, and then it reports
none."""


class Bulb(ReportingBulb):
    """The sender's side of one bulb. Times are seconds of any clock that never goes back."""

    @property
    def waiting(self) -> bool:
        """Whether the latest code is still to be sent."""
        return self.reachable and self._wanted is not None and self._wanted != self._sent

    def want(self, code: int, now: float) -> None:
        """The bulb is to have this code; a bulb that is lost is not sent it."""
        if self.reachable and code != self._wanted:
            self._wanted, self._moved_at = code, now

    def due(self, now: float) -> float:
        """When `take` or `judge` has something to do next; infinity for never."""
        if self.condition in ("asked", "awaited"):
            return now if self._is_to_be_asked else self._wait_until
        if self.condition == "silent":
            judged_at = math.inf if self._doubt is None else self._doubt.next_at(now)
            return min(self._probes_at, judged_at)
        if not self.reachable:
            return math.inf
        stale_at = self.answers.heard_at + STALE_S
        return min(
            self._leaves_at if self._wanted is not None else math.inf,
            self._judged_at(now),
            self.answers.changes_at(now),
            self._expires_at,
            stale_at if stale_at > now else math.inf,
        )

    @property
    def _tried_at(self) -> float:
        return max(self._sent_at, self._asked_at)

    @property
    def _probes_at(self) -> float:
        """When a silent bulb is tried next; one that said something is asked at once what it meant."""
        if self._doubt is None:
            return self._tried_at + PROBE_S
        return max(self._tried_at + self.drive.interval_s, self._doubt.checks_at(self.drive))

    @property
    def _is_to_be_asked(self) -> bool:
        """Whether a bulb that is back is to be asked now where it is."""
        return self.condition == "asked" and self.drive.ask_to is not None and self._asked_at == -math.inf

    @property
    def _leaves_at(self) -> float:
        """When the next message may leave."""
        doubt, soon = self._doubt, self._tried_at + self.drive.interval_s
        moves = self._wanted != self._sent
        if doubt is not None and (self.drive.ask_to is not None or not moves):
            return max(soon, doubt.checks_at(self.drive))
        if self._walk is not None:
            return self._steps_at(self._walk, soon)
        if moves:
            return self._sent_at + self.drive.interval_s
        if self.condition == "ok" and self._differs:
            # It is about to be judged; where it stands, its level would be a step.
            return math.inf
        learns = self.drive.report_topic is not None and self.answers.learning
        again_s = LEARN_AGAIN_S if learns else ASSERT_AGAIN_S
        return min(self._tried_at + again_s, max(self.answers.again_at, soon))

    def _steps_at(self, walk: ReturnSteps, soon: float) -> float:
        """When a bulb that is led step by step is sent the next step, or asked about the last."""
        if walk.sent == walk.at:
            return soon
        asks = self.drive.ask_to is not None and self._asked_at <= self._sent_at
        return self._sent_at + (ASK_STEP_S if asks else LEARN_AGAIN_S)

    def take(self, now: float) -> list[OutgoingMessage]:
        """The messages that are due now."""
        if self.condition in ("asked", "awaited"):
            if now >= self._wait_until:
                self._back(self._if_silent)
                return []
            return self._ask(now) if self._is_to_be_asked else []
        if self.condition == "silent":
            return self._probe(now) if now >= self._probes_at else []
        if not self.reachable or self._wanted is None or now < self._leaves_at:
            return []
        if self._doubt is not None:
            return self._check(self._doubt, self._wanted, now)
        if self._walk is not None:
            steps = self._walk.sent == self._walk.at or now >= self._sent_at + LEARN_AGAIN_S
            return self._level(self._walk.step(self._wanted, now), now) if steps else self._ask(now)
        if self._wanted != self._sent or not self._is_asked_at_rest(now):
            return self._level(self._wanted, now)
        return self._ask(now)

    def _is_asked_at_rest(self, now: float) -> bool:
        """Whether a bulb at rest is asked now, in place of being sent its level again: in turns once it has
        left a question without answer, or while it does not obey."""
        if self.drive.ask_to is None:
            return False
        if self.condition == "ok" and not self.answers.refuses("question"):
            return True
        return now >= self.answers.again_at or self._asked_at <= self._sent_at

    def _check(self, doubt: Doubt, wanted: int, now: float) -> list[OutgoingMessage]:
        if self.drive.ask_to is not None:
            doubt.tried(now)
            return self._ask(now)
        if wanted != self._sent and self.drive.fade_field is None:
            # It is led on, and what it reports then tells.
            self.reported = self._doubt = None
        else:
            doubt.tried(now)
        return self._level(wanted, now)

    def _probe(self, now: float) -> list[OutgoingMessage]:
        if self.drive.ask_to is not None:
            if self._doubt is not None:
                self._doubt.tried(now)
            return self._ask(now)
        assert self._sent is not None, "only a bulb that was sent something can be silent"
        self._sent_at = now
        return level_messages(self.drive, self._cct_k, self._sent, self._sent, GENTLE_FADE_S)

    def _ask(self, now: float) -> list[OutgoingMessage]:
        assert self.drive.ask_to is not None
        self._asked_at = now
        if self.reachable:
            self._count("question", now)
        return [OutgoingMessage(self.drive.ask_to, self.drive.ask_as)]

    def _level(self, code: int, now: float) -> list[OutgoingMessage]:
        was, interval_s = self._sent, self.drive.interval_s
        fading = was is not None and was != code and now - self._moved_at < 2 * interval_s
        sure = was is None or (was != code and self.condition == "ok" and self._doubt is None)
        fade_s = GENTLE_FADE_S if not sure else interval_s if fading else 0.0
        if code != was:
            self._confirmed, self._changed_at = False, now
        self._first_sent = code if self._first_sent is None else self._first_sent
        self._sent, self._sent_at = code, now
        if self.drive.report_topic is not None:
            self._count("repeat" if code == was else "change", now)
        return level_messages(self.drive, self._cct_k, was, code, fade_s)

    def _count(self, kind: Message, now: float) -> None:
        """Have the answers know of a message."""
        if kind != "change":
            if now >= self.answers.again_at:
                self.answers.sent_again()
            else:
                self.answers.sent(kind, now)
            return
        assert self._sent is not None
        from_code = self._first_sent if self._confirmed_code is None else self._confirmed_code
        far = from_code is not None and abs(self._sent - from_code) > self._codes(SURE_CODES, 3)
        self.answers.sent(kind, now, certain=far)
