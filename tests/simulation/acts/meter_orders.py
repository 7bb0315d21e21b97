"""Acts of somebody with a meter and a tape, outside of routines, and of sensors; some of it are lies.

The readings are of the light that the lamps give in truth.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from random import Random
from typing import Any

from simulation.acts.light_orders import note_answer
from simulation.stories import ACTS, ActKind
from simulation.studio.meter import lux_at, names_of, outputs_at, said_lux, tape_of
from simulation.world import Given, World

Args = dict[str, Any]
NUMBERED = re.compile(r"(?:reading|tape|event) (\d+) (?:taken|noted)")
GARBAGE: tuple[Any, ...] = ("nan", None, [], -31, 2_000_000, "640 lx", {"lux": 3}, True)
SKY_LUX, ROOM_LUX = 640.0, 20.0
"""What a sensor at the window shows, and what the sky gives at the chair."""


def number_in(given: Given) -> int | None:
    """Return the number under which something was taken, as its answer says; None without one."""
    found = NUMBERED.match(str((given.answer or {}).get("note", ""))) if given.acknowledged else None
    return None if found is None else int(found[1])


def _reading(random: Random, rig: Args) -> Args:
    head, mark = random.choice(names_of(rig)), random.choice(list(rig["marks"]))
    level = random.choice([1.0, round(random.uniform(0.2, 1.0), 2)])
    lux = lux_at(rig, outputs_at(rig, {head: level}), rig["marks"][mark])
    return {
        "do": "read",
        "head": head,
        "level": level,
        "at": mark,
        "value": said_lux(random, lux),
        "unit": "lux",
        "receptor": "flat",
        "facing": "head",
    }


def _tape(random: Random, rig: Args) -> Args:
    head, mark = random.choice(names_of(rig)), random.choice(list(rig["marks"]))
    return {"do": "read", "head": head, "at": mark, **tape_of(random, rig, head, rig["marks"][mark])}


def _file(random: Random, rig: Args) -> Args:
    lines = ["head,level,x,y,z,value,unit,receptor,facing,daylight_lux,daylight_sensor"]
    for head in names_of(rig):
        for mark, level in (("chair", 1.0), ("chair", 0.6), ("desk", 0.8)):
            place = rig["marks"][mark]
            value = said_lux(random, lux_at(rig, outputs_at(rig, {head: level}), place))
            lines.append(f"{head},{level},{','.join(map(str, place))},{value},lux,flat,head,,")
    if "window" in rig.get("sensors", {}):
        chair = ",".join(map(str, rig["marks"]["chair"]))
        lines.append(f",,{chair},{said_lux(random, ROOM_LUX)},lux,flat,camera,{SKY_LUX},window")
    return {"do": "import", "readings": "\n".join(lines) + "\n"}


def _event(random: Random, rig: Args) -> Args:
    return {
        "do": "event",
        "head": random.choice(names_of(rig)),
        "kind": random.choice(["moved", "changed"]),
        **({"note": "bumped"} if random.random() < 0.3 else {}),
    }


async def _do_order(world: World, args: Args) -> None:
    note_answer(world, await world.order(args))


def _check(random: Random, rig: Args) -> Args:
    head = random.choice([None, *names_of(rig)])
    return {"head": head, "times": random.choice([1, 2, 6]), "drift": random.choice([0.0, -0.3, 0.4, -1.2])}


async def _do_check(world: World, args: Args) -> None:
    """Read what is lit, or one head of it, whose lamps seem to have drifted by some stops."""
    rig = world.story.rig
    random = Random(f"check {world.story.seed} {world.now}")
    for _ in range(args["times"]):
        order: Args = {"do": "read", "check": True, "unit": "lux"}
        if args["head"] is None:
            order |= {"receptor": "dome", "facing": "camera"}
            lux = lux_at(rig, _lit(world), rig["marks"]["chair"], "dome", "camera")
        else:
            order |= {"head": args["head"], "level": 0.7, "at": "chair", "receptor": "flat", "facing": "head"}
            lux = lux_at(rig, outputs_at(rig, {args["head"]: 0.7}), rig["marks"]["chair"])
        value = said_lux(random, lux * 2 ** args["drift"])
        note_answer(world, await world.order({**order, "value": value}))
        await asyncio.sleep(0.3)


def _lit(world: World) -> dict[str, float]:
    """Return the outputs that the lamps have in truth."""
    return {name: lamp.output(lamp.code) for name, lamp in world.lamps.items() if lamp.code is not None}


async def _do_strike(world: World, args: Args) -> None:
    """Strike something that was taken, or a number that may be nobody's."""
    known = [number for given in world.given if (number := number_in(given)) is not None]
    number = known[int(args["which"] * len(known))] if known else 1
    note_answer(world, await world.order({"do": "strike", "reading": number}))


