"""Leading a bulb that stood still back to its level, a step at a time, each once the one before was reported.

A bulb that did not obey will some day, and then does whatever it is sent: what it is sent must be near to
where it says it is. A step is about 0.1 stop or less on every dimming curve that a rig file knows by name:
2 % of a level is 0.09 stop on the steepest power law (the third, of CIE lightness), 0.9 % of full is as much
on a logarithmic dimmer of three decades; and never less than a code.
"""

from __future__ import annotations

STEP_OF_LEVEL, STEP_OF_FULL = 0.02, 0.009
BOLDER_EVERY_S = 30.0
"""A bulb may round to coarser steps than these: each time nothing came of a step for so long, it doubles."""


class ReturnSteps:
    """From the code that a bulb says it has; `sent` is the step that it was last sent."""

    def __init__(self, at: int, full_scale: int, now: float) -> None:
        self.at, self.sent = at, at
        self._full, self._moved_at = full_scale, now

    def step(self, wanted: int, now: float) -> int:
        """The code to send on the way to the wanted one."""
        bolder = 2 ** min(int((now - self._moved_at) / BOLDER_EVERY_S), 16)
        most = bolder * max(1, int(min(STEP_OF_LEVEL * self.at, STEP_OF_FULL * self._full)))
        self.sent = max(self.at - most, min(self.at + most, wanted))
        return self.sent

    def reported(self, code: int, now: float) -> bool:
        """Whether a report says that the bulb took the step."""
        if abs(code - self.sent) >= abs(code - self.at):
            return False
        if not min(self.at, self.sent) <= code <= max(self.at, self.sent):
            code = self.sent
        self.at, self._moved_at = code, now
        return True
