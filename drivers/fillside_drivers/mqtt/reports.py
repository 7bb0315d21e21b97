"""The state of one bulb as inferred from its reports. Pure: no input or output, no clock.

Reports are compared with the level sent; a missing answer makes the bulb late and then silent (see
`answers`). A bulb that was gone or silent must be found again: at the level it reports, or at the worst one
it may have.

    ok            <--obeys / other level for long-->    disobeying
    any           --reports it is gone-->               lost
    ok, disob.    --no answer for long-->               silent
    lost, silent  --reports it is alive-->              asked     if silent: level by comes_back
    silent        --report-->                           back      at the reported level
    ok, disob.,   --connection lost and restored-->     awaited   if it has a topic for being alive
    silent                                              asked     if it only reports levels
                                                        back      if it reports nothing; as it was
    awaited       --reports it is alive-->              asked     if silent: as it was
    awaited       --wait over-->                        back      as it was
    asked         --report-->                           back      at the reported level
    asked         --wait over-->                        back      as above
    ok            --unexplained report,
                    confirmed (see `recovery`)-->       back      at the reported level: changed by others
                    answered by another level-->        disobeying

Back means ok, found at a level; `returns` counts it. A report retained by the broker counts only after the
connection was lost, once the wait is over: the bulb may have obeyed since. If the bulb itself was gone, the
report is older.

A bulb that disobeys and reports a level between its last confirmed one and the one it was sent has stopped
there. It is led on from there in steps (see `recovery`), so that its light does not jump when it obeys again.
Any other level cannot be explained, and the bulb continues to be sent its own.
"""

from __future__ import annotations

import math
from typing import Literal

from fillside_drivers.mqtt.answers import STALE_S, AnswerHabits
from fillside_drivers.mqtt.options import MqttDrive
from fillside_drivers.mqtt.payloads import reported_code
from fillside_drivers.mqtt.recovery import ReturnSteps, UnexplainedReport

OBEYS_WITHIN_S = 3.0
"""A bulb that reports another level than it was sent this long after the last message is disobeying."""

REPORT_WAIT_S = 1.5
"""Time a bulb that is back has to report its level before the worst one is assumed."""

ON_THE_WAY_S = 0.1
"""Time beyond the bulb's latency in which it may still obey what the broker kept back while it hung."""

ALIVE_WAIT_S = 10.0
"""Time a bulb has to report that it is alive after a lost connection: it must find the broker too."""

WAITS_UNSEEN_S = 0.1
"""Time that the first connection may take without the light having gone on visibly meanwhile; after a longer
one the bulb is led from the level it was to have at first, which is the one from before."""

SILENT_STEPS_S = 15.0
"""A bulb led back in steps that reports nothing for this long counts as silent."""

NEAR_CODES = 0.006
"""Deviation of a report, as a share of full scale, that still means the code, because bulbs round."""

Condition = Literal["ok", "lost", "silent", "awaited", "asked", "disobeying"]


