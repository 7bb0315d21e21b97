"""Acts of people: orders about the light, at the HTTP door."""

from __future__ import annotations

import asyncio
from random import Random
from typing import Any

from simulation.stories import ACTS, ActKind
from simulation.world import Given, World

Args = dict[str, Any]


def draw_order(random: Random, rig: Args) -> Args:
    """Draw an order that any door takes."""
    roles = [head["role"] for head in rig["heads"]]
    thirds = random.choice([-6, -3, -2, -1, 1, 2, 3, 5]) / 3
    place = [round(random.uniform(-0.5, 0.7), 2), round(random.uniform(-0.4, 0.4), 2), 1.2]
    orders: list[Args] = [
        {"do": "trim", "role": random.choice(roles), "by": round(thirds, 3)},
        {"do": "trim", "role": random.choice(roles), "to": 0},
        {"do": "balance", "ratio": random.choice(["1.5:1", "2:1", "3:1", "4:1"])},
        {"do": "expose", "by": round(thirds, 3)},
        {"do": "move", "mark": random.choice(list(rig["marks"]))},
        {"do": "move", "to": place},
        {"do": "follow"},
        {"do": "freeze"},
        {"do": "dark"},
        {"do": "keep"},
        {"do": "undo"},
        {"do": "undo"},
        {"do": "only", "head": "key", "level": 0.5},
        {"do": "all"},
    ]
    return random.choice(orders)


async def _give(world: World, args: Args) -> None:
    note_answer(world, await world.order(args))


def note_answer(world: World, given: Given) -> None:
    """Note what came back on an order."""
    if given.answer is None:
        world.note("no answer")
    elif "error" in given.answer:
        world.note(f"not obeyed: {given.answer['error']['message']}")
    else:
        world.note(f"obeyed: {given.answer.get('note') or 'ok'}")


def _to_and_fro(random: Random, rig: Args) -> Args:
    return {
        "role": random.choice(["key", "fill"]),
        "times": random.randint(4, 14),
        "every_s": round(random.uniform(0.05, 0.35), 3),
        "stops": random.choice([0.3, 0.7, 2.0]),
    }


async def _do_to_and_fro(world: World, args: Args) -> None:
    async with asyncio.TaskGroup() as orders:
        for number in range(args["times"]):
            stops = args["stops"] * (-1) ** number
            orders.create_task(world.order({"do": "trim", "role": args["role"], "by": stops}))
            await asyncio.sleep(args["every_s"])


def phrase(order: Args) -> str:
    """Say an order as a person would."""
    return " ".join(str(value) for value in order.values())


ACTS["order"] = ActKind(draw_order, _give, lambda args: f"somebody orders: {phrase(args)}", share=6.0)
ACTS["to and fro"] = ActKind(
    _to_and_fro,
    _do_to_and_fro,
    lambda args: (
        f"somebody trims {args['role']} to and fro {args['times']} times by {args['stops']} stop, "
        f"every {args['every_s']} s"
    ),
    share=0.7,
)
