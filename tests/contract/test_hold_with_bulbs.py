"""Contract: a head on a 44 Hz wire and a bulb that takes five messages a second fade together.

The bulb is the sender's real `Bulb` and, behind it, a lamp that does what such lamps do (common practice, no
source): some time after a message its level is the new one, or it goes there evenly over the time that the
message gives. What the hold believes of its latency is off by up to 30 ms.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from contract.hold_studio import CANDELAS, CHAIR, Studio, assert_no_flash, output, studio
from fillside.hold.events import HeadBack, HeadLost
from fillside.rig.file.build import build_rig
from fillside.rig.tables.model import Rig
from fillside_drivers.mqtt.bulb import Bulb
from fillside_drivers.mqtt.options import MqttDrive
from fillside_drivers.registry import kinds

KEY, FILL, HAIR, HOUSE = range(4)
KNOWN_LATENCY_S = 0.08
TURN_S = 0.002
"""How finely the light is looked at."""


def with_bulb(head: str, order_speed: float = 1.0, tables: dict[str, Any] | None = None, **drive: Any) -> Rig:
    """The studio with one of its heads a bulb that takes five messages a second."""
    balance = {"relative": {"hair": -1.0}, **(tables or {})}
    data = studio(hold={"order_speed": order_speed}, balance=balance).dump()
    table = {"driver": "bulbs", "send_to": "bulb/set", "most_per_s": 5.0, "latency_s": KNOWN_LATENCY_S}
    for own in data["heads"]:
        own["drive"] = {**table, **drive} if own["name"] == head else {"driver": "stage", "bits": 16}
    data["drivers"] = {"stage": {"kind": "sim"}, "bulbs": {"kind": "mqtt"}}
    rig, problems = build_rig(json.loads(json.dumps(data)), kinds())
    assert rig is not None, problems
    return rig


class Lamp:
    """A bulb's own side: messages come in, its level follows `latency_s` later."""

    def __init__(self, level: float, latency_s: float) -> None:
        self.level, self.latency_s = level, latency_s
        self._plan: list[tuple[float, float, float]] = []
        self._way: tuple[float, float, float, float] = (0.0, level, level, 0.0)

    def message(self, level: float, over_s: float, at_s: float) -> None:
        self._plan.append((at_s + self.latency_s, level, over_s))

    def at(self, now: float) -> float:
        while self._plan and self._plan[0][0] <= now:
            begins, level, over_s = self._plan.pop(0)
            self._way = (begins, self._on_the_way(begins), level, over_s)
        return self._on_the_way(now)

    def _on_the_way(self, now: float) -> float:
        begins, start, end, over_s = self._way
        share = 1.0 if over_s <= 0 else min(max((now - begins) / over_s, 0.0), 1.0)
        return start + (end - start) * share


class Stage:
    """The hold, its wire and its bulb in one time that is only counted."""

    def __init__(self, rig: Rig, bulb: str, latency_s: float) -> None:
        self.rig, self.head = rig, [h.name for h in rig.heads].index(bulb)
        drive = rig.driver_config.drives[bulb]
        assert isinstance(drive, MqttDrive)
        self.bulb, self.full = Bulb(drive), drive.full_scale
        self.up = Studio(rig)
        self.up.settle()
        code = self.up.codes[self.head]
        self.bulb.want(code, self.up.now)
        self.bulb.take(self.up.now)
        self.up.wait(7.3)
        self.lamp = Lamp(code / self.full, latency_s)
        self.sent: list[tuple[float, int]] = []
        self.seen: list[tuple[float, np.ndarray[Any, np.dtype[np.float64]]]] = []

    def run(self, seconds: float, act: Callable[[Studio], object] | None = None) -> None:
        """Let time pass, looking every 2 ms; `act` comes first."""
        up = self.up
        if act is not None:
            act(up)
        due = up.hold.wake_in(up.now)
        tick_at = math.inf if due is None else up.now + due
        for _ in range(round(seconds / TURN_S)):
            if up.now >= tick_at - 1e-9:
                up.tick()
            wake = up.hold.wake_in(up.now)
            tick_at = math.inf if wake is None else up.now + wake
            self._messages(up.now)
            self.seen.append((up.now, self._outputs(up.now)))
            up.now += TURN_S

    def _messages(self, now: float) -> None:
        self.bulb.want(self.up.codes[self.head], now)
        for out in self.bulb.take(now):
            said = json.loads(out.payload)
            level, over_s = (said["level"], said["over"]) if isinstance(said, dict) else (said, 0.0)
            self.lamp.message(level / self.full, over_s, now)
            self.sent.append((now, level))

    def _outputs(self, now: float) -> np.ndarray[Any, np.dtype[np.float64]]:
        found = [self._output(i, code) for i, code in enumerate(self.up.codes)]
        found[self.head] = self.lamp.at(now) ** 2
        return np.array(found)

    def _output(self, head: int, code: int) -> float:
        full = self.rig.full_scale_of(self.rig.heads[head])
        return (code / full) ** 2

    def ratio_stops(self) -> tuple[list[float], list[float]]:
        """Times and log2 of key over fill at the chair, from the inverse square of two point lamps."""
        place = [math.dist(self.rig.heads[i].position, CHAIR) for i in (KEY, FILL)]
        lux = [
            [o[i] * CANDELAS / d**2 for i, d in zip((KEY, FILL), place, strict=True)] for _, o in self.seen
        ]
        return [t for t, _ in self.seen], [math.log2(k / f) for k, f in lux]

    def message_steps_stops(self) -> list[float]:
        """How far each message is from the one before, in stops of light."""
        codes = [code for _, code in self.sent]
        return [abs(2 * math.log2(b / a)) for a, b in itertools.pairwise(codes) if a and b]


