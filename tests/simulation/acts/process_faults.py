"""Acts upon the daemon's process: killed between two steps, stopped, stalled; and on the time of day."""

from __future__ import annotations

import asyncio
from random import Random
from typing import Any

from simulation.stories import ACTS, ActKind
from simulation.world import World

Args = dict[str, Any]
MOST_STEPS = 40
LONGEST_WAIT_S = 0.5
"""A process that takes no more steps by then is killed all the same."""
SETTLES_S = 2.0


def _kill(random: Random, rig: Args) -> Args:
    return {"after_steps": random.randrange(MOST_STEPS), "away_s": round(random.uniform(0.05, 3.0), 2)}


async def kill_and_start(world: World, args: Args) -> None:
    """Kill the daemon some steps on, and start it again a while later."""
    process = world.process
    if process is None or not process.alive:
        return
    process.dies_at = process.steps + args["after_steps"]
    await asyncio.sleep(LONGEST_WAIT_S)
    world.kill()
    await asyncio.sleep(args["away_s"])
    if not world.is_up:
        world.start()
        world.unsettle(SETTLES_S)


async def _do_stop(world: World, args: Args) -> None:
    await world.stop()
    await asyncio.sleep(args["away_s"])
    if not world.is_up:
        world.start()


def _stall(random: Random, rig: Args) -> Args:
    return {"s": round(random.choice([0.05, 0.2, 0.6, 2.0, 6.0]) * random.uniform(0.5, 1.5), 3)}


async def _do_stall(world: World, args: Args) -> None:
    if world.process is not None and world.process.alive:
        world.loop.stall(world.process, args["s"])
        await asyncio.sleep(args["s"])


def _clock(random: Random, rig: Args) -> Args:
    return {"by_s": random.choice([-86_400.0, -3_600.0, -1.0, 1.0, 3_600.0, 40_000_000.0])}


async def _do_clock(world: World, args: Args) -> None:
    world.system.clock_set_by_s += args["by_s"]


ACTS["kill"] = ActKind(
    _kill,
    kill_and_start,
    lambda args: f"kill -9, {args['after_steps']} steps on; started again after {args['away_s']} s",
    share=1.5,
    settles_s=SETTLES_S,
)
ACTS["stop"] = ActKind(
    lambda random, rig: {"away_s": round(random.uniform(0.0, 2.0), 2)},
    _do_stop,
    lambda args: f"SIGTERM; started again after {args['away_s']} s",
    share=0.5,
    settles_s=SETTLES_S,
)
ACTS["stall"] = ActKind(
    _stall, _do_stall, lambda args: f"the machine stalls for {args['s']} s", settles_s=SETTLES_S
)
ACTS["clock"] = ActKind(
    _clock,
    _do_clock,
    lambda args: f"somebody sets the clock by {args['by_s']:+g} s",
    share=0.5,
    settles_s=0.0,
)
