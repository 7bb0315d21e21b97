"""Bulbs on the broker: what each is sent, the light that it truly has, what it says, and its faults.

A bulb reads its messages as the rig's drive describes them, with no code of the product's. Its nature (how
soon it obeys, when and how finely it reports, its own gradual change of light) is drawn from the seed.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Callable
from contextvars import Context
from random import Random
from typing import Any

from simulation.machine.broker import MemoryBroker, Message
from simulation.studio.lamps import Lamp
from simulation.visitors.guests import Guest

Args = dict[str, Any]
CLEARLY = 0.03
"""A change of level by this share of full scale is more than any rounding."""
STARTS_UP_S = (0.3, 1.5)
"""How long a bulb that got its current back takes to find the broker."""


def is_bulb(head: Args) -> bool:
    return bool(head["drive"]["driver"] == "bulbs")


class Topics:
    """Where a bulb is spoken to and speaks, from the rig's drive."""

    def __init__(self, drive: Args) -> None:
        self.send_as: str = drive.get("send_as", "{code}")
        if "homie" in drive:
            base = f"homie/5/{drive['homie']}"
            self.level, self.report = f"{base}/set", base
            self.alive = f"homie/5/{drive['homie'].split('/')[0]}/$state"
            self.alive_as = "ready"
        else:
            self.level, self.report = drive["send_to"], drive.get("reports_at")
            self.alive, self.alive_as = drive.get("alive_at"), drive.get("alive_as", "online")
        self.ask = drive.get("ask_to")
        self.switch = drive.get("switch_to", self.level)
        self.on_as, self.out_as = drive.get("on_as"), drive.get("out_as")
        self.field: str | None = drive.get("reports_field")
        self.fade_field: str | None = drive.get("fade_field")
        self.full: int = drive.get("full_scale", 255)
        self.unit = (
            self.full / 100
            if "{percent}" in self.send_as
            else self.full
            if "{share}" in self.send_as
            else 1.0
        )

    def read(self, message: Message) -> tuple[float, float] | None:
        """Return the code and the fade [s] that a message asks for; None for anything else."""
        text = message.payload.decode("utf-8", "replace")
        if message.topic == self.switch and self.out_as is not None and text == self.out_as:
            return 0.0, 0.0
        if message.topic != self.level or text == self.on_as:
            return None
        said = json.loads(text)
        over_s = 0.0
        if isinstance(said, dict):
            over_s = float(said.get(self.fade_field, 0.0)) if self.fade_field is not None else 0.0
            said = said["level"]
        return float(said) * self.unit, over_s

    def report_of(self, code: float, grain: float) -> str:
        """Word a report, in steps of `grain` codes."""
        value = round(round(code / grain) * grain / self.unit, 4)
        number: float = int(value) if value == int(value) else value
        if self.field is None:
            return str(number)
        found: Any = number
        for key in reversed(self.field.split(".")):
            found = {key: found}
        return json.dumps(found)


