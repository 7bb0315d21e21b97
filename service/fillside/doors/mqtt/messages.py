"""Messages from the broker, and the orders they give. Pure: messages in, orders or refusals out.

Stale messages are not obeyed: those that the broker retained, that outlived their expiry, or that waited long
here.
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
from fillside.rig.fields import NAME

LONGEST_PAYLOAD = 64 * 1024
MOST_AGE_S = 5.0
"""A message that waited longer in our own queue belongs to another moment [s]."""
EXPIRES_AFTER_S = 0.5
"""The remaining expiry comes in whole seconds; a remainder of 0 counts as this [s]."""

_MARK = re.compile(NAME.pattern)


@dataclass(frozen=True)
class ReceivedMessage:
    """One message as received.

    `age_s` is the time it waited here, `came_unix_s` its arrival time, and `expires_s` its remaining expiry
    on arrival.
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
    """An order as JSON data, and the kind of publisher that sent it, for the journal.

    `sensor` is the name of the sensor that took the reading.
    """

    order: Any
    who: str
    sensor: str | None = None


class TopicEntry(NamedTuple):
    """One topic below ``fillside/RIG/``."""

    path: str
    direction: Literal["in", "out", "out, retained"]
    help: str


TOPIC_TABLE = (
    TopicEntry("do", "in", "an order, as every door takes it"),
    TopicEntry("subject", "in", 'where a tracker saw the subject: `{"to": [x, y, z]}`, or a mark\'s name'),
    TopicEntry("meter/NAME", "in", 'a lux sensor: a number, or `{"value": 640, "unit": "lux"}`'),
    TopicEntry("said", "out", "the answer to each order"),
    TopicEntry(
        "state", "out, retained", "the state, at most twice a second, and always when the light has settled"
    ),
    TopicEntry("online", "out, retained", "`true`; `false` when the daemon has stopped or cannot be reached"),
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
    def subscriptions(self) -> dict[str, int]:
        """The quality of service by topic; a lost report is superseded by the next."""
        return {self.do: 1, self.subject: 0, f"{self.meter}+": 1}

    def may_answer_at(self, topic: str | None) -> bool:
        """Return true if an answer may go to a topic that the asker named.

        It must be one plain topic, and not one of ours except below `said`, which is meant for answers.
        """
        if not topic or len(topic.encode("utf-8", "replace")) > 1024 or any(c in topic for c in "+#\0"):
            return False
        if topic.startswith("$"):
            return False
        return not topic.startswith(self.prefix) or topic.startswith(f"{self.said}/")


def order_from(
    message: ReceivedMessage, topics: Topics, sensors: Sensors, state: Callable[[], Mapping[str, Any]]
) -> BrokerOrder | None:
    """Return the order that a message gives; None for a sensor reading that nobody asked for.

    `state` is called only if an order depends on it. Raises Refusal for a stale message and for anything that
    is not an order.
    """
    check_fresh(message)
    if message.topic == topics.do:
        return BrokerOrder(strict_loads(message.payload), "a publisher")
    if message.topic == topics.subject:
        return BrokerOrder(_position_report(message.payload), "a tracker")
    name = message.topic.removeprefix(topics.meter)
    reading = sensors.reading(name, message.payload, message.came_unix_s, state)
    return None if reading is None else BrokerOrder(reading, f"meter {name}", sensor=name)


def check_fresh(message: ReceivedMessage) -> None:
    """Raise Refusal for a stale or overlong message."""
    if message.retained:
        raise Refusal("not_now", "a retained message is of another moment; publish it without retain")
    left_s = math.inf if message.expires_s is None else max(message.expires_s, EXPIRES_AFTER_S)
    if message.age_s > min(left_s, MOST_AGE_S):
        raise Refusal("not_now", f"it came too late: it waited {message.age_s:.1f} s")
    if len(message.payload) > LONGEST_PAYLOAD:
        raise Refusal("bad_order", f"{len(message.payload)} octets are too long an order")


def _position_report(payload: bytes) -> dict[str, Any]:
    text = payload.strip()
    is_json = text.startswith((b"{", b'"', b"["))
    place: Any = strict_loads(text) if is_json else text.decode("utf-8", "replace")
    if isinstance(place, str) and _MARK.fullmatch(place):
        return {"do": "subject", "mark": place}
    if isinstance(place, list):
        place = {"to": place}
    if not isinstance(place, dict) or "do" in place:
        raise Refusal("bad_order", 'a place is {"to": [x, y, z]} in metres, or the name of a mark', "to")
    return {"do": "subject", **place}