def trim(role: str, by: float) -> Callable[[Studio], object]:
    return lambda up: up.do("trim", role=role, by=by)


FADING = {"send_as": '{"level": {code}}', "fade_field": "over"}
WIRES: list[tuple[float, dict[str, Any], float]] = [
    # order speed asked for, the bulb's own keys, the speed it is then
    (0.5, {}, 0.5),
    (2.0, {}, 0.5),
    (2.0, FADING, 2.0),
]


@pytest.mark.parametrize("latency_s", [0.05, 0.08, 0.11])
@pytest.mark.parametrize("head", ["key", "fill"])
@pytest.mark.parametrize(("order_speed", "keys", "speed"), WIRES)
@pytest.mark.parametrize("by", [-2.0, 0.8])
def test_the_ratio_is_kept_during_a_fade_of_both(
    order_speed: float, keys: dict[str, Any], speed: float, head: str, latency_s: float, by: float
) -> None:
    stage = Stage(with_bulb(head, order_speed, **keys), head, latency_s)
    # A bulb's codes are coarse: at 8 bits its steps here are 0.012 to 0.05 stop.
    stage.run(0.5)
    _, before = stage.ratio_stops()
    stage.seen.clear()
    stage.run(abs(by) / speed + 1.5, lambda up: up.do("expose", by=by))
    _, ratio = stage.ratio_stops()
    worst = max(abs(value - before[-1]) for value in ratio)
    assert worst <= 0.15
    assert abs(ratio[-1] - before[-1]) <= 0.03
    assert stage.up.state["settled"]
    assert stage.sent[-1][1] == stage.up.codes[stage.head]


@pytest.mark.parametrize("latency_s", [0.05, 0.08, 0.11])
@pytest.mark.parametrize(("order_speed", "keys", "speed"), WIRES)
def test_key_over_fill_goes_straight_when_one_moves(
    order_speed: float, keys: dict[str, Any], speed: float, latency_s: float
) -> None:
    stage = Stage(with_bulb("fill", order_speed, **keys), "fill", latency_s)
    stage.run(0.2)
    stage.seen.clear()
    stage.run(2.0 / speed + 1.5, trim("fill", -2))
    times, ratio = stage.ratio_stops()
    begins = times[0] + KNOWN_LATENCY_S
    for t, value in zip(times, ratio, strict=True):
        share = min(max((t - begins) * speed / 2.0, 0.0), 1.0)
        assert value == pytest.approx(ratio[0] + share * (ratio[-1] - ratio[0]), abs=0.15)


@pytest.mark.parametrize(("order_speed", "keys", "speed"), WIRES)
def test_the_fade_is_as_slow_as_its_slowest_lamp_needs_and_no_slower(
    order_speed: float, keys: dict[str, Any], speed: float
) -> None:
    stage = Stage(with_bulb("fill", order_speed, full_scale=65535, **keys), "fill", 0.08)
    stage.up.do("trim", role="fill", by=-2)
    assert stage.up.settle() == pytest.approx(2.0 / speed + KNOWN_LATENCY_S, abs=0.05)
    stage.up.do("trim", role="key", by=-2)
    assert stage.up.settle() == pytest.approx(2.0 / order_speed, abs=0.05)
    # Where the bulb moves by half a stop only, the key may have a speed of its own.
    stage.up.do("trim", role="fill", by=0.5)
    stage.up.do("trim", role="key", by=2)
    needs_s = max(2.0 / order_speed, 0.5 / speed)
    assert stage.up.settle() == pytest.approx(needs_s + KNOWN_LATENCY_S, abs=0.05)


