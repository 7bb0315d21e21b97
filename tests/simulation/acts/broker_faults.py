"""Acts upon the broker and the bulbs on it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from random import Random
from typing import Any

from simulation.stories import ACTS, ActKind
from simulation.studio.bulbs import Bulb, is_bulb
from simulation.visitors.desk import has_door
from simulation.world import World

Args = dict[str, Any]
SETTLES_S = 6.0
"""Bulbs report, and are asked, at their own pace; a broker is sought every 5 s."""
BACK_WITHIN_S = 8.0
TRIMMED_AFTER_S = 0.7
"""When somebody trims a silent bulb, so that an answer is due."""
STRAY = ["full", "out", "other", "NaN", '{"level": null}', "", "1e999", "\\xff", "-5", "true", "[[[["]


def has_broker(rig: Args) -> bool:
    return has_door(rig) or has_bulbs(rig)


def has_bulbs(rig: Args) -> bool:
    return any(map(is_bulb, rig["heads"]))


# The broker


def _broker(random: Random, rig: Args) -> Args:
    what = random.choice(["gone", "gone", "hung", "stuck", "slow"])
    return {
        "what": what,
        "s": round(random.choice([0.3, 2.0, 6.0, 9.0]) * random.uniform(0.6, 1.4), 2),
        "slow_s": random.choice([0.1, 0.5, 2.0]),
        "restarted": random.random() < 0.3,
        "keeps": random.random() < 0.6,
    }


async def _do_broker(world: World, args: Args) -> None:
    broker = world.broker
    if broker.state != "up":
        return
    if args["what"] == "gone":
        broker.go()
    elif args["what"] == "slow":
        broker.slow(args["slow_s"])
    else:
        broker.hang(args["what"] == "stuck")
    await asyncio.sleep(args["s"])
    if args["restarted"] and broker.state != "gone":
        broker.go()
    broker.come_back(args["keeps"] or broker.state != "gone")


def _tell_broker(args: Args) -> str:
    gone = args["what"] == "gone" or args["restarted"]
    after = (
        "" if not gone else ", then starts with what it retained" if args["keeps"] else ", then starts empty"
    )
    how = f"slow, by up to {args['slow_s']} s" if args["what"] == "slow" else args["what"]
    return f"the broker is {how} for {args['s']} s{after}"


ACTS["broker"] = ActKind(_broker, _do_broker, _tell_broker, share=2.0, settles_s=SETTLES_S, suits=has_broker)


# The bulbs


def _some_bulb(random: Random, rig: Args) -> Args:
    return {"head": random.choice([head["name"] for head in rig["heads"] if is_bulb(head)])}


def _for(seconds: tuple[float, ...]) -> Callable[[Random, Args], Args]:
    def draw(random: Random, rig: Args) -> Args:
        return _some_bulb(random, rig) | {"s": round(random.choice(seconds) * random.uniform(0.7, 1.3), 2)}

    return draw


async def _do_unplug(world: World, args: Args) -> None:
    bulb = world.bulbs[args["head"]]
    if not bulb.powered:
        return
    bulb.unplug(args["noticed_s"])
    await asyncio.sleep(args["s"])
    bulb.plug_in()
    await asyncio.sleep(bulb.answers_after_s + 1.6)


async def _while(bulb: Bulb, seconds: float) -> None:
    bulb.faults += 1
    await asyncio.sleep(seconds)
    bulb.faults -= 1


async def _do_silent(world: World, args: Args) -> None:
    bulb = world.bulbs[args["head"]]
    if bulb.silent or bulb.deaf:
        return
    bulb.deaf = args["deaf"]
    if args["silent"]:
        state = await world.state() or {"heads": []}
        habits = {head["name"]: head["answers"] for head in state["heads"]}
        bulb.falls_silent(habits.get(bulb.name))
        if args["trim"] is not None:
            await asyncio.sleep(TRIMMED_AFTER_S)
            await world.order({"do": "trim", "role": bulb.role, "by": args["trim"]})
    if bulb.deaf:
        bulb.unknown()
    await _while(bulb, args["s"])
    bulb.silent = False
    if bulb.deaf:
        bulb.deaf = False
        bulb.unknown()


async def _do_lie(world: World, args: Args) -> None:
    bulb = world.bulbs[args["head"]]
    if bulb.says is not None:
        return
    bulb.says = bulb.level() if args["share"] is None else args["share"] * bulb.full
    bulb.unknown()
    await _while(bulb, args["s"])
    bulb.says = None
    bulb.unknown()


async def _do_stray(world: World, args: Args) -> None:
    bulb = world.bulbs[args["head"]]
    topics = bulb.topics
    if topics.report is None:
        return
    code = {"full": float(bulb.full), "out": 0.0, "other": args["share"] * bulb.full}.get(args["says"])
    if world.faults_now > 1 or world.now - world.broker.since_s < BACK_WITHIN_S:
        bulb.unknown()  # while the daemon seeks it, the bulb may be where anybody says
    words = args["says"] if code is None else topics.report_of(code, 1.0)
    for _ in range(args["times"]):
        world.stranger.publish(topics.report, words, retain=args["retain"])
        await asyncio.sleep(0.15)


async def _do_switch(world: World, args: Args) -> None:
    bulb = world.bulbs[args["head"]]
    if bulb.powered:
        bulb.changes_itself(round(args["share"] * bulb.full))


async def _do_slow(world: World, args: Args) -> None:
    bulb = world.bulbs[args["head"]]
    bulb.extra_delay_s, bulb.late_s = args["answers_s"], args["obeys_s"]
    await _while(bulb, args["s"])
    bulb.extra_delay_s = bulb.late_s = 0.0


def _act(name: str, draw: Any, do: Any, tell: Any, share: float = 1.0) -> None:
    ACTS[name] = ActKind(draw, do, tell, share=share, settles_s=SETTLES_S, suits=has_bulbs)


_act(
    "bulb unplugged",
    lambda random, rig: (
        _for((0.5, 3.0, 8.0))(random, rig) | {"noticed_s": round(random.choice([0.05, 1.0, 6.0]), 2)}
    ),
    _do_unplug,
    lambda args: (
        f"somebody pulls the plug of bulb {args['head']}, and puts it in after {args['s']} s; "
        f"the broker would notice after {args['noticed_s']} s"
    ),
    share=1.5,
)
_act(
    "bulb silent",
    lambda random, rig: (
        _for((3.0, 8.0, 14.0))(random, rig)
        | random.choice(
            [{"silent": True, "deaf": True}, {"silent": True, "deaf": False}, {"silent": False, "deaf": True}]
        )
        | {"trim": random.choice([None, -1.0, 0.7])}
    ),
    _do_silent,
    lambda args: (
        f"for {args['s']} s bulb {args['head']} "
        + " and ".join(["says nothing"] * args["silent"] + ["obeys nothing"] * args["deaf"])
        + ("" if args["trim"] is None else f"; somebody trims it by {args['trim']:+g}")
    ),
    share=1.5,
)
_act(
    "bulb lies",
    lambda random, rig: _for((1.0, 5.0, 9.0))(random, rig) | {"share": random.choice([None, 0.0, 1.0, 0.3])},
    _do_lie,
    lambda args: (
        f"for {args['s']} s bulb {args['head']} reports "
        + ("its level of now" if args["share"] is None else f"{args['share']:.0%}")
        + ", whatever is true"
    ),
)
_act(
    "stray report",
    lambda random, rig: (
        _some_bulb(random, rig)
        | {
            "says": random.choice(STRAY[:3] if random.random() < 0.7 else STRAY),
            "share": round(random.random(), 2),
            "times": random.choice([1, 1, 1, 2, 3]),
            "retain": random.random() < 0.3,
        }
    ),
    _do_stray,
    lambda args: (
        f"a stranger says {args['says']!r} ({args['share']}) on the topic of bulb {args['head']}, "
        f"{args['times']} times{', retained' if args['retain'] else ''}"
    ),
    share=1.5,
)
_act(
    "bulb switched",
    lambda random, rig: _some_bulb(random, rig) | {"share": random.choice([0.0, 1.0, 0.5])},
    _do_switch,
    lambda args: f"somebody sets bulb {args['head']} to {args['share']:.0%} by hand",
)
_act(
    "bulb slow",
    lambda random, rig: (
        _for((1.0, 6.0))(random, rig)
        | {"answers_s": random.choice([0.5, 1.2, 1.9]), "obeys_s": random.choice([0.0, 0.3, 1.0])}
    ),
    _do_slow,
    lambda args: (
        f"for {args['s']} s bulb {args['head']} answers {args['answers_s']} s later "
        f"and obeys {args['obeys_s']} s later"
    ),
)
