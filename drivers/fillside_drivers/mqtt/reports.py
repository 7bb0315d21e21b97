"""What is known of one bulb from what it reports. No input or output, no clock.

What it reports is compared with what it was sent, and an answer that is due and does not come makes it late
and then silent (see `answers`). One that is gone or silent is to be found anew: at what it reports, or the
worst it may have.

    ok            <--obeys / other level for long-->    disobeying
    any           --says it is gone-->                  lost
    ok, disob.    --no answer for long-->               silent
    lost, silent  --says it is there-->                 asked     if silent: as comes_back says
    silent        --report-->                           back      as it reports
    ok, disob.,   --way to it broken and open again-->  awaited   where it says that it is there
    silent                                              asked     where it only reports
                                                        back      where it says nothing; as it was
    awaited       --says it is there-->                 asked     if silent: as it was
    awaited       --wait over-->                        back      as it was
    asked         --report-->                           back      as it reports
    asked         --wait over-->                        back      as above
    ok            --report that nothing explains,
                    confirmed as `doubt` says-->        back      as it reports: somebody else changed it
                    answered by another level-->        disobeying

Back means ok, found at a level; `returns` counts it. What a broker kept of reports counts only after a way
was broken: when the bulb itself was gone, a kept report is from before.

A bulb that disobeys and reports a level between its last confirmed one and the one it was sent has stopped
there. It is led on from there step by step (see `walk`), so that it makes no step when it obeys again. Any
other level cannot be explained, and it goes on being sent its own.
"""

from __future__ import annotations

import math
from typing import Literal

from fillside_drivers.mqtt.answers import STALE_S, Answers
from fillside_drivers.mqtt.options import MqttDrive
from fillside_drivers.mqtt.payloads import reported_code
from fillside_drivers.mqtt.return_steps import ReturnSteps
from fillside_drivers.mqtt.unexplained_reports import Doubt

OBEYS_WITHIN_S = 3.0
"""A bulb that reports another level than it was sent this long after the last message disobeys."""

REPORT_WAIT_S = 1.5
"""How long a bulb that is back has to report its level before the worst is taken."""

ALIVE_WAIT_S = 10.0
"""How long a bulb has to say that it is there after the way to it was broken: it must find the broker too."""

SILENT_STEPS_S = 15.0
"""One that is led step by step and reports nothing for so long is there no more."""

NEAR_CODES = 0.006
"""Reports this share of full scale off still mean the code: bulbs round."""

Condition = Literal["ok", "lost", "silent", "awaited", "asked", "disobeying"]


