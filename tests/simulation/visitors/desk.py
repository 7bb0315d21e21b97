"""A program at the broker: it gives orders and hears what is said; it plays sensor and automation too."""

from __future__ import annotations

import asyncio
import json
from typing import Any

from simulation.machine.broker import MemoryBroker, Message
from simulation.visitors.guests import Guest

Args = dict[str, Any]
DAEMON, HOMIE, ANSWERS = "fillside/corner/", "homie/5/fillside-corner/", "desk/answers"
OLD_EXPOSURE = 4321.0
"""What an old order that the broker retained asks for; nobody else does."""


def has_door(rig: Args) -> bool:
    return "mqtt" in rig.get("doors", {})


class Desk:
    """One program. `state` is the last one it heard, `online` the last word about the daemon."""

    def __init__(self, broker: MemoryBroker) -> None:
        self._broker = broker
        self.guest = Guest(broker, "desk", (DAEMON + "#", HOMIE + "#", ANSWERS))
        self.guest.on_message = self._hear
        self.state: Args | None = None
        self.online = ""
        self.alive = ""
        self.targets: dict[str, str] = {}
        self._numbers = 0
        self._waiting: dict[bytes, asyncio.Future[Args]] = {}
        self._leave_old_messages()
        self.guest.begin()

    def _leave_old_messages(self) -> None:
        """Let the broker hold what an earlier run and a careless program left there."""
        old = {
            "do": {"do": "expose", "to": OLD_EXPOSURE},
            "subject": {"to": [-3.0, 2.0, 1.2]},
            "state": {"mode": "dark"},
        }
        for word, body in old.items():
            self._broker.publish(Message(DAEMON + word, json.dumps(body).encode(), 1, True))
        self._broker.publish(Message(DAEMON + "online", b"true", 1, True))

    def _hear(self, message: Message, was_retained: bool) -> None:
        topic, text = message.topic, message.payload.decode()
        if topic == DAEMON + "online":
            self.online = text
        elif topic == DAEMON + "state" and not was_retained:
            self.state = json.loads(text)
        elif topic == HOMIE + "$state":
            self.alive = text
        elif topic.startswith(HOMIE) and topic.endswith("/$target"):
            self.targets[topic.removeprefix(HOMIE).removesuffix("/$target")] = text
        elif topic in (ANSWERS, DAEMON + "said") and message.correlation in self._waiting:
            waits = self._waiting[message.correlation]
            if not waits.done():
                waits.set_result(json.loads(text))

    async def ask(self, order: Args, topic: str | None, within_s: float) -> Args | None:
        """Give an order and wait for its answer, on a topic of our own or on `said`; None without one."""
        self._numbers += 1
        correlation = str(self._numbers).encode()
        waits = self._waiting[correlation] = asyncio.get_running_loop().create_future()
        more: Args = {"correlation": correlation} | ({"response": topic} if topic else {})
        if not self.guest.publish(DAEMON + "do", json.dumps(order), **more):
            return None
        try:
            async with asyncio.timeout(within_s):
                return await waits
        except TimeoutError:
            return None
        finally:
            del self._waiting[correlation]
