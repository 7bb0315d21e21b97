"""Checks of bulbs and broker: no message steps the light of a bulb that has said what it has, and the state
tells in time what has gone wrong, and nothing that is not so.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt

from simulation.machine.broker import Message
from simulation.machine.loop import Process
from simulation.studio.bulbs import Bulb
from simulation.visitors.desk import OLD_EXPOSURE
from simulation.world import World

Args = dict[str, Any]
MOST_STEP_STOPS = 0.35
FRAME_S = 1 / 44
KEPT_BACK_S = 1.2
"""A broker that let go of what it kept back for so long sends several levels at once."""
ONE_CODE = 1.01
"""A bulb cannot change its light by less than a code."""
HEARD_WITHIN_S = 0.3
"""Time for a report to reach the daemon's next decision."""
MOVING_S = 3.3
"""A report of another level tells nothing while the light is on its way, and so long after."""
LOST_WITHIN_S, SILENT_WITHIN_S = 5.0, 10.6
OPENS_WITHIN_S = 14.0
"""Time for the door to find a broker that is up; its pauses grow."""
LOOKS_S = 2.0
OBEYS_WITHIN_S = 4.0
"""The state says `confirmed` of the level before while a new one is on its way."""
NEAR = 0.006
"""Share of full scale by which a report may differ from the level that it confirms."""


def _light(bulb: Bulb, level: float) -> float:
    """Return the light in stops; between out and its floor a bulb goes in a few messages."""
    return math.log2(max(bulb.curve(level / bulb.full), bulb.floor))


def steepest_stops(bulb: Bulb, before: float, level: float, over_s: float) -> float:
    """Return the largest change of light from one frame to the next on the way between two levels."""
    frames = max(1, int(over_s / FRAME_S))
    if frames == 1:
        return abs(_light(bulb, level) - _light(bulb, before))
    low, part = min(before, level), abs(level - before) / frames
    return max(_light(bulb, low + part * (k + 1)) - _light(bulb, low + part * k) for k in range(frames))


class _Gentle:
    """Looks at every message that a bulb obeys."""

    def __init__(self, world: World, bulb: Bulb) -> None:
        self._world, self._bulb = world, bulb
        self._moved: list[float] = []
        self._last: tuple[float, float, float] | None = None
        """When the message before left and was obeyed [s], and its level."""
        self._excused_until = -math.inf
        """The end of a change of light that began with a step nobody could help."""
        bulb.on_code.append(self._left)
        bulb.on_obeyed.append(self._obeyed)

    def _left(self, _: object, before: int | None, code: int) -> None:
        if before != code:
            self._moved = [*self._moved[-20:], self._world.now]

    def _obeyed(self, bulb: Bulb, message: Message, before: float, level: float, over_s: float) -> None:
        now_s = self._world.now
        if self._last is not None:
            left_s, obeyed_s, sent = self._last
            if now_s - obeyed_s < (message.left_s - left_s) / 2:
                before = sent  # what was late on its way is obeyed together with what was not
        self._last = message.left_s, now_s, level
        stops = steepest_stops(bulb, before, level, over_s)
        was_excused = now_s < self._excused_until
        if now_s - message.left_s > KEPT_BACK_S or self._is_excused(message.left_s):
            self._excused_until = max(self._excused_until, now_s + over_s)
        elif stops > MOST_STEP_STOPS and abs(level - before) > ONE_CODE and not was_excused:
            self._world.complain(
                "bulb steps",
                f"{bulb.name} went from {before:.0f} to {level:.0f} of {bulb.full} in {over_s:g} s: "
                f"{stops:.2f} stop between two frames, by a message of {message.left_s:.3f} s",
            )

    def _is_excused(self, left_s: float) -> bool:
        """Return True if the daemon could not know where the bulb was."""
        world, bulb = self._world, self._bulb
        own_s = bulb.own_change_s
        if world.may_be_metered:
            return True
        if bulb.says is not None or bulb.deaf or bulb.silent:
            return True
        if bulb.obeyed_left_s < world.started_s and bulb.name in world.may_step:
            return True  # the first message of a run carries the codes of the one before, as far as stored
        if own_s == -math.inf:
            return False
        if bulb.topics.ask is None and bulb.topics.fade_field is None:
            return True
        if bulb.confirmed_s < max(world.started_s, world.broker.since_s):
            return True  # reports that have never told the level sent are not believed
        stalled_s = world.process.stalled_until if world.process is not None else 0.0
        knows_s = max(bulb.told_s, stalled_s) + HEARD_WITHIN_S
        if left_s < knows_s or world.started_s >= own_s - HEARD_WITHIN_S:
            return True
        return any(own_s - MOVING_S < moved_s < knows_s for moved_s in self._moved)