class ReportingBulb:
    """The reporting side of one bulb. Times are seconds of any clock that never goes back."""

    def __init__(self, drive: MqttDrive, cct_k: float | None = None) -> None:
        self.drive = drive
        self._cct_k = cct_k
        self.condition: Condition = "ok"
        self.reported: int | None = None
        self.returns = 0
        self.answers = AnswerHabits(drive.interval_s, drive.ask_to is not None, drive.fade_field is not None)
        self._found: int | None = None
        self._wanted: int | None = None
        self._first_wanted: tuple[int, float] | None = None
        """The code wanted first, which continues the light from before, and since when."""
        self._sent: int | None = None
        self._first_sent: int | None = None
        self._confirmed = self._truthful = False
        """True if it has confirmed the level sent last, and any level since it was found."""
        self._confirmed_code: int | None = None
        self._sent_at = self._asked_at = -math.inf
        self._moved_at = self._changed_at = -math.inf
        self._wait_until = math.inf
        self._if_silent: int | None = None
        self._reported_while_lost: int | None = None
        self._retained: int | None = None
        self._may_use_retained = False
        self._at_rest_from = -math.inf
        self._unexplained: UnexplainedReport | None = None
        self._return_steps: ReturnSteps | None = None
        self._late = self._fresh = False

    @property
    def reachable(self) -> bool:
        return self.condition in ("ok", "disobeying")

    @property
    def state(self) -> Literal["ok", "late", "lost", "disobeying"]:
        """The bulb's condition as others see it; while its level is unknown, it counts as lost."""
        if self.condition == "disobeying":
            return "disobeying"
        if self.condition != "ok":
            return "lost"
        return "late" if self._late else "ok"

    @property
    def confirmed(self) -> bool | None:
        """True if it recently reported the level it was sent; None if it cannot report."""
        if self.drive.report_topic is None:
            return None
        return self._fresh and self._unexplained is None and self.state == "ok"

    @property
    def answer_habit(self) -> Literal["yes", "changes", "no"] | None:
        """The messages that the bulb answers: all, changes only, or none; None while that is unknown."""
        return "no" if self.drive.report_topic is None else self.answers.habit

    @property
    def status(self) -> tuple[object, ...]:
        """Everything that others see of the bulb."""
        return self.state, self.reported, self.returns, self.confirmed, self.answers.habit

    @property
    def code(self) -> int | None:
        """The code that the bulb reports, or the code assumed when it came back without a report."""
        return self._found if self.reported is None else self.reported

    @property
    def _obeys_by(self) -> float:
        """The time by which the bulb should have the code last sent."""
        return max(self._moved_at, self._changed_at) + OBEYS_WITHIN_S

    def _judged_at(self, now: float) -> float:
        """Return the time of the next judgement of obedience if the bulb reports nothing new."""
        if self._unexplained is not None:
            return self._unexplained.next_at(now)
        if self.condition != "ok" or self._wanted != self._sent or not self._differs:
            return math.inf
        return self._obeys_by

    @property
    def _differs(self) -> bool:
        """True if the bulb has reported another level since the last level was sent."""
        if self.reported is None or self._sent is None or self.answers.heard_at < self._changed_at:
            return False
        return not self._is_near(self.reported, self._sent)

    def connected(self, now: float) -> None:
        """Note that the connection to the bulb is open, for the first time or again."""
        self.answers.forget()
        self._unexplained = self._retained = None
        if self._sent is None:
            self._connected_at_last(now)
            return
        if self.condition == "lost":
            return
        if self.drive.ask_to is not None:
            self._at_rest_from = now + self.drive.latency_s + ON_THE_WAY_S
        if self.condition != "asked":
            self._if_silent, self._may_use_retained = self._sent, True
        if self.drive.alive_topic is not None:
            self.condition, self._wait_until = "awaited", now + ALIVE_WAIT_S
        elif self.drive.report_topic is not None:
            self._await_report(now)
        else:
            self._back(self._if_silent)

    def _connected_at_last(self, now: float) -> None:
        """Begin from the code wanted first if the light has gone on since, unseen by the bulb."""
        if self._first_wanted is not None:
            code, since = self._first_wanted
            if self._wanted != code and now - since > WAITS_UNSEEN_S:
                self._back(code)

    def receive(self, topic: str, payload: bytes, now: float, kept: bool = False) -> bool:
        """Process a message from the bulb; return True if its state changed. Garbage is ignored.

        `kept` marks an earlier message that the broker retained.
        """
        before = self.condition, self._unexplained is None, self.status
        if topic == self.drive.alive_topic:
            self._take_alive(payload.decode("utf-8", "replace").strip() == self.drive.alive_words, now, kept)
        if topic == self.drive.report_topic:
            code = reported_code(self.drive, payload)
            if code is not None:
                self._take_report(code, now, kept)
        self.judge(now)
        return (self.condition, self._unexplained is None, self.status) != before

    def _take_report(self, code: int, now: float, kept: bool) -> None:
        if self.condition == "lost":
            self._reported_while_lost = self._reported_while_lost if kept else code
            return
        if kept or (not self.reachable and now < self._at_rest_from):
            # The bulb may have obeyed since, or is about to: what it says then is better.
            self._retained = code if self._may_use_retained else None
            self.answers.has_reported = True
            return
        near = self._sent is not None and self._is_near(code, self._sent)
        differed = self._differs
        self.reported = code
        self.answers.note_report(now, near, moved=self._is_on_the_way(code))
        if self.condition == "silent" and self.drive.ask_to is not None and not near:
            self.reported = None
            self._note_doubtful(code, now)
        elif not self.reachable:
            self._back(code, confirmed=True)
        elif self._return_steps is not None:
            self._take_step(self._return_steps, code, now)
        elif near:
            self._end_doubt()
            self._confirmed, self._confirmed_code, self._truthful = True, self._sent, True
        elif self._unexplained is not None:
            self._note_doubtful(code, now)
        elif not differed and self._wanted == self._sent and now >= self._obeys_by:
            if self._late and self._came_back_at(code):
                # The bulb was away for a short time.
                self._back(code, confirmed=True)
            else:
                self._unexplained = UnexplainedReport(code, now)
        elif self.condition == "disobeying" and self._is_believed:
            self._unexplained = UnexplainedReport(code, now)

    def _came_back_at(self, code: int) -> bool:
        """Return True if a bulb that can neither be asked nor fade may have this code after it was away:
        that after a power cut, or the one it had confirmed. Any other is more likely a stranger's."""
        drive = self.drive
        if drive.ask_to is not None or drive.fade_field is not None:
            return False
        levels = (self._confirmed_code, drive.full_scale if drive.comes_back == "full" else None)
        return any(level is not None and self._is_near(code, level) for level in levels)

    @property
    def _is_believed(self) -> bool:
        """True if it can be asked for its level and has reported the level sent at least once."""
        return self._truthful and self.drive.ask_to is not None

    def _note_doubtful(self, code: int, now: float) -> None:
        """Note a doubtful report, or the first of a silent bulb that can be asked to confirm it."""
        if self._unexplained is None:
            self._unexplained = UnexplainedReport(code, now)
        else:
            self._unexplained.note_report(code, self._is_near(code, self._unexplained.code), now)

    def _is_on_the_way(self, code: int) -> bool:
        """Return True if a reported code lies between the confirmed code and the one sent, nearer to that."""
        if self._sent is None or self._confirmed_code is None:
            return True
        low, high = sorted((self._confirmed_code, self._sent))
        return low <= code <= high and abs(code - self._sent) < abs(code - self._confirmed_code)

    def _end_doubt(self) -> None:
        """Drop the doubt, as the bulb has the level it was sent; a target that waited starts from here."""
        checked = self._unexplained is not None and self.drive.ask_to is not None
        self._unexplained = None
        if checked and self._wanted != self._sent:
            self._back(self._sent, confirmed=True)

    def _take_step(self, steps: ReturnSteps, code: int, now: float) -> None:
        if steps.reported(code, now):
            self._confirmed_code = steps.at
        if self._wanted is not None and self._is_near(code, self._wanted):
            self._return_steps = None

    def _is_near(self, code: int, other: int) -> bool:
        return abs(code - other) <= self._codes(NEAR_CODES, 1)

    def _codes(self, share: float, least: int) -> float:
        """Return a share of full scale in codes, at least `least`."""
        return max(least, share * self.drive.full_scale)

    def judge(self, now: float) -> bool:
        """Judge whether the bulb answers and obeys; return True if the state that others see changed."""
        before = self.status
        overdue = self.answers.overdue(now)
        if self.reachable and (overdue == "lost" or now >= self._expires_at):
            self._falls_silent()
        elif self.condition == "silent":
            self._judge_return(now)
        elif self.reachable and self._sent is not None:
            self._judge_obedience(now)
        self._late, self._fresh = overdue == "late", now - self.answers.heard_at < STALE_S
        return self.status != before

    @property
    def _expires_at(self) -> float:
        """The time at which a bulb led back in steps counts as silent."""
        return math.inf if self._return_steps is None else self.answers.heard_at + SILENT_STEPS_S

    def _falls_silent(self) -> None:
        kept = self._sent if self.drive.comes_back == "kept" else self.drive.full_scale
        self.condition, self._if_silent, self._wanted = "silent", kept, None
        self.reported = self._unexplained = self._return_steps = None
        self.answers.forget()

    def _judge_return(self, now: float) -> None:
        """Bring back a silent bulb at the level it has reported twice."""
        if self._unexplained is not None and self._unexplained.verdict(self.drive, now) == "true":
            self._back(self._unexplained.code, confirmed=True)
        elif self._unexplained is not None and self._unexplained.is_over(now):
            self._unexplained = None

    def _judge_obedience(self, now: float) -> None:
        if self._unexplained is not None:
            self._judge_unexplained(self._unexplained, now)
        elif self.reported is None or self._return_steps is not None:
            return
        elif not self._differs:
            self.condition = "ok"
        elif self.condition == "ok" and self._wanted == self._sent and now >= self._obeys_by:
            if self._has_stopped(self.reported):
                self._return_steps = ReturnSteps(self.reported, self.drive.full_scale, now)
                self._confirmed_code = self.reported
            if self._return_steps is None and (self._confirmed or self._is_believed):
                self._unexplained = UnexplainedReport(self.reported, now)
            else:
                self.condition = "disobeying"
                self.answers.forget()

    def _judge_unexplained(self, report: UnexplainedReport, now: float) -> None:
        verdict = report.verdict(self.drive, now)
        if verdict == "true":
            self._back(report.code, confirmed=True)
        elif verdict == "disobeys":
            self.condition = "disobeying"
            self.answers.forget()
            if self.drive.ask_to is None or report.is_over(now):
                self._unexplained = None
        elif verdict == "nothing" and not self._answers_checks:
            # The checks had no effect, and the bulb reports changes only.
            self.condition, self.reported, self._unexplained, self._confirmed = "ok", None, None, False

    @property
    def _answers_checks(self) -> bool:
        return self.answers.answers("repeat" if self.drive.ask_to is None else "question")

    def _has_stopped(self, code: int) -> bool:
        """Return True if the bulb may have stopped at this code on its way to the one it was sent.

        A bulb that can fade is excluded: a slow fade takes it to its level from wherever it is.
        """
        if self._confirmed or self._confirmed_code is None or self._sent is None or self.drive.fade_field:
            return False
        near = self._codes(NEAR_CODES, 1)
        low, high = sorted((self._confirmed_code, self._sent))
        return low - near <= code <= high + near

    def _take_alive(self, alive: bool, now: float, kept: bool) -> None:
        if not alive:
            self._falls_silent()
            self.condition, self._reported_while_lost = "lost", None
        elif self.condition == "lost" and self._reported_while_lost is not None:
            self.reported = self._reported_while_lost
            self._back(self.reported, confirmed=True)
        elif self.condition == "awaited":
            self._await_report(now)
        elif self.condition == "lost" or (self.condition == "silent" and not kept):
            self._may_use_retained = False
            self._await_report(now)

    def _found_silent(self) -> None:
        """Bring back a bulb that has not answered: at the level the broker retained, or the one assumed."""
        if self._retained is None:
            self._back(self._if_silent)
        else:
            self.reported = self._retained
            self._back(self.reported, confirmed=True)

    def _await_report(self, now: float) -> None:
        self.condition, self._wait_until, self._asked_at = "asked", now + REPORT_WAIT_S, -math.inf

    def _back(self, code: int | None, confirmed: bool = False) -> None:
        """Note that the bulb is back at this code; nothing is sent until it gets a new code."""
        self.condition, self._found, self._retained = "ok", code, None
        if not confirmed:
            # What it reported before is not where it is now.
            self.reported = None
        self._confirmed, self._truthful = confirmed, False
        self._confirmed_code = code if confirmed else self._confirmed_code
        self._unexplained = self._return_steps = None
        self.returns += 1
        self._sent, self._wanted, self._sent_at = code, None, -math.inf
        self.answers.forget()
