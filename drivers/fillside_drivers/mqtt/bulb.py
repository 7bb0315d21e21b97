"""One bulb behind a topic: its messages and their times. Pure: no input or output, no clock.

A bulb accepts few messages a second; the latest code is sent, and earlier codes still waiting are dropped. At
rest the bulb is asked for its level, or sent its level again. A bulb that is gone is sent nothing; a silent
bulb is probed at intervals. When a bulb is back, nothing is sent until the caller, which knows the level it
was found at, gives a new code. `recovery` determines the messages to a bulb whose report is in doubt or that
is led back in steps.
"""

from __future__ import annotations

import math

from fillside_drivers.mqtt.answers import STALE_S, Message
from fillside_drivers.mqtt.payloads import OutgoingMessage, level_messages
from fillside_drivers.mqtt.recovery import ReturnSteps, UnexplainedReport
from fillside_drivers.mqtt.reports import ReportingBulb

ASSERT_AGAIN_S = 5.0
"""Interval at which a bulb at rest is asked, or sent its level again, as a message may be lost."""

LEARN_AGAIN_S = 3.0
"""The same interval until the bulb's habits are known: longer than a slow bulb takes to answer."""

PROBE_S = 3.0
"""Interval at which a silent bulb is probed."""

ASK_STEP_S = 0.5
"""Time from a step of a bulb led back in steps to the question about it."""

GENTLE_FADE_S = 1.0
"""Fade of a bulb that may not have the level it was sent; short enough for a timely answer."""

SURE_CODES = 0.015
"""A bulb that rounds may not notice a change by a smaller share of full scale, and not report it."""


class Bulb(ReportingBulb):
    """The sending side of one bulb. Times are seconds of any clock that never goes back."""

    @property
    def waiting(self) -> bool:
        """True if the latest code has not been sent yet."""
        return self.reachable and self._wanted is not None and self._wanted != self._sent

    def want(self, code: int, now: float) -> None:
        """Set the bulb's target code; a lost bulb ignores it."""
        if self.reachable and code != self._wanted:
            self._wanted, self._moved_at = code, now
            self._first_wanted = self._first_wanted or (code, now)

    def due(self, now: float) -> float:
        """Return the time at which `take` or `judge` has something to do next; infinity for never."""
        if self.condition in ("asked", "awaited"):
            return max(now, self._at_rest_from) if self._is_to_be_asked else self._wait_until
        if self.condition == "silent":
            judged_at = math.inf if self._unexplained is None else self._unexplained.next_at(now)
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
        """The time of the next probe of a silent bulb; one that reported something is asked at once."""
        if self._unexplained is None:
            return self._tried_at + PROBE_S
        return max(self._tried_at + self.drive.interval_s, self._unexplained.checks_at(self.drive))

    @property
    def _is_to_be_asked(self) -> bool:
        """True if a bulb that is back must be asked for its level once it has obeyed all it was sent."""
        return self.condition == "asked" and self.drive.ask_to is not None and self._asked_at == -math.inf

    @property
    def _leaves_at(self) -> float:
        """The time at which the next message may leave."""
        report, soon = self._unexplained, self._tried_at + self.drive.interval_s
        moves = self._wanted != self._sent
        if report is not None and (self.drive.ask_to is not None or not moves):
            return max(soon, report.checks_at(self.drive))
        if self._return_steps is not None:
            return self._steps_at(self._return_steps, soon)
        if moves:
            return self._sent_at + self.drive.interval_s
        if self.condition == "ok" and self._differs:
            # The bulb is about to be judged; sending its level now could make a step of light.
            return math.inf
        learns = self.drive.report_topic is not None and self.answers.learning
        again_s = LEARN_AGAIN_S if learns else ASSERT_AGAIN_S
        return min(self._tried_at + again_s, max(self.answers.again_at, soon))

    def _steps_at(self, steps: ReturnSteps, soon: float) -> float:
        """Return the time of the next step of a bulb led back in steps, or of the question about the last."""
        if steps.sent == steps.at:
            return soon
        asks = self.drive.ask_to is not None and self._asked_at <= self._sent_at
        return self._sent_at + (ASK_STEP_S if asks else LEARN_AGAIN_S)

    def take(self, now: float) -> list[OutgoingMessage]:
        """Return the messages that are due now; they count as sent."""
        if self.condition in ("asked", "awaited"):
            if now >= self._wait_until:
                self._found_silent()
                return []
            return self._ask(now) if self._is_to_be_asked and now >= self._at_rest_from else []
        if self.condition == "silent":
            return self._probe(now) if now >= self._probes_at else []
        if not self.reachable or self._wanted is None or now < self._leaves_at:
            return []
        if self._unexplained is not None:
            return self._check(self._unexplained, self._wanted, now)
        if self._return_steps is not None:
            steps = self._return_steps.sent == self._return_steps.at or now >= self._sent_at + LEARN_AGAIN_S
            return self._level(self._return_steps.step(self._wanted, now), now) if steps else self._ask(now)
        if self._wanted != self._sent or not self._is_asked_at_rest(now):
            return self._level(self._wanted, now)
        return self._ask(now)

    def _is_asked_at_rest(self, now: float) -> bool:
        """Return True if a bulb at rest is to be asked now instead of being sent its level again.

        The two alternate once the bulb has left a question unanswered, or while it is disobeying.
        """
        if self.drive.ask_to is None:
            return False
        if self.condition == "ok" and not self.answers.refuses("question"):
            return True
        return now >= self.answers.again_at or self._asked_at <= self._sent_at

    def _check(self, report: UnexplainedReport, wanted: int, now: float) -> list[OutgoingMessage]:
        if self.drive.ask_to is not None:
            report.note_check(now)
            return self._ask(now)
        if wanted != self._sent and self.drive.fade_field is None:
            # A new level is due anyway; the next reports decide.
            self.reported = self._unexplained = None
        else:
            report.note_check(now)
        return self._level(wanted, now)

    def _probe(self, now: float) -> list[OutgoingMessage]:
        if self.drive.ask_to is not None:
            if self._unexplained is not None:
                self._unexplained.note_check(now)
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
        sure = was is None or (was != code and self.condition == "ok" and self._unexplained is None)
        fade_s = GENTLE_FADE_S if not sure else interval_s if fading else 0.0
        if code != was:
            self._confirmed, self._changed_at = False, now
        self._first_sent = code if self._first_sent is None else self._first_sent
        self._sent, self._sent_at = code, now
        if self.drive.report_topic is not None:
            self._count("repeat" if code == was else "change", now)
        return level_messages(self.drive, self._cct_k, was, code, fade_s)

    def _count(self, kind: Message, now: float) -> None:
        """Note a message in the answer habits."""
        if kind != "change":
            if now >= self.answers.again_at:
                self.answers.note_repeat()
            else:
                self.answers.note_message(kind, now)
            return
        assert self._sent is not None
        from_code = self._first_sent if self._confirmed_code is None else self._confirmed_code
        far = from_code is not None and abs(self._sent - from_code) > self._codes(SURE_CODES, 3)
        self.answers.note_message(kind, now, certain=far)
