"""Acts of a tracker that reports where the subject is, and of one that goes mad."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import Iterator
from random import Random
from typing import Any

from simulation.stories import ACTS, ActKind
from simulation.visitors import doors, visitors
from simulation.visitors.any_order import place
from simulation.visitors.osc_visitors import OscVisitor, address_of, message
from simulation.world import World

Args = dict[str, Any]
ALTERNATES_HZ = 20.0
WALKS_M_S = 0.8
MADNESS = ("jumps", "nan", "huge", "alternates", "stops")


def _tracker(random: Random, rig: Args) -> Args:
    doors_here = ["http"] if address_of(rig) is None else ["http", "osc", "osc"]
    return {
        "door": random.choice(doors_here),
        "hz": random.choice([10, 15, 30]),
        "s": round(random.uniform(0.5, 3.0), 1),
        "from": place(random),
        "to": place(random),
        "jitter_m": random.choice([0.0, 0.005, 0.02]),
        "mad": random.choice([None, None, *MADNESS]),
        "mad_s": round(random.uniform(0.2, 2.0), 1),
        "seed": random.randrange(10**6),
    }


def places(args: Args) -> Iterator[tuple[float, list[float]]]:
    """Yield the reports of a tracker, each with the pause before it [s]."""
    random, every_s = Random(args["seed"]), 1 / args["hz"]
    way_m = max(math.dist(args["from"], args["to"]), 0.01)
    for number in range(int(args["s"] * args["hz"])):
        share = min(1.0, number * every_s * WALKS_M_S / way_m)
        there = [a + (b - a) * share for a, b in zip(args["from"], args["to"], strict=True)]
        yield every_s, [round(random.gauss(each, args["jitter_m"]), 4) for each in there]
    mad = args["mad"]
    if mad is None or mad == "stops":
        return
    every_s = 1 / ALTERNATES_HZ if mad == "alternates" else every_s
    for number in range(int(args["mad_s"] / every_s)):
        yield every_s, _mad_place(random, mad, number, args)


def _mad_place(random: Random, mad: str, number: int, args: Args) -> list[float]:
    if mad == "alternates":
        found: list[float] = args["from"] if number % 2 else args["to"]
        return found
    if mad == "nan":
        return [math.nan, args["to"][1], math.inf]
    if mad == "huge":
        return [1e9 * random.choice([-1, 1]), 1e9, 1e9]
    return [
        round(random.uniform(-4, 4), 2),
        round(random.uniform(-2, 3), 2),
        round(random.uniform(0.3, 2), 2),
    ]


async def _do_tracker(world: World, args: Args) -> None:
    if args["door"] == "osc":
        with OscVisitor(world) as visitor:
            for pause_s, there in places(args):
                await asyncio.sleep(pause_s)
                doors.give(world, {"do": "subject", "to": there}, "osc")
                visitor.send(message("/fillside/subject", *map(float, there)))
            return
    with contextlib.suppress(visitors.NoAnswerError):
        connection = visitors.Connection(world.network, world.hear)
        try:
            for pause_s, there in places(args):
                await asyncio.sleep(pause_s)
                given = doors.give(world, {"do": "subject", "to": there}, "http, kept")
                text = json.dumps(given.order).encode()
                answer = await connection.ask("POST", "/api/v1/do", text)
                given.answer, given.answered_s = json.loads(answer.octets), world.now
        finally:
            connection.leave()


def _tell(args: Args) -> str:
    end = f", then {args['mad']} for {args['mad_s']} s" if args["mad"] else ""
    return f"a tracker at {args['door']}, {args['hz']} Hz for {args['s']} s, walks to {args['to']}{end}"


def _take(random: Random, rig: Args) -> Args:
    noted = [
        {"do": "expose", "by": random.choice([-0.667, 0.333])},
        {"do": "balance", "ratio": random.choice(["1.5:1", "3:1"])},
        {"do": "move", "to": place(random)},
        {"do": "camera", "iso": 800},
        {"do": "sensor", "name": "window", "value": 640},
    ]
    return {
        "rests_s": round(random.uniform(0.8, 2.5), 1),
        "tracker": _tracker(random, rig),
        "noted": random.sample(noted, 2),
        "ends": random.choice(["follow", "undo", None]),
    }


async def _do_take(world: World, args: Args) -> None:
    """A take: nothing that happens in it, but an order to the light, may move the light."""
    await world.order({"do": "freeze"})
    await asyncio.sleep(args["rests_s"])
    for order in args["noted"]:
        await world.order(order)
    await _do_tracker(world, args["tracker"])
    if args["ends"] is not None:
        await world.order({"do": args["ends"]})


ACTS["take"] = ActKind(
    _take,
    _do_take,
    lambda args: f"a take that rests for {args['rests_s']} s; in it {_tell(args['tracker'])}",
    share=0.8,
)
ACTS["tracker"] = ActKind(_tracker, _do_tracker, _tell, share=1.5)
