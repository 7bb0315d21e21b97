"""Acts of people and programs that order: every word, at every door, one at a time or all at once."""

from __future__ import annotations

import asyncio
import contextlib
import json
from random import Random
from typing import Any

from simulation.acts.light_orders import phrase
from simulation.stories import ACTS, ActKind
from simulation.visitors import doors, visitors
from simulation.visitors.any_order import any_order, wrong_text
from simulation.visitors.osc_visitors import OscVisitor, message
from simulation.world import World

Args = dict[str, Any]
BURST, TALK = 20, 6
LEAVES_AFTER_S = 0.5


def _order(random: Random, rig: Args) -> Args:
    return {"door": doors.any_door(random, rig), "order": any_order(random, rig)}


async def _do_order(world: World, args: Args) -> None:
    doors.note(world, await doors.DOORS[args["door"]](world, args["order"]))


def _burst(random: Random, rig: Args) -> Args:
    return {"orders": [_order(random, rig) for _ in range(BURST)]}


async def _do_burst(world: World, args: Args) -> None:
    async with asyncio.TaskGroup() as visitors_at_once:
        for each in args["orders"]:
            visitors_at_once.create_task(doors.DOORS[each["door"]](world, each["order"]))
    answers = [given.answer for given in world.given[-BURST:]]
    world.note(f"{sum(bool(answer and answer.get('ok')) for answer in answers)} of them were obeyed")


def _talk(random: Random, rig: Args) -> Args:
    return {
        "orders": [any_order(random, rig) for _ in range(random.randint(2, TALK))],
        "pipelined": random.random() < 0.5,
        "pause_s": random.choice([0.0, 0.02, 0.3]),
        "leaves_early": random.random() < 0.2,
    }


async def _do_talk(world: World, args: Args) -> None:
    """Give orders on one connection; pipelined, all are sent before the first answer comes."""
    with contextlib.suppress(visitors.NoAnswerError):
        connection = visitors.Connection(world.network, world.hear)
        try:
            under_way = []
            for order in args["orders"]:
                given = doors.give(world, order, "http, kept")
                future = connection.send("POST", "/api/v1/do", json.dumps(order).encode())
                under_way.append(asyncio.create_task(_answered(world, given, future)))
                if not args["pipelined"]:
                    await under_way[-1]
                await asyncio.sleep(args["pause_s"])
            if args["leaves_early"]:
                connection.leave()
            await asyncio.gather(*under_way)
        finally:
            connection.leave()


async def _answered(world: World, given: doors.Given, future: asyncio.Future[visitors.Answer]) -> None:
    with contextlib.suppress(visitors.NoAnswerError):
        answer = await visitors.answer_of(future)
        given.answer, given.answered_s = json.loads(answer.octets), world.now


async def _do_wrong(world: World, args: Args) -> None:
    body, text = None, args["text"]
    if args["door"] == "osc":
        with OscVisitor(world) as visitor:
            visitor.send(message("/fillside/do", text))
            heard = await visitor.answer()
        if heard is not None and heard[1][0] == "ok":
            world.complain("refused", f"obeyed over OSC: {text[:80]}")
        return
    connection = None
    with contextlib.suppress(visitors.NoAnswerError):
        connection = visitors.Connection(world.network, world.hear)
        answer = await connection.ask("POST", "/api/v1/do", text.encode())
        body = json.loads(answer.octets)
        if answer.status == 200 or "error" not in body:
            world.complain("refused", f"answered {answer.status}: {text[:80]}")
    if connection is not None:
        connection.leave()


LOOKS = (
    "/api/v1/state",
    "/api/v1/readings",
    "/api/v1/takes?most=5",
    "/api/v1/journal?most=20",
    "/api/v1/calibrations",
    "/api/v1/places",
    "/health",
    "/api/v1/nowhere",
    "/api/v1/takes?before=x",
)


async def _do_look(world: World, args: Args) -> None:
    with contextlib.suppress(visitors.NoAnswerError):
        await world.ask(args["method"], args["path"])


ACTS["order at a door"] = ActKind(
    _order, _do_order, lambda args: f"somebody orders at {args['door']}: {phrase(args['order'])}", share=6.0
)
ACTS["burst"] = ActKind(
    _burst, _do_burst, lambda args: f"{len(args['orders'])} orders in an instant", share=0.6
)
ACTS["talk"] = ActKind(
    _talk,
    _do_talk,
    lambda args: (
        f"on one connection{', pipelined' if args['pipelined'] else ''}: "
        f"{'; '.join(map(phrase, args['orders']))}"
    ),
)
ACTS["wrong order"] = ActKind(
    lambda random, rig: {"door": doors.any_door(random, rig), "text": wrong_text(random, rig)},
    _do_wrong,
    lambda args: f"a wrong order at {args['door']}: {args['text'][:60]}",
)
ACTS["look"] = ActKind(
    lambda random, rig: {"method": random.choice(["GET", "GET", "POST"]), "path": random.choice(LOOKS)},
    _do_look,
    lambda args: f"somebody asks {args['method']} {args['path']}",
    share=0.5,
)
