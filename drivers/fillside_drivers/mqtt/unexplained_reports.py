"""A report that nothing explains, and how it is checked before light is led from it. No clock, no I/O.

Theory. A report that differs from a level which the bulb had confirmed, at rest, may be true (somebody else
changed it) or not (a stranger on the topic, an old message). Whatever level is sent now is a step of light in
one of the two cases, unless the bulb fades by itself. So

    a bulb that can be asked   is asked, and believed once `AGREES` answers say the same and none denies it
    one that can fade          is sent its level with a slow fade, which is right in both cases
    any other                  is left a moment to correct itself, then sent its level once more, which moves
                               no lamp that obeys; what it reports without a question is not believed

A report of the level that it was sent ends the doubt. One that answers with another level does not obey.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from fillside_drivers.mqtt.options import MqttDrive

ASK_AGAIN_S = 1.0
"""Between two questions; also the moment that a bulb has to correct itself."""
SEND_AGAIN_S = 3.0
"""Between two levels that are sent to check: longer than a slow bulb takes to answer."""
AGREES = 2
LEAST_S = 2.5
"""A bulb that is slow to answer has so long to deny it."""
SHOWN_AFTER_S = 3.0
"""A report that was not denied by then counts as disobedience."""
ENDS_AFTER_S = 7.0
"""After the last report: no question is asked any more."""

Verdict = Literal["open", "true", "disobeys", "nothing"]


@dataclass
class Doubt:
    """The code reported, when, and what was done since; times are seconds of any clock."""

    code: int
    since: float
    tried_at: float = -math.inf
    tries: int = 0
    agreed: int = 0
    _counted: int = 0
    _heard_at: float = -math.inf

    def checks_at(self, drive: MqttDrive) -> float:
        """When the bulb is to be checked next."""
        if drive.ask_to is not None:
            return max(self.since, self.tried_at + ASK_AGAIN_S)
        if self.tries > 0:
            return self.tried_at + SEND_AGAIN_S
        return self.since if drive.fade_field is not None else self.since + ASK_AGAIN_S

    def tried(self, now: float) -> None:
        """A question or a level left for the bulb."""
        self.tried_at, self.tries = now, self.tries + 1

    def heard(self, code: int, same: bool, now: float) -> None:
        """The bulb reported another level than it was sent; `same` says whether the one in doubt. Several
        reports after one question count as one."""
        self._heard_at = now
        if not same:
            self.code, self.agreed = code, 0
        if self.tries > self._counted:
            self._counted, self.agreed = self.tries, self.agreed + 1

    def verdict(self, drive: MqttDrive, now: float) -> Verdict:
        """What comes of it by now; `nothing` where the bulb said no more."""
        asked, gone_s = drive.ask_to is not None, now - self.since
        if asked and self.agreed >= AGREES and gone_s >= LEAST_S:
            return "true"
        if gone_s < SHOWN_AFTER_S:
            return "open"
        return "disobeys" if self.agreed else "nothing"

    def next_at(self, now: float) -> float:
        """When the verdict may be another though nothing is heard; infinity for never."""
        ends = (self.since + LEAST_S, self.since + SHOWN_AFTER_S, self._ends_at)
        return next((at for at in ends if at > now), math.inf)

    def is_over(self, now: float) -> bool:
        """Whether asking has gone on for long enough."""
        return now >= self._ends_at

    @property
    def _ends_at(self) -> float:
        return max(self.since, self._heard_at) + ENDS_AFTER_S
