"""Acts of crowds at the doors: readers that come, go, or never read; connections half open; floods."""

from __future__ import annotations

import asyncio
import contextlib
from random import Random
from typing import Any

from simulation.stories import ACTS, ActKind
from simulation.visitors import visitors
from simulation.visitors.live_readers import PING, TEXT, LiveReader
from simulation.visitors.osc_visitors import OscVisitor, address_of, bundle, message
from simulation.world import World

Args = dict[str, Any]
LONGEST_S = 5.0


def _readers(random: Random, rig: Args) -> Args:
    return {
        "count": random.choice([1, 2, 5, 12]),
        "s": round(random.uniform(0.1, LONGEST_S), 1),
        "behaves": random.choice(["reads", "reads", "deaf", "hums"]),
        "politely": random.random() < 0.5,
        "apart_s": random.choice([0.0, 0.03]),
    }


async def _do_readers(world: World, args: Args) -> None:
    """Readers join and leave. A deaf one takes nothing after a while; one that hums pings and talks."""
    readers = []
    with contextlib.suppress(visitors.NoAnswerError):
        for _ in range(args["count"]):
            readers.append(LiveReader(world.network, world.random, world.complain))
            await asyncio.sleep(args["apart_s"])
    await asyncio.sleep(args["s"] / 4)
    for reader in readers:
        if args["behaves"] == "deaf":
            reader.transport.pause_reading()
        elif args["behaves"] == "hums" and not reader.ended:
            reader.say(PING, b"here")
            reader.say(TEXT, b'{"do": "dark"}')
    await asyncio.sleep(args["s"] * 3 / 4)
    for reader in readers:
        reader.leave(args["politely"] and args["behaves"] != "deaf")
        await asyncio.sleep(args["apart_s"])


HALVES = {
    "silent": b"",
    "half a head": b"POST /api/v1/do HTTP/1.1\r\nHost: 127",
    "half a body": visitors.request("POST", "/api/v1/do", b'{"do": "dark"}')[:-6],
    "half a handshake": b"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1:7420\r\nUpgrade: websocket\r\n",
    "garbage": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" * 9,
    "another language": b"EHLO studio\r\n\r\n",
    "a wrong length": b"POST /api/v1/do HTTP/1.1\r\nHost: 127.0.0.1:7420\r\nContent-Length: -5\r\n\r\n{}",
    "a long head": b"GET / HTTP/1.1\r\nHost: 127.0.0.1:7420\r\nX: " + b"x" * 20_000,
}


async def _do_half_open(world: World, args: Args) -> None:
    connections = []
    for _ in range(args["count"]):
        with contextlib.suppress(visitors.NoAnswerError):
            connection = visitors.Connection(world.network, world.hear)
            connection.transport.write(HALVES[args["what"]])
            connections.append(connection)
        await asyncio.sleep(args["apart_s"])
    await asyncio.sleep(args["s"])
    for connection in connections:
        connection.leave()


OSC_MATTER = {
    "garbage": b"\xff\x00#bun" * 7,
    "no order": message("/elsewhere/level", 0.5),
    "wildcards": message("/fillside/only/*", 1),
    "not a number": message("/fillside/trim/key", float("nan")),
    "wrong orders": bundle(message("/fillside/expose", "much"), message("/fillside/trim/nobody", 1.0)),
    "empty bundles": bundle(),
    "endless bundle": b"#bundle\0" + bytes(8) + (2**31).to_bytes(4, "big"),
    "states": message("/fillside/state"),
}


async def _do_osc_flood(world: World, args: Args) -> None:
    with OscVisitor(world) as visitor:
        for number in range(args["count"]):
            visitor.send(OSC_MATTER[args["what"]])
            if number % args["at_once"] == 0:
                await asyncio.sleep(0.01)
        await asyncio.sleep(0.2)


ACTS["readers"] = ActKind(
    _readers,
    _do_readers,
    lambda args: f"{args['count']} who look on for {args['s']} s: each {args['behaves']}",
    share=1.0,
)
ACTS["deaf readers"] = ActKind(
    lambda random, rig: {
        "count": 10,
        "s": round(random.uniform(2.0, 6.5), 1),
        "behaves": "deaf",
        "politely": False,
        "apart_s": 0.0,
    },
    _do_readers,
    lambda args: f"{args['count']} who look on for {args['s']} s and never read",
    share=0.4,
)
ACTS["half open"] = ActKind(
    lambda random, rig: {
        "count": random.choice([1, 3, 20, 60]),
        "what": random.choice(sorted(HALVES)),
        "s": round(random.uniform(0.1, LONGEST_S), 1),
        "apart_s": random.choice([0.0, 0.01]),
    },
    _do_half_open,
    lambda args: f"{args['count']} connections of {args['what']}, for {args['s']} s",
    share=0.8,
)
ACTS["OSC flood"] = ActKind(
    lambda random, rig: {
        "count": random.choice([1, 10, 60]),
        "what": random.choice(sorted(OSC_MATTER)),
        "at_once": random.choice([1, 20]),
    },
    _do_osc_flood,
    lambda args: f"{args['count']} packets over OSC: {args['what']}",
    share=0.8,
    suits=lambda rig: address_of(rig) is not None,
)
