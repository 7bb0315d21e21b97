"""Acts of somebody with a meter: readings, and guided routines that are left in the middle.

The readings are of the light that the lamps give in truth.
"""

from __future__ import annotations

import asyncio
import math
from random import Random
from typing import Any

from simulation.acts.light_orders import note_answer
from simulation.stories import ACTS, ActKind
from simulation.studio.lamps import CURVES
from simulation.world import World

Args = dict[str, Any]
HAND_STOPS = 0.001
"""How far the hand that holds the meter is out, so that no two readings are the same."""
TRIES_EACH_S = 1.0


def _lux(rig: Args, head: str, level: float, place: list[float], random: Random) -> float:
    """The light of one lamp, by its curve and the inverse square."""
    lamp = next(one for one in rig["heads"] if one["name"] == head)
    lux = (
        lamp["intensity"] * CURVES[lamp["dimming"]["curve"]](level) / math.dist(lamp["position"], place) ** 2
    )
    return float(f"{lux * 2.0 ** random.uniform(-HAND_STOPS, HAND_STOPS):.6g}")


def _reading(random: Random, rig: Args) -> Args:
    head = random.choice(_names(rig))
    mark = random.choice(list(rig["marks"]))
    return {
        "do": "read",
        "head": head,
        "level": 1.0,
        "at": mark,
        "value": _lux(rig, head, 1.0, rig["marks"][mark], random),
        "unit": "lux",
        "receptor": "flat",
        "facing": "head",
    }


async def _do_reading(world: World, args: Args) -> None:
    note_answer(world, await world.order(args))


def _routine(random: Random, rig: Args) -> Args:
    return {"steps": random.randint(1, 14), "then": random.choice(["", "", "leave"]), "hand": random.random()}


async def _do_routine(world: World, args: Args) -> None:
    """Go some steps in the routine: begin it, or take it up where it was left."""
    random = Random(f"hand {args['hand']}")
    for _ in range(args["steps"]):
        state = await world.state()
        if state is None:
            return
        given = await world.order(_next_step(state["routine"], world.story.rig, random))
        if given.answer is None:
            return
        if "error" in given.answer:
            await asyncio.sleep(TRIES_EACH_S)
    if args["then"]:
        await world.order({"do": "calibrate", "act": args["then"]})


def _next_step(routine: Args | None, rig: Args, random: Random) -> Args:
    if routine is None or routine["stage"] == "done":
        return {"do": "calibrate", "act": "start"}
    if routine["left"]:
        return {"do": "calibrate", "act": "resume"}
    unticked = [one["item"] for one in routine["ticks"] if not one["ticked"]]
    if unticked:
        return {"do": "calibrate", "act": "tick", "item": unticked[0]}
    asks = routine["asks"]
    if asks is not None and asks["facing"] == "head" and asks["head"] in _names(rig):
        value = _lux(rig, asks["head"], float(asks["level"]), asks["at"], random)
        return {"do": "read", "value": value, "unit": "lux"}
    return {"do": "calibrate", "act": "go" if "go" in routine["may"] else "skip"}


def _names(rig: Args) -> list[str]:
    return [head["name"] for head in rig["heads"]]


ACTS["reading"] = ActKind(
    _reading,
    _do_reading,
    lambda args: f"somebody reads {args['value']} lx of {args['head']} at the {args['at']}",
    share=0.7,
)
ACTS["routine"] = ActKind(
    _routine,
    _do_routine,
    lambda args: (
        f"somebody goes {args['steps']} steps in the guided routine" + ", and leaves it" * bool(args["then"])
    ),
    share=0.3,
)
