"""Bench: what 64 universes at 44 Hz cost, against bare `sendto` of the same packets in the same run.

Run by hand: ``python tests/bench/bench_sacn.py [seconds]``. Prints the share of one core for the driver with
every universe changing in each frame and eight heads on each, for bare `sendto` on the same kind of timer,
and their ratio.
"""

from __future__ import annotations

import asyncio
import json
import socket
import sys
import time
import uuid

from fillside_drivers.driver import Identity
from fillside_drivers.registry import build
from fillside_drivers.sacn.packet import DataPacket, encode
from fillside_drivers.sacn.schedule import PERIOD_S

UNIVERSES, HEADS = 64, 8
WHO = Identity(uuid.UUID("8d2f6a7e-0b4c-4c58-9a55-6a1f3c0e7d21"), "bench")


def sink() -> socket.socket:
    """A socket that takes the packets and is never read: the kernel drops what its buffer does not hold."""
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.bind(("127.0.0.1", 0))
    return made


async def frames(seconds: float, act: object) -> tuple[int, float, float]:
    """Calls `act` with a running number at 44 Hz; how often, and the wall and processor time that took."""
    count, start, used = 0, time.monotonic(), time.process_time()
    while time.monotonic() - start < seconds:
        act(count)  # type: ignore[operator]
        count += 1
        await asyncio.sleep(max(0.0, start + count * PERIOD_S * 1.002 - time.monotonic()))
    return count, time.monotonic() - start, time.process_time() - used


async def bare(seconds: float, port: int) -> tuple[int, float]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.setblocking(False)
        packets = [
            encode(DataPacket(WHO.cid, "bench", universe, 0, bytes(512)))
            for universe in range(1, UNIVERSES + 1)
        ]

        def act(_: int) -> None:
            for packet in packets:
                out.sendto(packet, ("127.0.0.1", port))

        count, wall, used = await frames(seconds, act)
    return count * UNIVERSES, used / wall


async def driver(seconds: float, port: int) -> tuple[int, float]:
    drives = {
        f"u{universe}-{head}": {"universe": universe, "slot": 1 + 2 * head, "bits": 16}
        for universe in range(1, UNIVERSES + 1)
        for head in range(HEADS)
    }
    options = {"to": [f"127.0.0.1:{port}"], "listen": False}
    made = build("bench", "sacn", options, drives, clock=time.monotonic, identity=WHO)
    async with made as stage:

        def act(number: int) -> None:
            stage.send(dict.fromkeys(drives, number % 65536))

        _, wall, used = await frames(seconds, act)
        return stage.health.frames_sent, used / wall


async def main(seconds: float) -> None:
    with sink() as target:
        port = target.getsockname()[1]
        bare_packets, bare_share = await bare(seconds, port)
        packets, share = await driver(seconds, port)
        bare_again = (await bare(seconds, port))[1]
    floor = (bare_share + bare_again) / 2
    print(
        json.dumps(
            {
                "universes": UNIVERSES,
                "heads": UNIVERSES * HEADS,
                "driver_core_percent": round(100 * share, 2),
                "bare_sendto_core_percent": round(100 * floor, 2),
                "ratio": round(share / floor, 2),
                "driver_packets_per_second": round(packets / seconds),
                "bare_packets_per_second": round(bare_packets / seconds),
            }
        )
    )


if __name__ == "__main__":
    asyncio.run(main(float(sys.argv[1]) if len(sys.argv) > 1 else 5.0))
