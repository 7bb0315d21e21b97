"""Acts upon the network: datagrams lost, doubled and late; a network that is gone."""

from __future__ import annotations

import asyncio
import errno
from random import Random
from typing import Any

from simulation.machine.network import Weather
from simulation.stories import ACTS, ActKind
from simulation.world import World

Args = dict[str, Any]
ERRORS = {"gone": errno.ENETUNREACH, "full": errno.EAGAIN, "forbidden": errno.EPERM}


def _weather(random: Random, rig: Args) -> Args:
    return {
        "lost": random.choice([0.0, 0.05, 0.3]),
        "doubled": random.choice([0.0, 0.05, 0.3]),
        "late": random.choice([0.0, 0.1, 0.5]),
        "s": round(random.uniform(0.2, 5.0), 2),
    }


async def _do_weather(world: World, args: Args) -> None:
    world.network.weather = Weather(args["lost"], args["doubled"], args["late"])
    await asyncio.sleep(args["s"])
    world.network.weather = Weather()


async def _do_gone(world: World, args: Args) -> None:
    world.network.weather = Weather(sending_fails=ERRORS[args["why"]])
    await asyncio.sleep(args["s"])
    world.network.weather = Weather()


ACTS["weather"] = ActKind(
    _weather,
    _do_weather,
    lambda args: (
        f"for {args['s']} s datagrams are lost ({args['lost']:.0%}), doubled ({args['doubled']:.0%}) "
        f"and late ({args['late']:.0%})"
    ),
    settles_s=2.0,
)
ACTS["no network"] = ActKind(
    lambda random, rig: {
        "why": random.choice(sorted(ERRORS)),
        "s": round(random.uniform(0.1, 6.0), 2),
    },
    _do_gone,
    lambda args: f"for {args['s']} s sending fails: {args['why']}",
    settles_s=6.0,
)
