"""Acts of people and things at the MQTT door: orders, home automation, positions, and sensors that lie."""

from __future__ import annotations

import asyncio
import json
from random import Random
from typing import Any

from simulation.acts.light_orders import draw_order, phrase
from simulation.stories import ACTS, ActKind
from simulation.visitors import desk, doors, visitors
from simulation.visitors.any_order import SETTING
from simulation.visitors.desk import has_door
from simulation.world import Given, World

Args = dict[str, Any]
TARGET_WITHIN_S = 4.0


async def _do_order(world: World, args: Args) -> None:
    assert world.desk is not None
    given = Given(args["order"], "mqtt", world.now, world.runs)
    world.given.append(given)
    calm = world.is_calm
    topic = desk.ANSWERS if args["topic"] else None
    given.answer = await world.desk.ask(args["order"], topic, visitors.ANSWERS_WITHIN_S)
    if given.answer is None:
        world.note("no answer")
        if calm and world.is_calm:
            world.complain("mqtt answers", f"nothing was said to {phrase(args['order'])}")
        return
    given.answered_s = world.now
    if "error" in given.answer:
        world.note(f"not obeyed: {given.answer['error']['message']}")
    else:
        world.note(f"obeyed: {given.answer.get('note') or 'ok'}")


ACTS["mqtt order"] = ActKind(
    lambda random, rig: {"order": draw_order(random, rig), "topic": random.random() < 0.5},
    _do_order,
    lambda args: f"a program orders over MQTT: {phrase(args['order'])}",
    share=2.0,
    suits=has_door,
)


def _setting(random: Random, rig: Args) -> Args:
    role = random.choice([head["role"] for head in rig["heads"]])
    path, value = random.choice(
        [
            ("balance/ratio", random.choice(["2", "1.5", "3.0"])),
            ("balance/exposure", random.choice(["300", "450.5"])),
            ("studio/mode", random.choice(["follow", "freeze", "dark"])),
            ("studio/mark", random.choice(["chair", "desk"])),
            ("studio/action", random.choice(["keep", "undo"])),
            (f"trims/{role}", random.choice(["-1", "0.5", "0", "1e1"])),
            (f"out/{role}", random.choice(["true", "false"])),
            ("balance/ratio", random.choice(["NaN", "-1", "1e9", "two", ""])),
        ]
    )
    return {"path": path, "value": value}


async def _do_setting(world: World, args: Args) -> None:
    assert world.desk is not None
    given = doors.give(world, {"do": SETTING, "path": args["path"], "to": args["value"]}, "automation")
    world.desk.guest.publish(f"{desk.HOMIE}{args['path']}/set", args["value"])
    await _no_answer(world, given)


async def _no_answer(world: World, given: Given) -> None:
    """Wait until what nobody answers is obeyed, if ever."""
    await asyncio.sleep(TARGET_WITHIN_S)
    if not world.broker.has_failed:
        given.answered_s = world.now


ACTS["homie setting"] = ActKind(
    _setting,
    _do_setting,
    lambda args: f"home automation sets {args['path']} to {args['value']!r}",
    suits=lambda rig: has_door(rig) and rig["doors"]["mqtt"]["homie"],
)


def _position(random: Random, rig: Args) -> Args:
    good = json.dumps({"to": [round(random.uniform(-0.5, 0.7), 2), round(random.uniform(-0.4, 0.4), 2), 1.2]})
    bad = ["desk", '{"to": [NaN, 0, 1]}', '{"to": [1e9, 0, 1]}', "nowhere", "[1, 2]", '{"to": null}', "\x00"]
    return {"topic": "subject", "says": good if random.random() < 0.7 else random.choice(bad)}


def _sensor(random: Random, rig: Args) -> Args:
    says = random.choice(["NaN", "0", "1e9", "-3", "640", '{"value": 512.5, "unit": "lux"}', "{", "inf", ""])
    name = random.choice(["sensor", "sensor", "sensor", "another", "No Name"])
    return {"topic": f"meter/{name}", "says": says}


async def _do_say(world: World, args: Args) -> None:
    assert world.desk is not None
    do = "subject" if args["topic"] == "subject" else "sensor"
    given = doors.give(world, {"do": do, "to": args["says"]}, "broker")
    world.desk.guest.publish(desk.DAEMON + args["topic"], args["says"])
    await _no_answer(world, given)


for _kind, _draw, _who in (("position", _position, "a tracker"), ("sensor", _sensor, "a sensor")):
    ACTS[f"mqtt {_kind}"] = ActKind(
        _draw,
        _do_say,
        lambda args, who=_who: f"{who} says {args['says']!r} on {args['topic']}",  # type: ignore[misc]
        suits=has_door,
    )
