"""Acts upon the daemon's side jobs: each raises for a while. None of that may move or stop the light."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from random import Random
from typing import Any

from fillside.runtime.loop import Runner
from simulation.machine.daemon_parts import part, runner_of
from simulation.machine.loop import Process
from simulation.stories import ACTS, ActKind
from simulation.world import World

Args = dict[str, Any]
SETTLES_S = 6.0
"""A side job is tried again after 5 s at the latest."""


class SideJobError(Exception):
    """Raised by a side job of the simulation's choice."""


FAILING: dict[str, Callable[[Process, Runner], tuple[Any, str]]] = {
    "live page": lambda process, runner: (runner.live, "_hand_round"),
    "advice": lambda process, runner: (runner, "advise"),
    "http gate": lambda process, runner: (part(process, "http gate"), "check"),
    "osc door": lambda process, runner: (part(process, "osc door"), "_serve"),
    "metrics": lambda process, runner: (runner.counts, "order_took"),
    "journal": lambda process, runner: (runner._record._journal, "write"),
    "takes": lambda process, runner: (runner._record._takes, "change_job"),
    "metering": lambda process, runner: (runner.metering, "view"),
    "service manager": lambda process, runner: (runner, "turned"),
    "telling": lambda process, runner: (runner._record, "look"),
}
"""The object and the method that raise, by job."""
TROUBLED = {"telling": "journal"}
"""The job that is said to fail, where that has another name."""


def _raise(*args: object, **named: object) -> Any:
    raise SideJobError("this side job was made to fail")


async def _do_fail(world: World, args: Args) -> None:
    process = world.process
    runner = runner_of(process) if process is not None and process.alive else None
    if process is None or runner is None:
        return
    owner, name = FAILING[args["job"]](process, runner)
    if owner is None or (name in vars(owner) and vars(owner)[name] is _raise):
        return
    world.troubled.add(TROUBLED.get(args["job"], args["job"]))
    before = vars(owner).get(name)
    setattr(owner, name, _raise)
    await asyncio.sleep(args["s"])
    if before is None:
        delattr(owner, name)
    else:
        setattr(owner, name, before)


def _fail(random: Random, rig: Args) -> Args:
    return {"job": random.choice(sorted(FAILING)), "s": round(random.uniform(0.1, 3.0), 1)}


ACTS["side job fails"] = ActKind(
    _fail,
    _do_fail,
    lambda args: f'for {args["s"]} s the side job "{args["job"]}" raises',
    share=0.8,
    settles_s=SETTLES_S,
)
