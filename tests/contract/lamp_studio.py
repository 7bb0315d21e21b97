"""A hold, the sender's side of a bulb, and a lamp whose true light is known; time is only counted.

Lamps behave as such lamps do (common practice, no source): they obey a message some time after it came, and
report every level they are sent, or changes alone, or only once they rest, or when asked; some round.
"""

from __future__ import annotations

import json
import math
from collections import deque
from dataclasses import dataclass, field
from typing import Any, Literal

from contract.hold_studio import Studio
from contract.test_hold_with_bulbs import with_bulb
from fillside.runtime.wires import health_events
from fillside_drivers.driver import HeadHealth, Health
from fillside_drivers.mqtt.bulb import Bulb
from fillside_drivers.mqtt.options import MqttDrive

FILL = 1
TURN_S = 0.03
REPORTS = {"reports_at": "bulb"}
ASKED = {**REPORTS, "ask_to": "bulb/get"}
FADES = {**REPORTS, "send_as": '{"level": {code}}', "fade_field": "over"}


@dataclass
class Lamp:
    """The lamp itself. `tells` is when it reports; `hears` and `speaks` are the two ways to and from it."""

    full: int
    tells: Literal["all", "changes", "rest", "asked"] = "all"
    answer_s: float = 0.1
    coarse: int = 1
    latency_s: float = 0.08
    level: float = 0.0
    hears: bool = True
    speaks: bool = True
    obeys: bool = True
    way: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    waiting: deque[tuple[float, float, float]] = field(default_factory=deque)
    reports: list[tuple[float, bool]] = field(default_factory=list)
    """When it reports, and whether also what it said before."""
    told: int | None = None

    def message(self, code: int | None, over_s: float, now: float) -> None:
        """A level, or None for a question."""
        if not self.hears:
            return
        if code is None:
            self.reports.append((now + self.answer_s, True))
            return
        level = self.coarse * round(code / self.coarse)
        if self.obeys:
            self.waiting.append((now + self.latency_s, float(level), over_s))
        if self.tells in ("all", "changes"):
            self.reports.append((now + self.latency_s + over_s + self.answer_s, self.tells == "all"))
        elif self.tells == "rest":
            self.reports = [(now + self.latency_s + over_s + self.answer_s, True)]

    def at(self, now: float) -> float:
        """The level now, in codes."""
        while self.waiting and self.waiting[0][0] <= now:
            begins, level, over_s = self.waiting.popleft()
            self.way = (begins, self._on_the_way(begins), level, over_s)
        self.level = self._on_the_way(now)
        return self.level

    def put(self, level: float, now: float) -> None:
        """Somebody else changes it, or power comes."""
        self.waiting.clear()
        self.way = (now, level, level, 0.0)
        self.level = level

    def says(self, now: float) -> list[int]:
        """What it reports by now."""
        due = [one for one in self.reports if one[0] <= now]
        self.reports = [one for one in self.reports if one[0] > now]
        found = []
        for _, again in due:
            code = round(self.at(now))
            if self.speaks and (again or code != self.told):
                found.append(code)
            self.told = code
        return found

    def _on_the_way(self, now: float) -> float:
        begins, start, end, over_s = self.way
        share = 1.0 if over_s <= 0 else min(max((now - begins) / over_s, 0.0), 1.0)
        return start + (end - start) * share


