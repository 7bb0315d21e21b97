"""The doors at which an order can be given, by name."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from random import Random
from typing import Any

from simulation.visitors import visitors
from simulation.visitors.osc_visitors import OscVisitor, address_of
from simulation.world import Given, World

Args = dict[str, Any]
Order = dict[str, Any]
SLOWLY_S = (0.0, 0.05, 0.3)
"""The pauses of a visitor who is slow."""


def give(world: World, order: Order, door: str) -> Given:
    """Note that an order is given now."""
    given = Given(order, door, world.now, world.runs)
    world.given.append(given)
    return given


def note(world: World, given: Given) -> None:
    """Note what was answered, for people."""
    answer = given.answer
    if answer is None:
        world.note(f"no answer at {given.door}")
    elif "error" in answer:
        world.note(f"not obeyed at {given.door}: {answer['error']['message']}")
    else:
        world.note(f"obeyed at {given.door}: {answer.get('note') or 'ok'}")


async def at_http(world: World, order: Order) -> Given:
    return await world.order(order)


async def at_http_slowly(world: World, order: Order) -> Given:
    given = give(world, order, "http, slowly")
    try:
        text = json.dumps(order).encode()
        answer = await visitors.ask_slowly(world.network, text, SLOWLY_S, world.hear)
    except visitors.NoAnswerError:
        return given
    given.answer, given.answered_s = json.loads(answer.octets), world.now
    return given


async def at_osc(world: World, order: Order) -> Given:
    given = give(world, order, "osc")
    with OscVisitor(world) as visitor:
        given.answer = await visitor.order(order)
    given.answered_s = None if given.answer is None else world.now
    return given


DOORS: dict[str, Callable[[World, Order], Awaitable[Given]]] = {
    "http": at_http,
    "slow": at_http_slowly,
    "osc": at_osc,
}


def any_door(random: Random, rig: Args) -> str:
    """Draw a door that a rig has."""
    return random.choice(
        ["http", "http", "slow"] if address_of(rig) is None else ["http", "slow", "osc", "osc"]
    )