class ReportingBulb:
    """One bulb as it reports, or does not. Times are seconds of any clock that never goes back."""

    def __init__(self, drive: MqttDrive, cct_k: float | None = None) -> None:
        self.drive = drive
        self._cct_k = cct_k
        self.condition: Condition = "ok"
        self.reported: int | None = None
        self.returns = 0
        self.answers = Answers(drive.interval_s, drive.ask_to is not None, drive.fade_field is not None)
        self._found: int | None = None
        self._wanted: int | None = None
        self._sent: int | None = None
        self._first_sent: int | None = None
        self._confirmed = self._truthful = False
        """Whether it has confirmed the level it was sent last, and any since it was found."""
        self._confirmed_code: int | None = None
        self._sent_at = self._asked_at = -math.inf
        self._moved_at = self._changed_at = -math.inf
        self._wait_until = math.inf
        self._if_silent: int | None = None
        self._said_while_lost: int | None = None
        self._doubt: Doubt | None = None
        self._walk: ReturnSteps | None = None
        self._late = self._fresh = False

    @property
    def reachable(self) -> bool:
        return self.condition in ("ok", "disobeying")

    @property
    def shown(self) -> Literal["ok", "late", "lost", "disobeying"]:
        """Its condition as others see it: while it is not known where it is, it cannot be reached."""
        if self.condition == "disobeying":
            return "disobeying"
        if self.condition != "ok":
            return "lost"
        return "late" if self._late else "ok"

    @property
    def confirms(self) -> bool | None:
        """Whether it has reported, not too long ago, the level it was sent; None where it cannot."""
        if self.drive.report_topic is None:
            return None
        return self._fresh and self._doubt is None and self.shown == "ok"

    @property
    def answering(self) -> Literal["yes", "changes", "no"] | None:
        """Whether it answers what it is sent; None while that is not known."""
        return "no" if self.drive.report_topic is None else self.answers.habit

    @property
    def known(self) -> tuple[object, ...]:
        """All that others see of the bulb."""
        return self.shown, self.reported, self.returns, self.confirms, self.answers.habit

    @property
    def has(self) -> int | None:
        """The code it has as far as it says, or when it came back silent, as far as can be known."""
        return self._found if self.reported is None else self.reported

    @property
    def _obeys_by(self) -> float:
        """When it should have the code that it was last given anew."""
        return max(self._moved_at, self._changed_at) + OBEYS_WITHIN_S

    def _judged_at(self, now: float) -> float:
        """When it will disobey, or a doubt be judged, unless it reports otherwise."""
        if self._doubt is not None:
            return self._doubt.next_at(now)
        if self.condition != "ok" or self._wanted != self._sent or not self._differs:
            return math.inf
        return self._obeys_by

    @property
    def _differs(self) -> bool:
        """Whether it has reported, since it was sent its level, that it has another."""
        if self.reported is None or self._sent is None or self.answers.heard_at < self._changed_at:
            return False
        return not self._is_near(self.reported, self._sent)

    def connected(self, now: float) -> None:
        """The way to the bulb is open, for the first time or again."""
        self.answers.forget()
        self._doubt = None
        if self._sent is None or self.condition == "lost":
            return
        if self.condition != "asked":
            self._if_silent = self._sent
        if self.drive.alive_topic is not None:
            self.condition, self._wait_until = "awaited", now + ALIVE_WAIT_S
        elif self.drive.report_topic is not None:
            self._await_report(now)
        else:
            self._back(self._if_silent)

    def heard(self, topic: str, payload: bytes, now: float, kept: bool = False) -> bool:
        """Take in a message from the bulb; whether what is known of it changed. Garbage says nothing.

        `kept` is one that was said before and that the broker kept.
        """
        before = self.condition, self._doubt is None, self.known
        if topic == self.drive.alive_topic:
            self._alive(payload.decode("utf-8", "replace").strip() == self.drive.alive_words, now, kept)
        if topic == self.drive.report_topic:
            code = reported_code(self.drive, payload)
            if code is not None:
                self._reports(code, now, kept)
        self.judge(now)
        return (self.condition, self._doubt is None, self.known) != before

    def _reports(self, code: int, now: float, kept: bool) -> None:
        if self.condition == "lost":
            self._said_while_lost = self._said_while_lost if kept else code
            return
        if kept and self.condition not in ("asked", "awaited"):
            self.answers.known = True
            return
        near = self._sent is not None and self._is_near(code, self._sent)
        differed = self._differs
        self.reported = code
        self.answers.heard(now, near, moved=self._took(code))
        if self.condition == "silent" and self.drive.ask_to is not None and not near:
            self.reported = None
            self._hears_again(code, now)
        elif not self.reachable:
            self._back(code, confirmed=True)
        elif self._walk is not None:
            self._walks(self._walk, code, now)
        elif near:
            self._ends_doubt()
            self._confirmed, self._confirmed_code, self._truthful = True, self._sent, True
        elif self._doubt is not None:
            self._hears_again(code, now)
        elif not differed and self._wanted == self._sent and now >= self._obeys_by:
            if self._late and self.drive.ask_to is None and self.drive.fade_field is None:
                # It was away, as short as that was.
                self._back(code, confirmed=True)
            else:
                self._doubt = Doubt(code, now)
        elif self.condition == "disobeying" and self._is_believed:
            self._doubt = Doubt(code, now)

    @property
    def _is_believed(self) -> bool:
        """Whether it can be asked where it is, and has not always reported what it was not sent."""
        return self._truthful and self.drive.ask_to is not None

    def _hears_again(self, code: int, now: float) -> None:
        """A report in doubt, or the first of a silent bulb that can be asked whether it is so."""
        if self._doubt is None:
            self._doubt = Doubt(code, now)
        else:
            self._doubt.heard(code, self._is_near(code, self._doubt.code), now)

    def _took(self, code: int) -> bool:
        """Whether a report is on the way from where the bulb was to what it was sent, and nearer to that."""
        if self._sent is None or self._confirmed_code is None:
            return True
        low, high = sorted((self._confirmed_code, self._sent))
        return low <= code <= high and abs(code - self._sent) < abs(code - self._confirmed_code)

    def _ends_doubt(self) -> None:
        """It has the level it was sent. What it was to have meanwhile waited, and is gone to from here."""
        waited = self._doubt is not None and self.drive.ask_to is not None and self._wanted != self._sent
        self._doubt = None
        if waited:
            self._back(self._sent, confirmed=True)

    def _walks(self, walk: ReturnSteps, code: int, now: float) -> None:
        if walk.reported(code, now):
            self._confirmed_code = walk.at
        if self._wanted is not None and self._is_near(code, self._wanted):
            self._walk = None

    def _is_near(self, code: int, other: int) -> bool:
        return abs(code - other) <= self._codes(NEAR_CODES, 1)

    def _codes(self, share: float, least: int) -> float:
        """A share of full scale in codes, at least so many."""
        return max(least, share * self.drive.full_scale)

    def judge(self, now: float) -> bool:
        """Whether the bulb answers and obeys, as far as it says; whether what others see of it changed."""
        before = self.known
        overdue = self.answers.overdue(now)
        if self.reachable and (overdue == "lost" or now >= self._expires_at):
            self._falls_silent()
        elif self.condition == "silent":
            self._judge_return(now)
        elif self.reachable and self._sent is not None:
            self._judge_obedience(now)
        self._late, self._fresh = overdue == "late", now - self.answers.heard_at < STALE_S
        return self.known != before

    @property
    def _expires_at(self) -> float:
        """When one that is led step by step has been silent for too long."""
        return math.inf if self._walk is None else self.answers.heard_at + SILENT_STEPS_S

    def _falls_silent(self) -> None:
        kept = self._sent if self.drive.comes_back == "kept" else self.drive.full_scale
        self.condition, self._if_silent, self._wanted = "silent", kept, None
        self.reported = self._doubt = self._walk = None
        self.answers.forget()

    def _judge_return(self, now: float) -> None:
        """A silent bulb that spoke is back where it says twice that it is."""
        if self._doubt is not None and self._doubt.verdict(self.drive, now) == "true":
            self._back(self._doubt.code, confirmed=True)
        elif self._doubt is not None and self._doubt.is_over(now):
            self._doubt = None

    def _judge_obedience(self, now: float) -> None:
        if self._doubt is not None:
            self._judge_doubt(self._doubt, now)
        elif self.reported is None or self._walk is not None:
            return
        elif not self._differs:
            self.condition = "ok"
        elif self.condition == "ok" and self._wanted == self._sent and now >= self._obeys_by:
            if self._has_stopped(self.reported):
                self._walk = ReturnSteps(self.reported, self.drive.full_scale, now)
                self._confirmed_code = self.reported
            if self._walk is None and (self._confirmed or self._is_believed):
                self._doubt = Doubt(self.reported, now)
            else:
                self.condition = "disobeying"
                self.answers.forget()

    def _judge_doubt(self, doubt: Doubt, now: float) -> None:
        verdict = doubt.verdict(self.drive, now)
        if verdict == "true":
            self._back(doubt.code, confirmed=True)
        elif verdict == "disobeys":
            self.condition = "disobeying"
            self.answers.forget()
            if self.drive.ask_to is None or doubt.is_over(now):
                self._doubt = None
        elif verdict == "nothing" and not self._answers_checks:
            # What it was sent or asked changed nothing, and it reports changes alone.
            self.condition, self.reported, self._doubt, self._confirmed = "ok", None, None, False

    @property
    def _answers_checks(self) -> bool:
        return self.answers.answers("repeat" if self.drive.ask_to is None else "question")

    def _has_stopped(self, code: int) -> bool:
        """Whether a reported level is where the bulb may have stopped on its way to the one it was sent. One
        that can fade is sent to that by a slow fade from wherever it is."""
        if self._confirmed or self._confirmed_code is None or self._sent is None or self.drive.fade_field:
            return False
        near = self._codes(NEAR_CODES, 1)
        low, high = sorted((self._confirmed_code, self._sent))
        return low - near <= code <= high + near

    def _alive(self, alive: bool, now: float, kept: bool) -> None:
        if not alive:
            self._falls_silent()
            self.condition, self._said_while_lost = "lost", None
        elif self.condition == "lost" and self._said_while_lost is not None:
            self.reported = self._said_while_lost
            self._back(self.reported, confirmed=True)
        elif self.condition in ("lost", "awaited") or (self.condition == "silent" and not kept):
            self._await_report(now)

    def _await_report(self, now: float) -> None:
        self.condition, self._wait_until, self._asked_at = "asked", now + REPORT_WAIT_S, -math.inf

    def _back(self, code: int | None, confirmed: bool = False) -> None:
        """It is found at this code: nothing is sent until a code for it comes in."""
        self.condition, self._found = "ok", code
        self._confirmed, self._truthful = confirmed, False
        self._confirmed_code = code if confirmed else self._confirmed_code
        self._doubt = self._walk = None
        self.returns += 1
        self._sent, self._wanted, self._sent_at = code, None, -math.inf
        self.answers.forget()