def _sensor(random: Random, rig: Args) -> Args:
    return {
        "name": random.choice(list(rig["sensors"])),
        "how": random.choice(["true", "sticks", "jumps", "falls silent", "sends garbage"]),
        "reports": random.randint(3, 25),
        "every_s": random.choice([0.1, 0.5, 1.0, 2.0]),
        "hand": random.random(),
    }


async def _do_sensor(world: World, args: Args) -> None:
    random, table = Random(f"sensor {args['hand']}"), world.story.rig["sensors"][args["name"]]
    reports = 2 if args["how"] == "falls silent" else args["reports"]
    sky = _sky(random, args["how"])
    for _ in range(reports):
        value = next(sky)
        if table.get("watches") == "heads" and not (args["how"] == "sticks" or value in GARBAGE):
            chair = world.story.rig["marks"]["chair"]
            lux = lux_at(world.story.rig, _lit(world), chair, table["receptor"], table["facing"])
            value = round(lux * value / SKY_LUX, 3)
        await world.order({"do": "sensor", "name": args["name"], "value": value})
        await asyncio.sleep(args["every_s"])


def _sky(random: Random, how: str) -> Iterator[Any]:
    """Yield what a sensor shows of the sky [lx]; of lamps, as a share of `SKY_LUX`."""
    lux = SKY_LUX
    while True:
        if how == "jumps":
            lux = SKY_LUX * 2.0 ** random.choice([-6, -2, 0, 0, 3, 5])
        elif how == "true":
            lux *= 2.0 ** random.gauss(0.0, 0.1)
        yield random.choice(GARBAGE) if how == "sends garbage" else round(lux, 3)


def _says(args: Args) -> str:
    head = f" of {args['head']}" if args["head"] else ""
    return f"somebody checks{head} {args['times']} times; the lamps seem to be {args['drift']:+g} stop off"


ACTS["reading"] = ActKind(
    _reading,
    _do_order,
    lambda args: f"somebody reads {args['value']} lx of {args['head']} at the {args['at']}",
    share=0.7,
    may_lie=True,
)
ACTS["readings"] = ActKind(
    _file,
    _do_order,
    lambda args: f"somebody hands in a file of {args['readings'].count('lux,flat')} readings",
    share=0.6,
    may_lie=True,
)
ACTS["tape"] = ActKind(
    _tape,
    _do_order,
    lambda args: f"somebody measures {args['value']} {args['unit']} to {args['head']} from the {args['at']}",
    share=0.3,
    may_lie=True,
)
ACTS["event"] = ActKind(
    _event,
    _do_order,
    lambda args: f"somebody says that {args['head']} was {args['kind']}",
    share=0.3,
    may_lie=True,
)
ACTS["check"] = ActKind(_check, _do_check, _says, share=0.4, may_lie=True)
ACTS["strike"] = ActKind(
    lambda random, rig: {"which": random.random()},
    _do_strike,
    lambda args: f"somebody strikes what was taken, at {args['which']:.0%} of it",
    share=0.3,
    may_lie=True,
)
ACTS["sensor"] = ActKind(
    _sensor,
    _do_sensor,
    lambda args: (
        f"the sensor {args['name']} {'speaks' if args['how'] == 'true' else args['how']}, "
        f"up to {args['reports']} reports every {args['every_s']} s"
    ),
    share=1.0,
    suits=lambda rig: bool(rig.get("sensors")),
    may_lie=True,
)