class _Looks:
    """Looks at the state from time to time."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._habits: dict[str, Args] = {}
        """The state of each bulb as told at the look before."""
        self._failed: set[str] = set()
        self._door_was_open = False
        self.over = False

    async def run(self) -> None:
        while not self.over:
            await asyncio.sleep(LOOKS_S)
            await self.look()

    def _complain(self, rule: str, text: str) -> None:
        """Complain once of each thing."""
        if text not in self._failed:
            self._failed.add(text)
            self._world.complain(rule, text)

    async def look(self) -> None:
        world = self._world
        begun_s, run = world.now, world.runs
        state = await world.state()
        if state is None or world.runs != run or world.now > begun_s + HEARD_WITHIN_S:
            return
        for failure in world.process.failures if world.process is not None else ():
            # aiomqtt does not look at the end of a connection that it was about to close.
            if not isinstance(failure.get("exception"), aiomqtt.MqttCodeError):
                self._complain("failure", repr(failure.get("exception") or failure))
        for name, driver in state["drivers"].items():
            if "fault of ours" in driver["note"]:
                self._complain("failure", f"driver {name}: {driver['note']}")
        if state["balance"]["exposure_lux"] == OLD_EXPOSURE:
            self._complain("old order", "an order was obeyed that the broker had retained")
        if world.desk is not None:
            self._door_is_open()
        if world.bulbs:
            if "bulbs" in state["drivers"]:  # the rig file may name none any more
                self._broker_is_told(state)
            for head in state["heads"]:
                if head["name"] in world.bulbs:
                    self._bulb_is_told(world.bulbs[head["name"]], head)

    def _has_run_s(self) -> float:
        """Return how long the daemon has been up and going."""
        world = self._world
        process = world.process
        assert isinstance(process, Process)
        return world.now - max(world.started_s + 1.0, process.stalled_until)

    def _door_is_open(self) -> None:
        world, desk = self._world, self._world.desk
        assert desk is not None
        up_s = min(world.now - world.broker.since_s, self._has_run_s())
        if world.broker.state == "up" and desk.guest.is_connected and up_s > OPENS_WITHIN_S:
            homie = desk.alive == "ready" or not world.story.rig["doors"]["mqtt"]["homie"]
            is_open, was_open = desk.online == "true" and homie, self._door_was_open
            self._door_was_open = is_open
            # A door that says what heads there are now, after a reload, is closed for an instant.
            if not (is_open or was_open):
                self._complain(
                    "door stays closed", f"the broker is up for {up_s:.1f} s, and the door is not open"
                )

    def _broker_is_told(self, state: Args) -> None:
        world, broker = self._world, self._world.broker
        down_s = min(world.now - broker.since_s, self._has_run_s())
        # A changed rig file may have no bulbs left.
        told = state["drivers"].get("bulbs", {"state": "lost"})["state"]
        if broker.state in ("gone", "hung", "stuck") and down_s > LOST_WITHIN_S and told != "lost":
            self._complain(
                "broker told", f"the broker is {broker.state} for {down_s:.1f} s, and its driver {told}"
            )

    def _bulb_is_told(self, bulb: Bulb, head: Args) -> None:
        before, self._habits[bulb.name] = self._habits.get(bulb.name), head
        if bulb.topics.report is None:
            if head["confirmed"] is not None or head["answers"] != "no":
                self._complain("bulb told", f"{bulb.name} cannot answer, and the state says it does")
            return
        self._silence_is_told(bulb, head, before)
        self._level_is_true(bulb, head)

    def _silence_is_told(self, bulb: Bulb, head: Args, before: Args | None) -> None:
        world = self._world
        gone_s = min(world.now - bulb.since_s, self._has_run_s(), world.now - world.broker.since_s)
        if not bulb.silent or before is None or head["state"] != "ok":
            return
        known_s = max(bulb.since_s, world.started_s + 1.0, world.broker.since_s, bulb.plugged_s)
        moved = bulb.moved_silent_s > known_s
        if moved and world.now - bulb.changed_s > LOST_WITHIN_S + 0.2 < gone_s:
            self._complain(
                "silence told", f"{bulb.name} has not answered a change for {gone_s:.1f} s, and is ok"
            )
        if bulb.habit == "yes" and gone_s > SILENT_WITHIN_S + 0.2:
            self._complain(
                "silence told", f"{bulb.name}, which answers all, is silent for {gone_s:.1f} s, and ok"
            )

    def _level_is_true(self, bulb: Bulb, head: Args) -> None:
        world = self._world
        if not (world.is_calm and head["state"] == "ok" and head["confirmed"] and head["settled"]):
            return
        if world.now - bulb.changed_s < OBEYS_WITHIN_S:
            return
        told, true = head["level"] * bulb.full, bulb.level()
        if abs(told - true) > max(1.0, NEAR * bulb.full) + bulb.grain / 2 + 0.5:
            self._complain(
                "level told", f"{bulb.name} is confirmed at {told:.0f} of {bulb.full}, and has {true:.1f}"
            )


@asynccontextmanager
async def bulbs(world: World) -> AsyncIterator[None]:
    """Look on at the bulbs and the broker of a world, if it has any."""
    for bulb in world.bulbs.values():
        _Gentle(world, bulb)
    if not world.bulbs and world.desk is None:
        yield
        return
    looks = _Looks(world)
    task = asyncio.create_task(looks.run())
    try:
        yield
    finally:
        looks.over = True
        await task
