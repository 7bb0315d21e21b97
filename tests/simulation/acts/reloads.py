"""Acts of somebody who edits the rig file while the light is held, and asks for a reload."""

from __future__ import annotations

import asyncio
import contextlib
import copy
import signal
from random import Random
from typing import Any

import rigs
from simulation.machine.daemon_parts import runner_of
from simulation.stories import ACTS, ActKind
from simulation.studio.lamps import Lamp
from simulation.studio.studios import CHAIR, SLOT_STEP
from simulation.visitors import visitors
from simulation.visitors.any_order import any_order
from simulation.world import World

Args = dict[str, Any]
TAKEN_WITHIN_S = 20.0
"""A head that left the file fades out first."""
SETTLES_S = 4.0
NEW_AT = [-0.5, 1.2, 2.1]
NEW_SLOT = 1 + 7 * SLOT_STEP
BROKEN = ("half", "typo", "elsewhere", "empty")


def _edit(random: Random, rig: Args) -> Args:
    """Draw the tables that are laid over the rig's, and what becomes of its heads."""
    last, has_stage = rig["heads"][-1]["name"], "stage" in rig["drivers"]
    return random.choice(
        [
            {"over": {"balance": {"ratio": random.choice([1.6, 2.2, 2.8]), "exposure": 350.0}}},
            {"over": {"hold": {"order_speed": random.choice([0.7, 1.5, 4.0]), "pace": "quick"}}},
            {"over": {"hold": {"order_speed": 2.0, "pace": "calm"}}},
            {"over": {"subject": {"most_lux": 700.0}}},
            {
                "over": {
                    "drivers": {"stage": {"priority": random.choice([90, 120, 150])}} if has_stage else {}
                }
            },
            {"over": {"camera": {"iso": 640}}},
            {
                "over": {},
                "heads": {random.choice(["key", "fill"]): {"intensity": random.choice([2500.0, 3400.0])}},
            },
            {"over": {}, "heads": {last: {"dimming": {"floor": 0.03}}}},
            {"over": {}, "new": True},
            {"over": {}, "without": last},
            {"over": {"doors": {"osc": {"listen": "127.0.0.1:9010"}}}},
            {"over": {}},
        ]
    )


def _reload(random: Random, rig: Args) -> Args:
    first = any_order(random, rig) if random.random() < 0.6 else None
    broken = random.choice(BROKEN) if random.random() < 0.25 else None
    edit = {"over": {}} if broken else _edit(random, rig)
    return {"first": first, "after_s": round(random.uniform(0.0, 0.8), 2), "broken": broken, **edit}


def edited(rig: Args, args: Args) -> Args:
    """Return a rig's tables with an edit; a head that is not there any more stays away."""
    tables = rigs.laid(copy.deepcopy(rig), args["over"])
    tables["drivers"] = {name: each for name, each in tables["drivers"].items() if name in rig["drivers"]}
    changed = args.get("heads", {})
    heads = [rigs.laid(head, changed.get(head["name"], {})) for head in tables["heads"]]
    roles = {head["role"] for head in heads}
    first = next((head for head in heads if head["drive"]["driver"] == "stage"), None)
    if args.get("new") and first is not None and not any(head["name"] == "rim" for head in heads):
        drive = {**first["drive"], "slot": NEW_SLOT}
        kept = {key: first[key] for key in ("intensity", "modifier", "dimming")}
        heads.append(rigs.head_at("rim", NEW_AT, aim=CHAIR, drive=drive, **kept, holds_like="hair"))
    without = args.get("without")
    if without is not None and len(roles) > 1:
        heads = [head for head in heads if head["name"] != without]
    return {**tables, "heads": heads}


def _broken_text(rig: Args, how: str) -> str:
    text = rigs.toml(rig)
    if how == "half":
        return text[: len(text) // 2]
    if how == "typo":
        return text.replace("[marks]", "[marcs]")
    if how == "elsewhere":
        return rigs.toml({**rig, "rig": {"name": "another-corner"}})
    return ""


async def _do_reload(world: World, args: Args) -> None:
    if args["first"] is not None:
        await world.order(args["first"])
        await asyncio.sleep(args["after_s"])
    async with world.editing:
        await _edit_and_signal(world, args)


async def _edit_and_signal(world: World, args: Args) -> None:
    process = world.process
    if process is None or not process.alive or signal.SIGHUP not in process.signals:
        return
    before = world.rig
    tables = edited(before, args)
    text = rigs.toml(tables) if args["broken"] is None else _broken_text(before, args["broken"])
    world.rig_file.write_text(text, "utf-8")
    if args["broken"] is None:
        _hang_up(world, tables)
    goes_on = {head["name"] for head in tables["heads"]}
    left = [head["name"] for head in before["heads"] if head["name"] not in goes_on]
    taken = await _signalled(world, left if args["broken"] is None else [])
    if taken is None:
        return
    if taken == (args["broken"] is not None):
        with contextlib.suppress(visitors.NoAnswerError):
            _, state = await world.ask("GET", "/api/v1/state")
            world.complain("reload", f"{'taken' if taken else 'refused'}: {state['notes']}")
    world.note("the rig file was taken" if taken else "the rig file was refused")
    if taken:
        world.rig = tables
    else:
        world.rig_file.write_text(rigs.toml(before), "utf-8")


async def _signalled(world: World, left: list[str]) -> bool | None:
    """Ask for a reload; return true once it is done, false if it is refused, None if neither comes.

    The lamps that `left` the file are going out from when the daemon says so until the reload is done.
    """
    process = world.process
    assert process is not None
    runner = runner_of(process)
    if runner is None:
        return None
    counts = runner.counts
    done, refused = counts.reloads, counts.reloads_refused
    world.loop.signal(process, signal.SIGHUP)
    until = world.now + TAKEN_WITHIN_S
    while process.alive and world.now < until:
        # Before a state of the new file has come over the network.
        await asyncio.sleep(0.002)
        if process.alive and any("fading out" in note for note in runner.notes):
            world.going_out |= {name: world.now for name in left if name not in world.going_out}
        if counts.reloads > done or counts.reloads_refused > refused:
            return counts.reloads > done
    return None


def _hang_up(world: World, tables: Args) -> None:
    """Hang up the lamps that a rig names and that are not there yet."""
    for head in tables["heads"]:
        world.lamps.setdefault(head["name"], Lamp(head))
    world.stage.use(tables, world.lamps)


def _tell(args: Args) -> str:
    first = f'after "{args["first"]["do"]}" ' if args["first"] else ""
    if args["broken"]:
        return f"{first}a rig file that is broken ({args['broken']}), and SIGHUP"
    what = {key: args[key] for key in ("over", "heads", "new", "without") if args.get(key)}
    return f"{first}a changed rig file {what}, and SIGHUP"


ACTS["reload"] = ActKind(_reload, _do_reload, _tell, share=1.2, settles_s=SETTLES_S)
