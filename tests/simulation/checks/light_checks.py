"""Checks on what the lamps are sent: no step that a person would see, no flash, and a stream that goes on."""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from simulation.stories import Story
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
FALLS_STOPS_S, FOLLOWS_STOPS_S = 3.0, {"calm": 0.3, "quick": 3.0}
"""The speeds [stops/s] of light over `most_lux`, and of light that follows at each pace."""
EVEN_FROM_OUTPUT = 0.035
"""Below the knee of every rig a head moves evenly in output."""
SPAN_S, LEAST_SPAN_S, FRAME_S, LATE_S = 0.5, 0.2, 0.023, 0.15
"""The span over which a speed is judged, the least of it, a frame, and the light that a stall adds to one."""
METERED_TIMES = 1.5
"""By how much a dimmer may seem to be steeper after readings near the truth."""
MISLED_TIMES, MISLED_STEP_STOPS, MISLED_FROM_OUTPUT = 4.0, 0.7, 0.1
"""After lies a believed dimmer is not the true one, and a fade is even by that: where it is believed flat
the light may change by so many times its speed, take such a step, and be below the knee up to this output."""


def step_stops(lamp: Lamp, before: int, code: int, seen_from: float = SEEN_FROM_OUTPUT) -> float:
    """Return the step between two codes of a lamp as a person sees it; a step of one code is none."""
    if abs(code - before) <= 1:
        return 0.0
    one, other = (max(lamp.output(each), seen_from) for each in (before, code))
    return abs(math.log2(other / one))


class Turns:
    """Counts the turns of one lamp's light: it has gone back by more than 0.1 stop from its extreme."""

    def __init__(self) -> None:
        self._way = 0
        self._high = self._low = 0.0
        self._known = False
        self.times: deque[float] = deque(maxlen=MOST_TURNS + 1)

    def goes(self, output: float, now_s: float, turn_stops: float = TURN_STOPS) -> bool:
        """Take the next light; return true if it makes the fourth turn of a second."""
        stops = math.log2(max(output, LEAST_OUTPUT))
        if not self._known:
            self._known, self._high, self._low = True, stops, stops
        way = 0
        if stops < self._high - turn_stops - SLACK and self._way >= 0:
            way = -1
        elif stops > self._low + turn_stops + SLACK and self._way <= 0:
            way = 1
        if way:
            turns = self._way != 0
            self._way, self._high, self._low = way, stops, stops
            if turns:
                self.times.append(now_s)
                return len(self.times) > MOST_TURNS and now_s - self.times[0] < WINDOW_S - SLACK
        self._high, self._low = max(self._high, stops), min(self._low, stops)
        return False


def _turn_stops(world: World) -> float:
    """Return the least change of light that is a turn, where the dimmers may be believed to be others."""
    if world.may_be_misled:
        return TURN_STOPS * MISLED_TIMES
    return TURN_STOPS * (METERED_TIMES if world.may_be_metered else 1.0)


@asynccontextmanager
async def steady_light(world: World) -> AsyncIterator[None]:
    """No head steps by more than 0.35 stop between two frames, and none turns four times in a second."""
    turns = {name: Turns() for name in world.lamps}

    def look(lamp: Lamp, before: int | None, code: int) -> None:
        is_free = before is None or lamp.name in world.may_step
        world.may_step.discard(lamp.name)
        if is_free:
            turns[lamp.name] = Turns()  # what came before it, the daemon cannot know
        if turns[lamp.name].goes(lamp.output(code), world.now, _turn_stops(world)):
            world.complain("flash", f"{lamp.name} turns four times within a second")
        hung = {head["name"] for head in world.rig["heads"]} | world.going_out.keys()
        if code == 0:
            world.going_out.pop(lamp.name, None)
        if is_free or before is None or lamp.name not in hung:
            return
        is_misled = world.may_be_misled
        step = step_stops(lamp, before, code, MISLED_FROM_OUTPUT if is_misled else SEEN_FROM_OUTPUT)
        if step > (MISLED_STEP_STOPS if is_misled else MOST_STEP_STOPS):
            world.complain("step", f"{lamp.name} goes from {before} to {code} at once, {step:.2f} stop")

    for lamp in world.lamps.values():
        if lamp.name not in world.bulbs:  # these are judged by the light that they give
            lamp.on_code.append(look)
    yield


def fastest_stops_s(story: Story) -> float:
    """Return the fastest that light may change in a story by its rig file, and by every edit of that."""
    tables = [story.rig, *(act.args["over"] for act in story.acts if act.kind == "reload")]
    found = [FALLS_STOPS_S for each in tables if "most_lux" in each.get("subject", {})]
    for hold in (each.get("hold", {}) for each in tables):
        found += [hold.get("order_speed", 1.0), FOLLOWS_STOPS_S[hold.get("pace", "calm")]]
    return max(found)


class _Evenness:
    """Looks at how fast one lamp's light changes."""

    def __init__(self, world: World, lamp: Lamp) -> None:
        self._world, self._lamp = world, lamp
        self._fastest_stops_s = fastest_stops_s(world.story)
        self._seen: deque[tuple[float, float]] = deque()
        """When the light became what [s, output]."""
        world.on_start.append(self._seen.clear)

    def look(self, lamp: Lamp, before: int | None, code: int) -> None:
        world = self._world
        if lamp.name in world.going_out:
            self._seen.clear()
        if before in (None, code):
            return
        if self._seen and self._seen[-1][0] < world.now - SPAN_S:
            latest = self._seen[-1][1]
            self._seen.clear()
            self._seen.append((world.now - FRAME_S, latest))
        while self._seen and self._seen[0][0] < world.now - SPAN_S:
            self._seen.popleft()
        self._seen.append((world.now, lamp.output(code)))
        if self._seen[0][0] <= world.now - LEAST_SPAN_S:
            self._judge(code)

    def _judge(self, code: int) -> None:
        """Complain if the light has changed by more in the span than its speed lets it."""
        is_misled, output = self._world.may_be_misled, self._lamp.output
        speed = self._fastest_stops_s * (MISLED_TIMES if is_misled else 1.0)
        even_from = MISLED_FROM_OUTPUT if is_misled else EVEN_FROM_OUTPUT
        then_s, then = self._seen[0]
        took_s = self._world.now - then_s
        stops = abs(math.log2(max(output(code), even_from) / max(then, even_from)))
        one_code = math.log2(max(output(code), even_from) / max(output(max(code - 1, 0)), even_from))
        most = speed * (took_s + LATE_S) + 2 * one_code
        if stops > most:
            text = f"{self._lamp.name} goes by {stops:.2f} stop in {took_s:.2f} s, {most:.2f} at most"
            self._world.complain("speed", text)
            self._seen.clear()


@asynccontextmanager
async def even_light(world: World) -> AsyncIterator[None]:
    """No head changes faster than the rig file lets the light change, whatever is ordered or read."""
    for lamp in world.lamps.values():
        if lamp.name not in world.bulbs:
            lamp.on_code.append(_Evenness(world, lamp).look)
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
