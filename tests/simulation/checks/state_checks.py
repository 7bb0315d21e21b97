"""Checks on what the state tells, beside what the lamps were sent and what light follows from it.

The light is worked out here anew: point lamps of known intensity, the inverse square, and cosines.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt

from simulation.studio.bulbs import Bulb
from simulation.world import World

State = dict[str, Any]
Vector = tuple[float, ...]
LOOKS_EVERY_S = 1.0
CLOSELY_EVERY_S, CLOSELY_FOR_S = 0.25, 2.5
BAND_STOPS = 0.2
"""The dead band of 0.15 stop, with the steps of narrow codes."""
SAME_STOPS = 0.03
METERED_STOPS = 0.15
"""What a calibration of few readings may be from the truth."""
MOST_LUX_SLACK = 1.02
FALLS_STOPS_S, TURNS_DOWN_WITHIN_S = 3.0, 0.6
"""The rate at which light over `most_lux` falls, and the time in which it begins to."""
TOLD_WITHIN_S = 3.0
SETTLED_FOR_S = 1.2
OURS = ("SideJobError", "ignored GeneratorExit")
"""What an act lets a side job raise, and what Python says of coroutines of a killed process."""
EIGHTH_TURN = math.pi / 4


class Light:
    """The light of a set of outputs at a place."""

    def __init__(self, rig: dict[str, Any], outputs: dict[str, float], place: Vector) -> None:
        self._place, self._camera = place, tuple(rig["camera"]["position"])
        self._heads = [
            (head, outputs[head["name"]])
            for head in rig["heads"]
            if head["name"] in outputs and _is_before(head, self._place)
        ]

    def _facing(self, head: dict[str, Any], output: float) -> float:
        return output * head["intensity"] / math.dist(head["position"], self._place) ** 2

    def role(self, role: str) -> float:
        """Return the lux of a role, each head on a flat receptor facing it."""
        return sum(self._facing(head, output) for head, output in self._heads if head["role"] == role)

    @property
    def ratio_stops(self) -> float | None:
        key, fill = self.role("key"), self.role("fill")
        return math.log2(key / fill) if key > 0 and fill > 0 else None

    @property
    def exposure_lux(self) -> float:
        """Return the lux of key and fill on a dome that faces the camera."""
        ahead = _unit(self._camera, self._place)
        return sum(
            self._facing(head, output) * (1 + _dot(ahead, _unit(head["position"], self._place))) / 2
            for head, output in self._heads
            if head["role"] in ("key", "fill")
        )

    @property
    def brighter_cheek_lux(self) -> float:
        """Return the most that a flat receptor shows at 45 degrees to either side of where the face looks."""
        ahead = _unit(self._camera, self._place)
        level = math.hypot(ahead[0], ahead[1])
        found = []
        side = (-ahead[1] / level, ahead[0] / level, 0.0)
        for turn in (EIGHTH_TURN, -EIGHTH_TURN):
            axis = tuple(math.cos(turn) * a + math.sin(turn) * b for a, b in zip(ahead, side, strict=True))
            found.append(
                sum(
                    self._facing(head, output) * max(0.0, _dot(axis, _unit(head["position"], self._place)))
                    for head, output in self._heads
                )
            )
        return max(found)


def _is_before(head: dict[str, Any], place: Vector) -> bool:
    """Return true if a lamp gives light at a place: behind its plane it gives none."""
    at = head["position"]
    ahead, there = (tuple(b - a for a, b in zip(at, to, strict=True)) for to in (head["aim"], place))
    return _dot(ahead, there) > 0


def _unit(to: Any, origin: Vector) -> Vector:
    away = math.dist(to, origin)
    return tuple((a - b) / away for a, b in zip(to, origin, strict=True))


def _dot(one: Vector, other: Vector) -> float:
    return sum(a * b for a, b in zip(one, other, strict=True))


def balances(state: State) -> bool:
    """Return true while the balance decides alone."""
    return state["mode"] == "follow" and state["alone"] is None and state["shown"] is None


def is_metered(state: State) -> bool:
    """Return true if readings count; the lamps of this world do not give what these say."""
    return state["calibrated_at"] is not None or bool(state["drift"] or state["daylight"])


def silent(state: State) -> bool:
    """Return true if nothing in the state says why the light might not be as wanted."""
    return not (state["limits"] or state["notes"] or state["identifying"] or not state["settled"])


def _outputs(world: World, state: State) -> dict[str, float]:
    """Return the outputs that the state tells; of a bulb that does not obey, that of the level it reports."""
    return {
        head["name"]: (
            head["output"]
            if head["says_level"] is None
            else world.lamps[head["name"]].curve(head["says_level"])
        )
        for head in state["heads"]
    }


def _other_codes(world: World, state: State) -> Iterator[tuple[str, str]]:
    """Yield the heads whose lamps were sent another code; one that disobeys is led from where it is, and a
    bulb that somebody set to just that level by hand has it without having been sent it."""
    for head in state["heads"]:
        lamp = world.lamps[head["name"]]
        if lamp.code is None or head["state"] == "disobeying":
            continue
        if isinstance(lamp, Bulb) and abs(lamp.level() - head["level"] * lamp.full) <= 1.5:
            continue
        if abs(lamp.code / lamp.full - head["level"]) > 1.5 / lamp.full:
            yield "untrue", f"{lamp.name} has code {lamp.code}, and the state says level {head['level']}"


def wrongs(world: World, state: State, rested: bool) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with a state at a moment when everything should be right, or told."""
    if any(head["name"] not in world.lamps for head in state["heads"]):
        return  # another rig file is in force
    if is_metered(state):
        return
    rig, place = world.rig, tuple(state["subject"])
    light = Light(rig, _outputs(world, state), place)
    target, achieved = state["target"], state["achieved"]
    if rested and all(head["works"] for head in state["heads"]):
        yield from _other_codes(world, state)
        if light.ratio_stops is not None and achieved["ratio_stops"] is not None:
            off = light.ratio_stops - achieved["ratio_stops"]
            if abs(off) > (SAME_STOPS if state["calibrated_at"] is None else METERED_STOPS):
                yield "untrue", f"the ratio told is {off:+.2f} stop from what the levels give"
    if balances(state) and silent(state) and "out" not in state["trims"].values():
        for name in ("ratio_error_stops", "exposure_error_stops"):
            if achieved[name] is None or abs(achieved[name]) > BAND_STOPS:
                yield "wrong light", f"{name} is {achieved[name]}, and nothing says why"
        if light.exposure_lux > 0:
            off = math.log2(light.exposure_lux / target["exposure_lux"])
            if abs(off) > BAND_STOPS + (SAME_STOPS if state["calibrated_at"] is None else METERED_STOPS):
                yield "wrong light", f"the exposure is {off:+.2f} stop off, and nothing says why"


