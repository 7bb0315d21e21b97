"""Protocol: wild and torn input at the doors never moves a light, never leaves a trace of a fault.

Short here; `tests/bench/fuzz_doors.py` does the same with a hundred thousand inputs for each door.
"""

from __future__ import annotations

import asyncio
import random
import socket
from pathlib import Path

import pytest

from protocol.broker import broker, needs_mosquitto, until
from protocol.garbage import FUZZERS, OSC, PLACES, SAID, TOPICS, bundle, watched, wild
from protocol.peer import Peer
from protocol.studio import running

SHORT = 1500


@pytest.mark.parametrize("door", sorted(FUZZERS))
async def test_wild_input_changes_nothing(tmp_path: Path, door: str) -> None:
    async with running(tmp_path) as up:
        with watched(up) as watch:
            await FUZZERS[door](up, watch, random.Random(7420), SHORT)
        refused = sum(number for code, number in watch.counts.items() if code not in ("ok", "silence"))
        assert watch.counts.total() >= SHORT
        assert refused + watch.counts["silence"] > SHORT / 2


async def test_octets_by_chance_are_never_obeyed(tmp_path: Path) -> None:
    async with running(tmp_path) as up:
        before = up.runner._hold.remember()
        with watched(up) as watch:
            await FUZZERS["osc"](up, watch, _OnlyChance(1), 500)
        assert up.runner._hold.remember() == before
        assert watch.counts["ok"] == 0


class _OnlyChance(random.Random):
    """Chooses octets by chance over torn messages, always."""

    def random(self) -> float:
        return 0.4


@needs_mosquitto
async def test_wild_input_over_real_wires_leaves_the_doors_open(tmp_path: Path) -> None:
    rng = random.Random(7)
    port = _free_udp_port()
    async with broker(tmp_path) as server, Peer(server.port).listening("fillside/corner/said/#") as peer:
        tables = f'[doors.mqtt]\nport = {server.port}\n[doors.osc]\nlisten = "127.0.0.1:{port}"\n'
        async with running(tmp_path, tables) as up:
            figures = up.doors.figures
            await until(lambda: figures["mqtt"].state == figures["homie"].state == "ok")
            with watched(up) as watch, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
                for _ in range(300):
                    topic = rng.choice(TOPICS)
                    await peer.say(topic, wild(rng, SAID if topic.endswith("do") else PLACES), qos=0)
                    sender.sendto(bundle(rng) if rng.random() < 0.3 else wild(rng, OSC), ("127.0.0.1", port))
                    await asyncio.sleep(0)
                await until(lambda: figures["mqtt"].heard >= 300 and figures["osc"].heard >= 200)
                await peer.say(
                    "fillside/corner/do", {"do": "follow"}, ResponseTopic="fillside/corner/said/last"
                )
                await until(
                    lambda: any('"ok":true' in text for text in peer.texts("fillside/corner/said/last"))
                )
                assert watch.faults == []
            assert figures["mqtt"].state == "ok"
            assert figures["osc"].dropped > 50


def _free_udp_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
