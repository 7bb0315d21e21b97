"""Acts upon the disk: full, failing, read-only, hanging, slow; and the machine's power cut."""

from __future__ import annotations

import asyncio
from random import Random
from typing import Any

from simulation.acts.process_faults import LONGEST_WAIT_S, MOST_STEPS
from simulation.stories import ACTS, ActKind
from simulation.world import World

Args = dict[str, Any]
SETTLES_S = 3.0
TAKES_NOTHING = {"full disk": "full", "disk fails": "fails", "read-only": "read-only"}
"""Kinds of acts, and what the disk then says."""
SAID = {
    "full": "the disk is full",
    "fails": "the disk fails at each write",
    "read-only": "the data folder is read-only",
}


def _while(random: Random, rig: Args) -> Args:
    return {"s": round(random.choice([0.02, 0.3, 1.0, 4.0, 9.0]) * random.uniform(0.5, 1.5), 3)}


def _taking_nothing(fault: str) -> ActKind:
    async def do(world: World, args: Args) -> None:
        with world.disk.failing(fault):
            await asyncio.sleep(args["s"])

    return ActKind(
        _while, do, lambda args: f"for {args['s']} s {SAID[fault]}", share=0.5, settles_s=SETTLES_S
    )


async def _do_hang(world: World, args: Args) -> None:
    world.disk.hang(args["s"])
    await asyncio.sleep(args["s"])


def _slow(random: Random, rig: Args) -> Args:
    return {**_while(random, rig), "sync_s": random.choice([0.05, 0.2, 0.8])}


async def _do_slow(world: World, args: Args) -> None:
    world.disk.slow_s = args["sync_s"]
    await asyncio.sleep(args["s"])
    world.disk.slow_s = 0.0


def _cut(random: Random, rig: Args) -> Args:
    return {"after_steps": random.randrange(MOST_STEPS), "away_s": round(random.uniform(0.05, 3.0), 2)}


async def _do_cut(world: World, args: Args) -> None:
    process = world.process
    if process is None or not process.alive:
        return
    world.disk.power_fails = True
    process.dies_at = process.steps + args["after_steps"]
    await asyncio.sleep(LONGEST_WAIT_S)
    if world.process is process:
        world.kill()
    await asyncio.sleep(args["away_s"])
    if not world.is_up:
        world.start()


for _kind, _fault in TAKES_NOTHING.items():
    ACTS[_kind] = _taking_nothing(_fault)
ACTS["disk hangs"] = ActKind(
    _while, _do_hang, lambda args: f"for {args['s']} s the disk hangs", share=0.5, settles_s=SETTLES_S
)
ACTS["slow disk"] = ActKind(
    _slow,
    _do_slow,
    lambda args: f"for {args['s']} s each sync of the disk takes up to {args['sync_s']} s",
    share=0.5,
    settles_s=SETTLES_S,
)
ACTS["power cut"] = ActKind(
    _cut,
    _do_cut,
    lambda args: f"the power is cut, {args['after_steps']} steps on; it is back after {args['away_s']} s",
    settles_s=SETTLES_S,
)