class Bulb(Lamp):
    """One bulb. Levels are in codes of the drive's full scale, and may lie between two."""

    def __init__(self, head: Args, broker: MemoryBroker, random: Random) -> None:
        super().__init__(head)
        self.topics = Topics(head["drive"])
        self.full = self.topics.full
        self.role: str = head["role"]
        self.floor: float = head["dimming"]["floor"]
        self.comes_back: str = head["drive"].get("comes_back", "full")
        self._broker, self._loop, self._random = broker, broker.loop, random
        self.latency_s = head["drive"].get("latency_s", 0.08) + random.uniform(-0.03, 0.03)
        self.reports_changes_only = random.random() < 0.3
        self.reports_on_the_way = random.random() < 0.3
        self.grain = random.choice([1.0, 1.0, self.full / 255, self.full / 254])
        self.answers_after_s = random.choice([0.02, 0.1, 0.8])
        self.gradual_s = random.choice([0.0, 0.0, 0.2]) if self.topics.fade_field is None else 0.0
        """Its own gradual change, whatever it is sent."""
        self._way = (-math.inf, 0.0, 0.0, 0.0)
        self._said: str | None = None
        self._reports_due = 0
        self._obeys_s = self._speaks_s = 0.0
        self._sent: deque[float] = deque()
        self.powered = True
        self.plugged_s = -math.inf
        self.silent = self.deaf = False
        self.says: float | None = None
        self.extra_delay_s = self.late_s = 0.0
        self.since_s = -math.inf
        """Since when it is silent or deaf, or was last."""
        self.habit: str | None = None
        """What the daemon said of its answers before that."""
        self.moved_silent_s = -math.inf
        """When a clearly other level was sent for the first time since it is silent."""
        self._code_before: int | None = None
        self.faults = 0
        """How many faults are upon it now."""
        self.own_change_s = -math.inf
        """When it last became otherwise than the daemon could know at once."""
        self.obeyed_s = self.obeyed_left_s = self.confirmed_s = -math.inf
        self.told_s = math.inf
        """When it has said so."""
        self.on_obeyed: list[Callable[[Bulb, Message, float, float, float], object]] = []
        """Called with the message, the level before, the new one, and the time that the light takes [s]."""
        topics = tuple(filter(None, dict.fromkeys((self.topics.level, self.topics.switch, self.topics.ask))))
        alive = self.topics.alive
        will = None if alive is None else Message(alive, b"gone", 1, True, publisher=self.name)
        self.guest = Guest(broker, f"bulb {self.name}", topics, will)
        self.guest.on_connected, self.guest.on_message = self._connected, self._receive

    # Its light

    def level(self) -> float:
        """The level of its light now, in codes."""
        if not self.powered:
            return 0.0
        begins, start, goal, over_s = self._way
        share = 1.0 if over_s <= 0 else min(max((self._loop.now - begins) / over_s, 0.0), 1.0)
        return start + (goal - start) * share

    @property
    def goal(self) -> float:
        return self._way[2] if self.powered else 0.0

    @property
    def rests_at_s(self) -> float:
        return self._way[0] + self._way[3]

    def _go(self, level: float, over_s: float) -> None:
        self._way = (self._loop.now, self.level(), level, over_s)

    def falls_silent(self, habit: str | None) -> None:
        """Say nothing from now on; the daemon knew this of its answers."""
        self.silent, self.habit = True, habit
        self.since_s, self._code_before = self._loop.now, self.code

    def changes_itself(self, level: float) -> None:
        """Take another level that nobody ordered over the broker."""
        self._go(level, 0.0)
        self.unknown()
        self._report_soon()

    def unknown(self) -> None:
        """Note that it is no longer as the daemon may believe."""
        self.own_change_s, self.told_s = self._loop.now, math.inf

    # What it is sent

    def leaves(self, message: Message) -> None:
        """Note a message to it as it leaves the daemon."""
        if (found := self.topics.read(message)) is not None:
            self._sent.append(message.left_s)
            code = round(found[0])
            self.take(code, message.left_s)
            before = self._code_before
            far = before is not None and abs(code - before) > CLEARLY * self.full
            if self.silent and far and self.moved_silent_s < self.since_s:
                self.moved_silent_s = message.left_s

    def _receive(self, message: Message, was_retained: bool) -> None:
        if message.topic == self.topics.ask:
            self._later(0.0, self._say)
            return
        if self.deaf or (found := self.topics.read(message)) is None:
            return
        while self._sent and self._sent[0] < message.left_s:
            lost_s = self._sent.popleft()
            if lost_s > self.own_change_s:
                self.own_change_s, self.told_s = lost_s, math.inf
        if self._sent:
            self._sent.popleft()
        level = min(max(found[0], 0.0), float(self.full))
        self._obeys_s = max(self._obeys_s + 1e-6, self._loop.now + self.latency_s + self.late_s)
        self._loop.call_at(self._obeys_s, self._obey, message, level, found[1], context=Context())

    def _obey(self, message: Message, level: float, over_s: float) -> None:
        if not self.powered:
            return
        over_s = max(over_s, self.gradual_s)
        before = self.level()
        self._go(level, over_s)
        for tell in self.on_obeyed:
            tell(self, message, before, level, over_s)
        self.obeyed_s, self.obeyed_left_s = self._loop.now, message.left_s
        if self.topics.report is None:
            self.own_change_s = -math.inf
        if self.reports_on_the_way:
            self._later(0.0, self._report)
        self._report_soon()

    # What it says

    def _later(self, seconds: float, call: Callable[..., object], *args: object) -> None:
        at_s = self._loop.now + seconds + self.answers_after_s + self.extra_delay_s
        self._speaks_s = max(self._speaks_s + 1e-6, at_s) if seconds == 0 else at_s
        self._loop.call_at(self._speaks_s, call, *args, context=Context())

    def _report_soon(self) -> None:
        """Report once the light is at rest; what comes meanwhile puts that off."""
        self._reports_due += 1
        self._later(max(0.0, self.rests_at_s - self._loop.now), self._report_at_rest, self._reports_due)

    def _report_at_rest(self, number: int) -> None:
        if number == self._reports_due:
            self._report()

    def _report(self) -> None:
        if not self.reports_changes_only or self._words() != self._said:
            self._say()

    def _words(self) -> str:
        return self.topics.report_of(self.level() if self.says is None else self.says, self.grain)

    def _say(self) -> None:
        """Say its level, or what it takes for that."""
        if self.topics.report is None or self.silent or not self.powered:
            return
        words = self._words()
        if self.guest.publish(self.topics.report, words, retain=True):
            self._said = words
            if self.says is None and self._broker.state == "up":
                self.told_s = min(self.told_s, self._loop.now)
                if self.obeyed_s > self.own_change_s:
                    self.own_change_s, self.told_s = -math.inf, math.inf
                    self.confirmed_s = self._loop.now

    def _connected(self) -> None:
        if self.topics.alive is not None:
            self.guest.publish(self.topics.alive, self.topics.alive_as, retain=True)
        self._later(0.0, self._say)

    # Its plug

    def unplug(self, noticed_after_s: float) -> None:
        self.unknown()
        self._way = (-math.inf, self.goal, self.goal, 0.0)
        self.powered, self._said = False, None
        self.guest.vanish(noticed_after_s)

    def plug_in(self) -> None:
        """Get the current back: at full, or at the level before."""
        self.powered, self.plugged_s = True, self._loop.now
        level = float(self.full) if self.comes_back == "full" else self._way[2]
        self._way = (-math.inf, level, level, 0.0)
        self.unknown()
        least, most = STARTS_UP_S
        self._loop.call_later(self._random.uniform(least, most), self.guest.begin, context=Context())


def bulbs_of(rig: Args, broker: MemoryBroker, seed: int) -> dict[str, Bulb]:
    """Make the bulbs of a rig; they come up dark, and connect."""
    found = {}
    for head in rig["heads"]:
        if is_bulb(head):
            bulb = found[head["name"]] = Bulb(head, broker, Random(f"bulb {head['name']} {seed}"))
            broker.on_sent.append(bulb.leaves)
            bulb.guest.begin()
    return found
