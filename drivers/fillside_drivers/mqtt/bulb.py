"""One bulb behind a topic: what it is sent and when, and what is known of it. No input or output, no clock.

A bulb takes few messages a second; of the codes it is to have the latest is sent and those between are
dropped. What it says of itself is held against what it was sent: a bulb that has another level a while after
its last message disobeys. One that is gone is sent nothing; when it is back its level is what it reports, or
the worst it may have, and nothing is sent until somebody who knows that has given a new code.

    ok            <--obeys / other level for long-->    disobeying
    any           --says it is gone-->                  lost
    lost          --says it is there-->                 asked     if silent: as comes_back says
    ok, disob.    --way to it broken and open again-->  awaited   where it says that it is there
                                                        asked     where it only reports
                                                        back      where it says nothing; as it was
    awaited       --says it is there-->                 asked     if silent: as it was
    awaited       --wait over-->                        back      as it was
    asked         --report-->                           back      as it reports
    asked         --wait over-->                        back      as above
    ok            --reports another level than it was
                    sent and had confirmed-->           back      as it reports: somebody else changed it

Back means ok, found at a level; `returns` counts it. What a broker kept of reports counts only after a way
was broken: when the bulb itself was gone, a kept report is from before.
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

ALIVE_WAIT_S = 10.0
"""How long a bulb has to say that it is there after the way to it was broken: it must find the broker too."""

ASSERT_AGAIN_S = 5.0
"""How often a settled level is sent again, since a message may be lost."""

NEAR_CODES = 0.006
"""Reports this share of full scale off still mean the code: bulbs round."""

Condition = Literal["ok", "lost", "awaited", "asked", "disobeying"]


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
        self.returns = 0
        self._found: int | None = None
        self._wanted: int | None = None
        self._sent: int | None = None
        self._confirmed = False
        self._sent_at = -math.inf
        self._moved_at = self._changed_at = -math.inf
        self._wait_until = math.inf
        self._if_silent: int | None = None
        self._said_while_lost: int | None = None

    @property
    def reachable(self) -> bool:
        return self.condition in ("ok", "disobeying")

    @property
    def shown(self) -> Literal["ok", "lost", "disobeying"]:
        """Its condition as others see it: while it is not known where it is, it cannot be reached."""
        if self.condition == "ok" or self.condition == "disobeying":  # noqa: PLR1714 - told apart for mypy
            return self.condition
        return "lost"

    @property
    def has(self) -> int | None:
        """The code it has as far as it says, or when it came back silent, as far as can be known."""
        return self._found if self.reported is None else self.reported

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
        if self.condition in ("asked", "awaited"):
            return self._wait_until
        if not self.reachable or self._wanted is None:
            return math.inf
        return min(self._leaves_at, self._judged_at)

    @property
    def _leaves_at(self) -> float:
        """When the next message may leave."""
        return self._sent_at + (self.drive.interval_s if self._wanted != self._sent else ASSERT_AGAIN_S)

    @property
    def _obeys_by(self) -> float:
        """When it should have the code that it was last given anew."""
        return max(self._moved_at, self._changed_at) + OBEYS_WITHIN_S

    @property
    def _judged_at(self) -> float:
        """When it will disobey unless it reports otherwise; infinity while it does either."""
        if self.condition != "ok" or None in (self.reported, self._sent) or self._wanted != self._sent:
            return math.inf
        assert self.reported is not None and self._sent is not None  # noqa: PT018 - for mypy
        return math.inf if self._is_near(self.reported, self._sent) else self._obeys_by

    def take(self, now: float) -> list[Outgoing]:
        """The messages that are due now."""
        if self.condition in ("asked", "awaited") and now >= self._wait_until:
            self._back(self._if_silent)
            return []
        if not self.reachable or self._wanted is None or now < self._leaves_at:
            return []
        was, code = self._sent, self._wanted
        fading = was is not None and was != code and now - self._moved_at < 2 * self.drive.interval_s
        if code != was:
            self._confirmed, self._changed_at = False, now
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

    def connected(self, now: float) -> None:
        """The way to the bulb is open, for the first time or again."""
        if self._sent is None or self.condition == "lost":
            return
        if self.condition != "asked":
            self._if_silent = self._sent
        if self.drive.alive_topic is not None:
            self.condition, self._wait_until = "awaited", now + ALIVE_WAIT_S
        elif self.drive.report_topic is not None:
            self.condition, self._wait_until = "asked", now + REPORT_WAIT_S
        else:
            self._back(self._if_silent)

    def heard(self, topic: str, payload: bytes, now: float, kept: bool = False) -> bool:
        """Take in a message from the bulb; whether what is known of it changed. Garbage says nothing.

        `kept` is one that was said before and that the broker kept.
        """
        before = (self.condition, self.reported, self.returns)
        if topic == self.drive.alive_topic:
            self._alive(payload.decode("utf-8", "replace").strip() == self.drive.alive_words, now)
        if topic == self.drive.report_topic:
            code = self._code(payload)
            if code is not None:
                self._reports(code, kept)
        self.judge(now)
        return (self.condition, self.reported, self.returns) != before

    def _reports(self, code: int, kept: bool) -> None:
        if self.condition == "lost":
            self._said_while_lost = self._said_while_lost if kept else code
            return
        near = self._sent is not None and self._is_near(code, self._sent)
        self.reported = code
        if self.condition in ("asked", "awaited") or (self._confirmed and not near):
            self._back(code, confirmed=True)
        elif near:
            self._confirmed = True

    def _is_near(self, code: int, other: int) -> bool:
        return abs(code - other) <= max(1, NEAR_CODES * self.drive.full_scale)

    def judge(self, now: float) -> bool:
        """Whether the bulb obeys, as far as it says; whether that changed."""
        if not self.reachable or self.reported is None or self._sent is None:
            return False
        settled = self._wanted == self._sent and now >= self._obeys_by
        before = self.condition
        if self._is_near(self.reported, self._sent):
            self.condition = "ok"
        elif settled:
            self.condition = "disobeying"
        return self.condition != before

    def _alive(self, alive: bool, now: float) -> None:
        if not alive:
            kept = self._sent if self.drive.comes_back == "kept" else self.drive.full_scale
            self.condition, self._if_silent = "lost", kept
            self.reported = self._wanted = self._said_while_lost = None
        elif self.condition == "lost" and self._said_while_lost is not None:
            self.reported = self._said_while_lost
            self._back(self.reported, confirmed=True)
        elif self.condition in ("lost", "awaited"):
            self.condition, self._wait_until = "asked", now + REPORT_WAIT_S

    def _back(self, code: int | None, confirmed: bool = False) -> None:
        """It is found at this code: nothing is sent until a code for it comes in."""
        self.condition, self._found, self._confirmed = "ok", code, confirmed
        self.returns += 1
        self._sent, self._wanted, self._sent_at = code, None, -math.inf

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
