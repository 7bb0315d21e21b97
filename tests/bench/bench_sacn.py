"""The cost of 64 universes at 44 frames a second with 512 heads fading, beside bare `sendto` of as many.

Run by ``python tests/bench/run.py sacn``. Processor time of the whole process over wall time, as a share of
one core. Measured are the whole hold (fade, flash limiter, frames, driver, the store beside it), the driver
alone with eight changed heads on every universe in each frame, and in turn with them bare `sendto` of packets
of the same size on the same kind of timer.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import socket
import statistics
import time
import uuid
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

from bench.figures import Budget, Figure
from fillside.hold.machine.hold import Hold
from fillside.rig_file import load_rig_text
from fillside.runtime.loop import Runner
from fillside.runtime.wires import drivers_of
from fillside.storage.store import Store
from fillside_drivers.driver import Identity
from fillside_drivers.registry import build, kinds
from fillside_drivers.sacn.packet import DataPacket, encode
from fillside_drivers.sacn.schedule import PERIOD_S
from rigs import Table, head_at, studio, toml

UNIVERSES, HEADS_EACH = 64, 8
WHO = Identity(uuid.UUID("8d2f6a7e-0b4c-4c58-9a55-6a1f3c0e7d21"), "bench")
STOPS_S = 0.3
"""Slow enough for a fade of some seconds, and each frame is another code on a wire of 16 bits."""
WHOLE, ALONE = "512 heads fade on 64 universes", "64 universes by the driver alone"
BUDGETS = {name: Budget(2.1, "% of a core", "bare sendto") for name in (WHOLE, ALONE)}


@dataclass(frozen=True)
class Share:
    """Percent of a core, and packets a second."""

    percent: float
    packets_s: float


def sink() -> socket.socket:
    """A socket that takes the packets and is never read: the kernel drops what its buffer does not hold."""
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.bind(("127.0.0.1", 0))
    return made


async def frames(seconds: float, act: Callable[[int], object]) -> None:
    """Call `act` with a running number at 44 Hz."""
    count, start = 0, time.monotonic()
    while time.monotonic() - start < seconds:
        act(count)
        count += 1
        await asyncio.sleep(max(0.0, start + count * PERIOD_S * 1.002 - time.monotonic()))


@contextlib.asynccontextmanager
async def measured(packets: Callable[[], int], into: list[Share]) -> AsyncIterator[None]:
    begin, used, sent = time.monotonic(), time.process_time(), packets()
    yield
    wall = time.monotonic() - begin
    into.append(Share(100 * (time.process_time() - used) / wall, (packets() - sent) / wall))


async def bare(seconds: float, port: int, into: list[Share]) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.setblocking(False)
        octets = [encode(DataPacket(WHO.cid, "bench", 1 + i, 0, bytes(512))) for i in range(UNIVERSES)]
        sent = 0

        def act(_: int) -> None:
            nonlocal sent
            for packet in octets:
                out.sendto(packet, ("127.0.0.1", port))
            sent += UNIVERSES

        async with measured(lambda: sent, into):
            await frames(seconds, act)


async def driver(seconds: float, port: int, into: list[Share]) -> None:
    drives = {
        f"u{universe}-{head}": {"universe": universe, "slot": 1 + 2 * head, "bits": 16}
        for universe in range(1, UNIVERSES + 1)
        for head in range(HEADS_EACH)
    }
    options = {"to": [f"127.0.0.1:{port}"], "listen": False}
    made = build("bench", "sacn", options, drives, clock=time.monotonic, identity=WHO)
    async with made as stage, measured(lambda: stage.health.frames_sent, into):
        await frames(seconds, lambda number: stage.send(dict.fromkeys(drives, number % 65536)))


def many_heads(port: int) -> str:
    """A rig file of 512 heads in two arcs, keys and fills, eight on each of 64 universes."""
    heads: list[Table] = []
    for place in range(UNIVERSES * HEADS_EACH):
        role, side = ("key", 1) if place % 2 else ("fill", -1)
        along = place / (UNIVERSES * HEADS_EACH)
        drive = {"driver": "stage", "universe": 1 + place // HEADS_EACH, "slot": 1 + place % HEADS_EACH * 2}
        heads.append(
            head_at(
                f"{role}-{place}",
                [side * (1.0 + along), -1.0 - along, 1.5 + along],
                role=role,
                intensity=5.0 + 5.0 * along,
                dimming={"curve": "square", "floor": 0.001},
                drive={**drive, "bits": 16},
            )
        )
    wire = {"kind": "sacn", "to": [f"127.0.0.1:{port}"], "listen": False}
    tables: Table = {"balance": {"exposure": 200.0}, "hold": {"order_speed": STOPS_S}}
    return toml(studio("bench", heads=heads, drivers={"stage": wire}, **tables))


async def whole(seconds: float, port: int, into: list[Share]) -> None:
    """The first fade of all heads, up from nothing, on the real loop."""
    rig = load_rig_text(many_heads(port), source="bench.toml", kinds=kinds())
    drivers = drivers_of(rig, time.monotonic, WHO)
    with Store.in_memory() as store:
        runner = Runner(Hold(rig, now_s=time.monotonic()), drivers, store, time.monotonic)
        async with drivers.drivers["stage"] as stage:
            light = asyncio.create_task(runner.run())
            # As the daemon does: what a start makes is permanent, and no collection looks at it again.
            gc.collect()
            gc.freeze()
            await asyncio.sleep(1.0)
            async with measured(lambda: stage.health.frames_sent, into):
                await asyncio.sleep(seconds)
            assert not runner.light.settled, "the fade is to outlast the measurement"
            light.cancel()
            await asyncio.gather(light, return_exceptions=True)
            await runner.jobs.close()
    gc.unfreeze()


async def _measure(seconds: float, turns: int) -> tuple[list[Share], list[Share], list[Share]]:
    floor: list[Share] = []
    by_driver: list[Share] = []
    by_hold: list[Share] = []
    with sink() as target:
        port = target.getsockname()[1]
        for _ in range(turns):
            await bare(seconds, port, floor)
            await driver(seconds, port, by_driver)
            await whole(seconds, port, by_hold)
            await bare(seconds, port, floor)
    return floor, by_driver, by_hold


def figures(quick: bool) -> list[Figure]:
    """Percent of a core for the hold and for the driver alone, above the same number of bare packets."""
    floor, by_driver, by_hold = asyncio.run(_measure(2.0, 1) if quick else _measure(4.0, 3))
    bare_one = statistics.median(share.percent / share.packets_s for share in floor)
    found = []
    for name, shares in ((WHOLE, by_hold), (ALONE, by_driver)):
        least = bare_one * statistics.median(share.packets_s for share in shares)
        found.append(BUDGETS[name].figure(name, statistics.median(share.percent for share in shares), least))
    return found