def test_heads_that_do_not_move_with_a_bulb_do_not_wait_for_one() -> None:
    up = Studio(with_bulb("fill", 1.0))
    up.settle()
    up.wait(3.0)
    up.frames.clear()
    began = up.now
    up.do("trim", role="key", by=-1)
    assert up.frames[0][0] == began


def test_a_bulb_is_led_by_a_tenth_of_a_stop_a_message() -> None:
    stage = Stage(with_bulb("fill", 6.0, full_scale=1023), "fill", 0.08)
    stage.run(6.0, trim("fill", -2))
    stage.run(6.0, trim("fill", 1))
    # A message carries a frame of the hold's, which is up to 1/44 s old.
    assert max(stage.message_steps_stops()) <= 0.1 + 0.5 / 44 + 0.005
    assert len(stage.sent) > 25


@pytest.mark.parametrize("most_per_s", [5.0, 10.0, 20.0])
@pytest.mark.parametrize("turned_after_s", [0.7, 0.72, 0.75])
def test_a_fade_that_turns_takes_back_what_a_bulb_was_sent_ahead_without_a_step(
    most_per_s: float, turned_after_s: float
) -> None:
    stage = Stage(with_bulb("fill", 6.0, full_scale=1023, most_per_s=most_per_s), "fill", 0.08)
    stage.run(turned_after_s, trim("fill", -2))
    stage.run(9.0, trim("fill", 1))
    assert stage.up.state["settled"]
    assert stage.sent[-1][1] == stage.up.codes[FILL]
    # It catches up at twice its fastest fade.
    assert max(stage.message_steps_stops()) <= 2 * (0.1 + 0.1 * most_per_s / 44) + 0.01


@pytest.mark.parametrize("code", [255, 60, None])
def test_a_bulb_that_is_back_is_led_to_its_level_by_less_than_a_tenth_of_a_stop_a_message(
    code: int | None,
) -> None:
    stage = Stage(with_bulb("fill", 6.0), "fill", 0.08)
    stage.run(0.3)
    stage.up.event(HeadLost("fill"))
    stage.run(1.0, lambda up: up.do("expose", by=-0.5))
    stage.sent = [(stage.up.now, stage.up.codes[FILL] if code is None else code)]
    stage.up.event(HeadBack("fill", code))
    stage.run(14.0)
    assert stage.up.state["settled"]
    assert max(stage.message_steps_stops()) <= 0.1
    assert len(stage.sent) > 8


def test_freezing_in_a_fade_keeps_the_light_and_not_what_is_on_its_way() -> None:
    stage = Stage(with_bulb("fill", 0.5), "fill", 0.08)
    stage.run(0.2)
    _, before = stage.ratio_stops()
    stage.run(1.5, lambda up: up.do("expose", by=-2))
    stage.run(2.0, lambda up: up.do("freeze"))
    _, ratio = stage.ratio_stops()
    assert ratio[-1] == pytest.approx(before[-1], abs=0.04)


def test_to_and_fro_with_a_bulb_never_flashes_and_ends_where_it_began() -> None:
    up = Studio(with_bulb("fill", 6.0))
    up.settle()
    before = up.codes
    for k in range(60):
        up.do("trim", role=("key", "fill")[k % 3 % 2], to=(-1.0, 0.0, 0.5)[k % 3])
        up.wait((0.03, 0.2, 0.11)[k % 3])
    for role in ("key", "fill"):
        up.do("trim", role=role, to=0)
    up.settle()
    assert up.codes == before
    rig = with_bulb("fill", 6.0)
    wide = studio()
    frames = [(t, tuple(_wide(rig, i, c) for i, c in enumerate(codes))) for t, codes in up.frames]
    assert_no_flash(wide, frames)
    assert output(wide, KEY, 65535) == 1.0


def _wide(rig: Rig, head: int, code: int) -> int:
    """A code as one of 16 bits, which the observer reads."""
    return round(code / rig.full_scale_of(rig.heads[head]) * 65535)
