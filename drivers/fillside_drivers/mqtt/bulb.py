"""One bulb behind a topic: what it is sent and when, and what is known of it. No input or output, no clock.

A bulb takes few messages a second; of the codes it is to have the latest is sent and those between are
dropped. What it says of itself is held against what it was sent: a bulb that has another level a while after
its last message disobeys. One that is gone is sent nothing; when it is back its level is what it reports, or
the worst it may have, and nothing is sent until somebody who knows that has given a new code.

    state        ok  --gone-->  lost  --alive-->  asked  --report or wait over-->  ok
    ok           <--obeys / other level for long-->  disobeying
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Literal

from fillside_drivers.mqtt.options import MqttDrive, message

OBEYS_WITHIN_S = 3.0
"""A bulb that reports another level than it was sent this long after the last message disobeys."""

REPORT_WAIT_S = 1.5
"""How long a bulb that is back has to report its level before the worst is taken."""

ASSERT_AGAIN_S = 5.0
"""How often a settled level is sent again, since a message may be lost."""

NEAR_CODES = 0.006
"""Reports this share of full scale off still mean the code: bulbs round."""

Condition = Literal["ok", "lost", "asked", "disobeying"]


@dataclass(frozen=True)
class Outgoing:
    topic: str
    payload: str


class Bulb:
    """The sender's side of one bulb. Times are seconds of any clock that never goes back."""

    def __init__(self, drive: MqttDrive, cct_k: float | None = None) -> None:
        self.drive = drive
        self._cct_k = cct_k
        self.condition: Condition = "ok"
        self.reported: int | None = None
        self._wanted: int | None = None
        self._sent: int | None = None
        self._sent_at = -math.inf
        self._asked_at = -math.inf
        self._moved_at = -math.inf

    @property
    def reachable(self) -> bool:
        return self.condition in ("ok", "disobeying")

    @property
    def waiting(self) -> bool:
        """Whether the latest code is still to be sent."""
        return self.reachable and self._wanted is not None and self._wanted != self._sent

    def want(self, code: int, now: float) -> None:
        """The bulb is to have this code; a bulb that is lost is not sent it."""
        if self.reachable and code != self._wanted:
            self._wanted, self._moved_at = code, now

    def due(self) -> float:
        """When the next message may leave; infinity while there is none to send."""
        if self.condition == "asked":
            return self._asked_at + REPORT_WAIT_S
        if not self.reachable or self._wanted is None:
            return math.inf
        wait = self.drive.interval_s if self._wanted != self._sent else ASSERT_AGAIN_S
        return self._sent_at + wait

    def take(self, now: float) -> list[Outgoing]:
        """The messages that are due now."""
        if self.condition == "asked" and now >= self.due():
            self._back(self.drive.full_scale if self.drive.comes_back == "full" else self._sent)
            return []
        if now < self.due() or self._wanted is None:
            return []
        was, code = self._sent, self._wanted
        fading = was is not None and was != code and now - self._moved_at < 2 * self.drive.interval_s
        self._sent, self._sent_at = code, now
        return self._messages(was, code, self.drive.interval_s if fading else 0.0)

    def _messages(self, was: int | None, code: int, fade_s: float) -> list[Outgoing]:
        drive, switch = self.drive, self.drive.switch_to or self.drive.level_topic
        if code == 0 and drive.out_as is not None:
            return [Outgoing(switch, drive.out_as)]
        found = [Outgoing(switch, drive.on_as)] if drive.on_as is not None and not was and code > 0 else []
        text = message(drive.send_as, code, drive.full_scale)
        more: dict[str, float] = {}
        if drive.cct_field is not None and self._cct_k is not None:
            more[drive.cct_field] = drive.cct_value(self._cct_k)
        if drive.fade_field is not None:
            more[drive.fade_field] = round(fade_s, 3)
        if more:
            text = json.dumps({**json.loads(text), **more})
        return [*found, Outgoing(drive.level_topic, text)]

    def connected(self) -> None:
        """The way to the bulb is open again: whatever was sent last is sent again, once."""
        self._sent_at = -math.inf

    def heard(self, topic: str, payload: bytes, now: float) -> bool:
        """Take in a message from the bulb; whether what is known of it changed. Garbage says nothing."""
        before = (self.condition, self.reported)
        if topic == self.drive.alive_topic:
            self._alive(payload.decode("utf-8", "replace").strip() == self.drive.alive_words, now)
        if topic == self.drive.report_topic:
            code = self._code(payload)
            if code is not None:
                self.reported = code
                if self.condition == "asked":
                    self._back(code)
        self.judge(now)
        return (self.condition, self.reported) != before

    def judge(self, now: float) -> bool:
        """Whether the bulb obeys, as far as it says; whether that changed."""
        if not self.reachable or self.reported is None or self._sent is None:
            return False
        settled = self._wanted == self._sent and now - max(self._moved_at, self._sent_at) >= OBEYS_WITHIN_S
        off = abs(self.reported - self._sent) > max(1, NEAR_CODES * self.drive.full_scale)
        before = self.condition
        if not off:
            self.condition = "ok"
        elif settled:
            self.condition = "disobeying"
        return self.condition != before

    def _alive(self, alive: bool, now: float) -> None:
        if not alive:
            self.condition, self.reported, self._wanted = "lost", None, None
        elif self.condition == "lost":
            self.condition, self._asked_at = "asked", now

    def _back(self, code: int | None) -> None:
        """It is there again with this code: nothing is sent until a code for it comes in."""
        self.condition, self.reported = "ok", code
        self._sent, self._wanted = code, None

    def _code(self, payload: bytes) -> int | None:
        try:
            value = json.loads(payload)
            for key in self.drive.reports_field.split(".") if self.drive.reports_field else ():
                value = value[key]
        except (ValueError, KeyError, TypeError, RecursionError):
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return None
        share = value / self.drive.report_full
        return round(share * self.drive.full_scale) if 0 <= share <= 1 else None
