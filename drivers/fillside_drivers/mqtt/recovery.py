"""Recovery of a bulb that does not have the level it was sent: checks of a doubtful report, return in steps.

A report that differs from a level which the bulb had confirmed at rest may be true (somebody else changed
the level) or false (a stranger on the topic, an old message). Any level sent now is a step of light in one
of the two cases, unless the bulb fades by itself. Therefore

    a bulb that can be asked   is asked, and believed once `AGREES` answers agree and none contradicts
    one that can fade          is sent its level with a slow fade, which is right in both cases
    any other                  gets a moment to correct itself and is then sent its level once more, which
                               moves no lamp that obeys; an unsolicited report is not believed

A report of the level sent ends the doubt. A bulb that answers with another level is disobeying.

A bulb that stopped short of its level and disobeys may start to obey at any time, and then does whatever it
is sent. It is therefore led back in steps from the level it reports; each step waits for a report of the
last. A step is about 0.1 stop or less on every named dimming curve: 2 % of a level is 0.09 stop on the
steepest power law (the third, of CIE lightness), and 0.9 % of full is as much on a logarithmic dimmer of
three decades. A step is never less than one code.

Pure: no clock, no input or output.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from fillside_drivers.mqtt.options import MqttDrive

ASK_AGAIN_S = 1.0
"""Time between two questions, and the time a bulb gets to correct itself."""
SEND_AGAIN_S = 3.0
"""Time between two levels sent as a check; longer than a slow bulb takes to answer."""
AGREES = 2
"""Answers that must agree before a report is believed."""
LEAST_S = 2.5
"""Time that a bulb slow to answer gets to contradict a report."""
SHOWN_AFTER_S = 3.0
"""A report without contradiction by then counts as disobedience."""
ENDS_AFTER_S = 7.0
"""Time after the last report at which the questions end."""

STEP_OF_LEVEL, STEP_OF_FULL = 0.02, 0.009
BOLDER_EVERY_S = 30.0
"""The step doubles each time it has had no effect for this long, since a bulb may round to coarser steps."""

Verdict = Literal["open", "true", "disobeys", "nothing"]


@dataclass
class UnexplainedReport:
    """A reported code and the checks of it so far; times are seconds of any clock."""

    code: int
    since: float
    tried_at: float = -math.inf
    tries: int = 0
    agreed: int = 0
    _counted: int = 0
    _heard_at: float = -math.inf

    def checks_at(self, drive: MqttDrive) -> float:
        """Return the time of the next check."""
        if drive.ask_to is not None:
            return max(self.since, self.tried_at + ASK_AGAIN_S)
        if self.tries > 0:
            return self.tried_at + SEND_AGAIN_S
        return self.since if drive.fade_field is not None else self.since + ASK_AGAIN_S

    def note_check(self, now: float) -> None:
        """Note that a question or a level was sent to the bulb."""
        self.tried_at, self.tries = now, self.tries + 1

    def note_report(self, code: int, same: bool, now: float) -> None:
        """Note a report of a level other than the one sent; `same` if it repeats the doubtful one.

        Several reports after one question count as one.
        """
        self._heard_at = now
        if not same:
            self.code, self.agreed = code, 0
        if self.tries > self._counted:
            self._counted, self.agreed = self.tries, self.agreed + 1

    def verdict(self, drive: MqttDrive, now: float) -> Verdict:
        """Return the verdict at this time; `nothing` if the bulb reported no more."""
        asked, gone_s = drive.ask_to is not None, now - self.since
        if asked and self.agreed >= AGREES and gone_s >= LEAST_S:
            return "true"
        if gone_s < SHOWN_AFTER_S:
            return "open"
        return "disobeys" if self.agreed else "nothing"

    def next_at(self, now: float) -> float:
        """Return the time at which the verdict may change without a report; infinity for never."""
        ends = (self.since + LEAST_S, self.since + SHOWN_AFTER_S, self._ends_at)
        return next((at for at in ends if at > now), math.inf)

    def is_over(self, now: float) -> bool:
        """Return True once the time for questions is over."""
        return now >= self._ends_at

    @property
    def _ends_at(self) -> float:
        return max(self.since, self._heard_at) + ENDS_AFTER_S


class ReturnSteps:
    """A return in steps: `at` is the code the bulb reports, `sent` the step last sent."""

    def __init__(self, at: int, full_scale: int, now: float) -> None:
        self.at, self.sent = at, at
        self._full, self._moved_at = full_scale, now

    def step(self, wanted: int, now: float) -> int:
        """Return the code to send next on the way to the wanted one."""
        bolder = 2 ** min(int((now - self._moved_at) / BOLDER_EVERY_S), 16)
        most = bolder * max(1, int(min(STEP_OF_LEVEL * self.at, STEP_OF_FULL * self._full)))
        self.sent = max(self.at - most, min(self.at + most, wanted))
        return self.sent

    def reported(self, code: int, now: float) -> bool:
        """Note a reported code; return True if the bulb took the step."""
        if abs(code - self.sent) >= abs(code - self.at):
            return False
        if not min(self.at, self.sent) <= code <= max(self.at, self.sent):
            code = self.sent
        self.at, self._moved_at = code, now
        return True
