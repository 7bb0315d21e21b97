"""What is said over the broker, and what order it stands for. Pure: messages in, orders or refusals out.

A message that is old is not obeyed: one that the broker kept (retained), one that outlived its expiry, and
one that waited here for long.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from fillside.doors.mqtt.sensors import Sensors
from fillside.orders.answers import Refusal
from fillside.orders.strict_json import strict_loads
from fillside.rig.tables.fields import NAME

LONGEST_PAYLOAD = 64 * 1024
MOST_AGE_S = 5.0
"""A message that waited longer in our own queue belongs to another moment."""
EXPIRES_AFTER_S = 0.5
"""What is left of an expiry comes in whole seconds; one of 0 is not over before half of one."""

_MARK = re.compile(NAME.pattern)


@dataclass(frozen=True)
class Heard:
    """One message as it came.

    `age_s` is how long it waited here, `expires_s` what was left of its expiry, `came_unix_s` when it came.
    """

    topic: str
    payload: bytes
    retained: bool = False
    age_s: float = 0.0
    came_unix_s: float = 0.0
    expires_s: float | None = None
    answer_to: str | None = None
    correlation: bytes | None = None


@dataclass(frozen=True)
class BrokerOrder:
    """An order, and who gave it: the kind of publisher, for the journal; `sensor` names one that read."""

    said: Any
    who: str
    sensor: str | None = None


class MessageReader(NamedTuple):
    """One topic below ``fillside/RIG/``."""

    path: str
    way: Literal["in", "out", "out, retained"]
    says: str


SPOKEN = (
    MessageReader("do", "in", "an order, as every door takes it"),
    MessageReader("subject", "in", 'where a tracker saw the subject: `{"to": [x, y, z]}`, or a mark\'s name'),
    MessageReader("meter/NAME", "in", 'a lux sensor: a number, or `{"value": 640, "unit": "lux"}`'),
    MessageReader("said", "out", "the answer to each order"),
    MessageReader(
        "state", "out, retained", "the state, at most twice a second, and always when the light has settled"
    ),
    MessageReader(
        "online", "out, retained", "`true`; `false` when the daemon has stopped or cannot be reached"
    ),
)


class Topics:
    """The topics of a rig.

    >>> Topics("corner").do
    'fillside/corner/do'
    """

    def __init__(self, rig: str) -> None:
        self.prefix = f"fillside/{rig}/"
        self.do, self.subject = f"{self.prefix}do", f"{self.prefix}subject"
        self.said, self.state, self.online = (self.prefix + word for word in ("said", "state", "online"))
        self.meter = f"{self.prefix}meter/"

    @property
    def heard(self) -> dict[str, int]:
        """What is subscribed to, and at which quality of service: a lost report is made good by the next."""
        return {self.do: 1, self.subject: 0, f"{self.meter}+": 1}

    def may_answer_at(self, topic: str | None) -> bool:
        """Whether an answer may go where the asker wants it: to one plain topic that is not one of ours,
        but for those below `said`, which are there for it."""
        if not topic or len(topic.encode("utf-8", "replace")) > 1024 or any(c in topic for c in "+#\0"):
            return False
        if topic.startswith("$"):
            return False
        return not topic.startswith(self.prefix) or topic.startswith(f"{self.said}/")


def order_from(
    heard: Heard, topics: Topics, sensors: Sensors, studio: Callable[[], Mapping[str, Any]]
) -> BrokerOrder | None:
    """The order that a message stands for; None for a sensor that nobody asked.

    `studio` gives the state, and is called only where an order depends on it. Raises Refusal for what is
    stale or no order.
    """
    check_fresh(heard)
    if heard.topic == topics.do:
        return BrokerOrder(strict_loads(heard.payload), "a publisher")
    if heard.topic == topics.subject:
        return BrokerOrder(_report(heard.payload), "a tracker")
    name = heard.topic.removeprefix(topics.meter)
    said = sensors.reading(name, heard.payload, heard.came_unix_s, studio)
    return None if said is None else BrokerOrder(said, f"meter {name}", sensor=name)


def check_fresh(heard: Heard) -> None:
    """Raise Refusal for a message of another moment, or one that is too long."""
    if heard.retained:
        raise Refusal("not_now", "a retained message is of another moment; publish it without retain")
    left_s = math.inf if heard.expires_s is None else max(heard.expires_s, EXPIRES_AFTER_S)
    if heard.age_s > min(left_s, MOST_AGE_S):
        raise Refusal("not_now", f"it came too late: it waited {heard.age_s:.1f} s")
    if len(heard.payload) > LONGEST_PAYLOAD:
        raise Refusal("bad_order", f"{len(heard.payload)} octets are too long an order")


def _report(payload: bytes) -> dict[str, Any]:
    """Where a tracker saw the subject."""
    text = payload.strip()
    is_json = text.startswith((b"{", b'"', b"["))
    said: Any = strict_loads(text) if is_json else text.decode("utf-8", "replace")
    if isinstance(said, str) and _MARK.fullmatch(said):
        return {"do": "subject", "mark": said}
    if isinstance(said, list):
        said = {"to": said}
    if not isinstance(said, dict) or "do" in said:
        raise Refusal("bad_order", 'a place is {"to": [x, y, z]} in metres, or the name of a mark', "to")
    return {"do": "subject", **said}