class Room:
    """The studio whose fill is that lamp; `seen` are its true levels with their times."""

    def __init__(self, keys: dict[str, Any], tables: dict[str, Any] | None = None, **lamp: Any) -> None:
        self.rig = with_bulb("fill", 6.0, **{"full_scale": 254, **keys}, tables=tables or {})
        drive = self.rig.wiring.drives["fill"]
        assert isinstance(drive, MqttDrive)
        self.drive, self.bulb = drive, Bulb(drive)
        self.lamp = Lamp(drive.full_scale, **lamp)
        self.up = Studio(self.rig)
        self.health = Health(heads={"fill": HeadHealth()})
        self.strays: list[tuple[float, int]] = []
        self.seen: list[tuple[float, float]] = []
        self.ours: list[tuple[float, float, float]] = []
        """Steps of the lamp by our doing: when, from, to."""
        self.states: list[tuple[float, str]] = []
        self._tick_at = self._due = -math.inf

    def run(self, seconds: float, every_s: float = TURN_S) -> None:
        """Let time pass."""
        end = self.up.now + seconds
        while self.up.now < end:
            self._turn(self.up.now)
            self.up.now += every_s

    def hear(self, payload: str, topic: str = "bulb", kept: bool = False) -> None:
        """A message on a topic of the bulb's, whoever sent it."""
        if self.bulb.heard(topic, payload.encode(), self.up.now, kept):
            self._say()

    @property
    def head(self) -> dict[str, Any]:
        found: dict[str, Any] = next(head for head in self.up.state["heads"] if head["name"] == "fill")
        return found

    @property
    def code(self) -> int:
        code: int = self.up.codes[FILL]
        return code

    def _turn(self, now: float) -> None:
        if now >= self._tick_at - 1e-9:
            self.up.tick()
        wake = self.up.hold.wake_in(now)
        self._tick_at = math.inf if wake is None else now + wake
        self.bulb.want(self.code, now)
        if min(self._due, self.bulb.due(now)) <= now:
            self._serve(now)
        self._due = self.bulb.due(now)
        was = self.lamp.level
        level = self.lamp.at(now)
        if level != was:
            self.ours.append((now, was, level))
        self.seen.append((now, level))
        for code in self.lamp.says(now):
            self.hear(str(code))
        while self.strays and self.strays[0][0] <= now:
            self.hear(str(self.strays.pop(0)[1]))

    def _serve(self, now: float) -> None:
        """As the driver's loop does: until the bulb wants nothing more at this time."""
        for _ in range(4):
            before = self.bulb.known
            for out in self.bulb.take(now):
                self._deliver(out.topic, out.payload, now)
            self.bulb.judge(now)
            if self.bulb.known != before:
                self._say()
            if self.bulb.due(now) > now:
                return
        raise AssertionError("whoever waits for this bulb would never rest")

    def _deliver(self, topic: str, payload: str, now: float) -> None:
        if topic == self.drive.ask_to:
            self.lamp.message(None, 0.0, now)
            return
        said = json.loads(payload)
        code, over_s = (said["level"], said["over"]) if isinstance(said, dict) else (said, 0.0)
        self.lamp.message(int(code), over_s, now)

    def _say(self) -> None:
        """As the driver does: what is new to the hold, and its code for a bulb that was found."""
        bulb, old = self.bulb, self.health
        head = HeadHealth(bulb.shown, 0.0, bulb.has, bulb.returns, bulb.answering, bulb.confirms)
        self.health = Health(heads={"fill": head})
        self.states.append((self.up.now, bulb.shown))
        if happened := list(health_events("bulbs", old, self.health)):
            self.up.hold.events(happened, self.up.now)
            self.up.tick()
            self._tick_at = -math.inf
            self.bulb.want(self.code, self.up.now)

    def light_stops(self) -> tuple[list[float], list[float]]:
        """Times and true outputs of the lamp; its curve is a square."""
        return [t for t, _ in self.seen], [(level / self.lamp.full) ** 2 for _, level in self.seen]

    def worst_step_stops(self, since: float = -math.inf) -> float:
        """The largest change of the true light at once by our doing, a code of rounding left out."""
        worst = 0.0
        for when, a, b in self.ours:
            low, high = sorted((a, b))
            high = max(low, high - max(1, self.lamp.coarse))
            if when >= since:
                worst = max(worst, 2 * abs(math.log2(max(high, 25.4) / max(low, 25.4))))
        return worst