@asynccontextmanager
async def told_truly(world: World) -> AsyncIterator[None]:
    """Some seconds after the last fault the light is right, or fading there, or the state says why not."""
    watcher = _Watcher(world)
    task = asyncio.create_task(watcher.run())
    try:
        yield
    finally:
        task.cancel()


class _Watcher:
    """Looks at the state once a second."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._over_since: float | None = None
        self._under_by = 0.0

    async def run(self) -> None:
        world = self._world
        while True:
            await asyncio.sleep(self._pause_s())
            run, began_s = world.runs, world.now
            if not world.is_up or world.now < world.started_s + LOOKS_EVERY_S:
                self._over_since = None
                continue
            state = await world.state()
            if state is None or world.runs != run or world.now > began_s + 0.2:
                self._over_since = None
                continue
            self._look(state)

    def _pause_s(self) -> float:
        """Return the time until the next look: shorter where light might have to fall."""
        given, capped = self._world.given, "most_lux" in self._world.story.rig["subject"]
        soon = capped and given and self._world.now - given[-1].given_s < CLOSELY_FOR_S
        return CLOSELY_EVERY_S if soon else LOOKS_EVERY_S

    def _look(self, state: State) -> None:
        world = self._world
        self._over_most(state)
        if (
            world.has_stage
            and world.now - max(world.network.failing_since, world.started_s) > TOLD_WITHIN_S
            and state["drivers"]["stage"]["state"] == "ok"
        ):
            world.complain("untold", "nothing is sent for 3 s, and the wire is said to be ok")
        for job in state["jobs"]:
            if not world.may_fail(job["name"]):
                world.complain("side job", f"{job['name']} fails: {job['says']}")
        if world.now < world.right_from_s:
            return
        rested = all(world.now - lamp.changed_s > SETTLED_FOR_S for lamp in world.lamps.values())
        for rule, text in wrongs(world, state, rested and state["settled"]):
            world.complain(rule, text)
        ordered_s = max((one.given_s for one in world.given), default=0.0)
        if (
            rested
            and world.is_calm  # a lost wire is told within its time, and until then its light seems to go on
            and not (state["settled"] or state["waits"] or state["identifying"])
            and world.now - ordered_s > SETTLED_FOR_S
        ):
            world.complain("stuck", "the light is said to be on its way, and nothing has moved for a second")

    def _over_most(self, state: State) -> None:
        """No goal exceeds `most_lux`, and light over it comes down.

        A calibration believes other lamps than there are, where a reading was wrong.
        """
        world, most = self._world, self._world.rig["subject"].get("most_lux")
        if most is None or not balances(state) or is_metered(state):
            return
        if any(head["name"] not in world.lamps for head in state["heads"]):
            return
        place = tuple(state["subject"])
        goals = {head["name"]: head["goal"]["output"] for head in state["heads"]}
        goal = Light(world.rig, goals, place).brighter_cheek_lux
        if goal > most * MOST_LUX_SLACK and all(head["works"] for head in state["heads"]):
            world.complain("most lux", f"the goal puts {goal:.0f} lx on a cheek, over {most:.0f} lx")
        now = Light(world.rig, {h["name"]: h["output"] for h in state["heads"]}, place)
        obeyed = all(head["state"] == "ok" for head in state["heads"])
        over = now.brighter_cheek_lux / (most * MOST_LUX_SLACK)
        if over <= 1 or not world.is_calm or state["waits"] or not obeyed:
            self._over_since = None
        elif self._over_since is None:
            self._over_since = world.now
            self._under_by = world.now + math.log2(over) / FALLS_STOPS_S + TURNS_DOWN_WITHIN_S
        elif world.now > self._under_by:
            text = f"{now.brighter_cheek_lux:.0f} lx on a cheek since {self._over_since:.1f} s"
            world.complain("most lux", f"{text}, over {most:.0f} lx")


@asynccontextmanager
async def no_fault_of_ours(world: World) -> AsyncIterator[None]:
    """No exception is logged, or told to the event loop, that nobody foresaw."""
    yield
    for text in world.logged:
        if not any(ours in text for ours in OURS):
            world.complain("exception", text)
    for process in world.processes:
        for failure in process.failures:
            if isinstance(failure.get("exception"), aiomqtt.MqttCodeError):
                continue  # aiomqtt does not look at the end of a connection that it was about to close
            world.complain("exception", f"{failure.get('message')}: {failure.get('exception')!r}")
