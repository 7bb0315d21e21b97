"""Checks on what the lamps are sent: no step that a person would see, no flash, and a stream that goes on."""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from simulation.studio.lamps import Lamp
from simulation.world import World

MOST_STEP_STOPS = 0.35
SEEN_FROM_OUTPUT = 0.02
TURN_STOPS, MOST_TURNS, WINDOW_S = 0.1, 3, 1.0
LEAST_OUTPUT = 0.01
MOST_GAP_S = 2.5
"""ANSI E1.31-2018, 6.7.1: receivers take a source for lost that is silent for 2.5 s."""
RETRIES_WITHIN_S = 1.0
"""A wire that was gone is tried again within this time."""
LOOKS_EVERY_S = 0.1
SLACK = 1e-6


def step_stops(lamp: Lamp, before: int, code: int) -> float:
    """Return the step between two codes of a lamp as a person sees it; a step of one code is none."""
    if abs(code - before) <= 1:
        return 0.0
    one, other = (max(lamp.output(each), SEEN_FROM_OUTPUT) for each in (before, code))
    return abs(math.log2(other / one))


class Turns:
    """Counts the turns of one lamp's light: it has gone back by more than 0.1 stop from its extreme."""

    def __init__(self) -> None:
        self._way = 0
        self._high = self._low = 0.0
        self._known = False
        self.times: deque[float] = deque(maxlen=MOST_TURNS + 1)

    def goes(self, output: float, now_s: float) -> bool:
        """Take the next light; return true if it makes the fourth turn of a second."""
        stops = math.log2(max(output, LEAST_OUTPUT))
        if not self._known:
            self._known, self._high, self._low = True, stops, stops
        way = 0
        if stops < self._high - TURN_STOPS - SLACK and self._way >= 0:
            way = -1
        elif stops > self._low + TURN_STOPS + SLACK and self._way <= 0:
            way = 1
        if way:
            turns = self._way != 0
            self._way, self._high, self._low = way, stops, stops
            if turns:
                self.times.append(now_s)
                return len(self.times) > MOST_TURNS and now_s - self.times[0] < WINDOW_S - SLACK
        self._high, self._low = max(self._high, stops), min(self._low, stops)
        return False


@asynccontextmanager
async def steady_light(world: World) -> AsyncIterator[None]:
    """No head steps by more than 0.35 stop between two frames, and none turns four times in a second."""
    turns = {name: Turns() for name in world.lamps}

    def look(lamp: Lamp, before: int | None, code: int) -> None:
        is_free = before is None or lamp.name in world.may_step
        world.may_step.discard(lamp.name)
        if is_free:
            turns[lamp.name] = Turns()  # what came before it, the daemon cannot know
        if turns[lamp.name].goes(lamp.output(code), world.now) and not world.may_be_metered:
            world.complain("flash", f"{lamp.name} turns four times within a second")
        hung = {head["name"] for head in world.rig["heads"]} | world.going_out.keys()
        if code == 0:
            world.going_out.pop(lamp.name, None)
        if is_free or before is None or lamp.name not in hung:
            return
        step = step_stops(lamp, before, code)
        if step > MOST_STEP_STOPS:
            world.complain("step", f"{lamp.name} goes from {before} to {code} at once, {step:.2f} stop")

    for lamp in world.lamps.values():
        if lamp.name not in world.bulbs:  # these are judged by the light that they give
            lamp.on_code.append(look)
    yield


@asynccontextmanager
async def stream_goes_on(world: World) -> AsyncIterator[None]:
    """The stream has no gap in which receivers would take the source for lost."""

    async def watch() -> None:
        free_s, numbered = 0.0, 0
        while True:
            await asyncio.sleep(LOOKS_EVERY_S)
            process = world.process
            if (
                process is None
                or not process.alive
                or process.stalled_until > world.now
                or world.network.weather.sending_fails
            ):
                free_s = world.now + RETRIES_WITHIN_S
            silent_s = world.now - max(free_s, world.started_s, world.stage.last_s)
            if silent_s > MOST_GAP_S and world.has_stage:
                world.complain("stream", f"no packet for {silent_s:.1f} s")
                free_s = world.now
            if world.stage.repeated > numbered:
                world.complain("stream", "packets are not numbered one after the other")
                numbered = world.stage.repeated

    world.on_start.append(world.stage.numbers.clear)
    task = asyncio.create_task(watch())
    try:
        yield
    finally:
        task.cancel()
