"""The cost of a tracker as the number of heads grows, beside asking for the health at the same rhythm.

    python tests/bench/bench_tracker.py [--heads 4 32 128 512] [--seconds 10] [--readers 1]

A daemon of its own holds so many 16-bit heads on E1.31 at the quick pace, while a subject walks to and fro
and is reported thirty times a second by one kept HTTP connection. Processor time is that of the daemon's
process. The floor is `GET /health` at the same rhythm with nobody walking, in the same run. What is asked:
5 % of a core at 4 heads, 50 % at 512, and an answer within 10 ms at the median there, each above the floor.
With readers, so many look on by WebSocket, in a process of their own.
"""

from __future__ import annotations

import argparse
import http.client
import json
import math
import os
import random
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, nullcontext
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.bench_readers import looking_on
from bench.figures import Budget, Figure
from bench.own_daemon import OwnDaemon
from rigs import CAMERA, Table, sacn, studio, toml

REPORTS_S = 30
HEADS_A_UNIVERSE = 256
SWING_M, PERIOD_S = 0.5, 4.0
"""The subject's way to either side of the mark, and the time of a walk to and fro: 0.8 m/s at most."""
SETTLES_S = 2.5
ROLES = ("key", "fill", "hair", "background")
SIDES = {"key": (25, 70), "fill": (-70, -25), "hair": (140, 220), "background": (150, 210)}
"""The bearing of each role's heads from the mark, counted from the camera [degree]."""
INTENSITIES_CD = {"key": 1800.0, "fill": 1600.0, "hair": 600.0, "background": 900.0}
"""Of all heads of a role together."""
BUDGETS = {
    "tracker at 4 heads, processor": Budget(5.0, "% of a core", "GET /health"),
    "tracker at 512 heads, processor": Budget(50.0, "% of a core", "GET /health"),
    "tracker at 512 heads, answer, median": Budget(10.0, "ms", "GET /health"),
}

Ask = tuple[str, str, str | None]


def many_heads(heads: int, port: int) -> str:
    """A rig file of so many heads, a quarter of each role, whose balance is within reach on the whole way."""
    chance = random.Random(heads)
    made = [_head(i, ROLES[i % len(ROLES)], heads, chance) for i in range(heads)]
    tables: Table = {
        "balance": {"exposure": 120.0, "relative": {"hair": -1.0, "background": -1.5}},
        "hold": {"pace": "quick", "order_speed": 6.0},
    }
    camera = {"position": CAMERA["position"]}
    return toml(studio("bench", camera=camera, **tables, heads=made, drivers=sacn("stage", port)))


def _head(i: int, role: str, heads: int, chance: random.Random) -> Table:
    bearing, distance = math.radians(chance.uniform(*SIDES[role])), chance.uniform(1.8, 3.0)
    behind = {"aim": [chance.uniform(-0.5, 0.5), 3.5, 1.2]} if role == "background" else {}
    return {
        "name": f"{role}-{i}",
        "role": role,
        "position": [
            round(distance * math.sin(bearing), 3),
            round(-distance * math.cos(bearing), 3),
            round(chance.uniform(1.5, 2.2), 3),
        ],
        **behind,
        "intensity": round(INTENSITIES_CD[role] * len(ROLES) / heads, 3),
        "modifier": {"diameter": round(chance.uniform(0.2, 0.9), 2)},
        "dimming": {"curve": "square", "floor": 0.01},
        "drive": {
            "driver": "stage",
            "universe": 1 + i // HEADS_A_UNIVERSE,
            "slot": 1 + 2 * (i % HEADS_A_UNIVERSE),
            "bits": 16,
        },
    }


@dataclass(frozen=True)
class Rhythm:
    """The cost of requests at one rhythm: share of a core [%], answer times [ms], octets an answer."""

    core_percent: float
    answers_ms: list[float]
    octets: float

    @property
    def median_ms(self) -> float:
        return statistics.median(self.answers_ms)

    @property
    def p99_ms(self) -> float:
        return statistics.quantiles(self.answers_ms, n=100)[98]


def processor_s(process: int) -> float:
    """Seconds of processor time that a process has taken, all its threads together."""
    words = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def health(_: float) -> Ask:
    return "GET", "/health", None


def report(at_s: float) -> Ask:
    """The place of a subject who walks to and fro, a little aslant."""
    way = SWING_M * math.sin(2 * math.pi * at_s / PERIOD_S)
    return "POST", "/api/v1/do", json.dumps({"do": "subject", "to": [way, 0.3 * way, 1.2]})


def in_rhythm(daemon: OwnDaemon, seconds: float, asks: Callable[[float], Ask]) -> Rhythm:
    """Ask thirty times a second on one kept connection; a question that is late is not made up for."""
    door = http.client.HTTPConnection("127.0.0.1", daemon.port, timeout=10)
    door.connect()
    assert door.sock is not None
    door.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    taken, octets = [], 0
    began, used_s = time.monotonic(), processor_s(daemon.process.pid)
    due = began
    while due < began + seconds:
        time.sleep(max(0.0, due - time.monotonic()))
        start = time.perf_counter()
        method, path, body = asks(due - began)
        door.request(method, path, body, {"Content-Type": "application/json"})
        answer = door.getresponse()
        said = answer.read()
        taken.append((time.perf_counter() - start) * 1000)
        if answer.status != 200:
            raise AssertionError(f"{path} was answered with {answer.status}: {said[:200]!r}")
        octets += len(said)
        due = max(due + 1 / REPORTS_S, time.monotonic() - 1 / REPORTS_S)
    lasted_s = time.monotonic() - began
    core = 100 * (processor_s(daemon.process.pid) - used_s) / lasted_s
    door.close()
    return Rhythm(core, taken, octets / len(taken))


def measured(heads: int, seconds: float, readers: int = 0) -> tuple[Rhythm, Rhythm]:
    """The floor and the tracker's cost at so many heads."""
    with ExitStack() as stack:
        receiver = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        receiver.bind(("127.0.0.1", 0))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        daemon = stack.enter_context(OwnDaemon(folder, many_heads(heads, receiver.getsockname()[1])))
        in_rhythm(daemon, SETTLES_S, report)
        time.sleep(SETTLES_S)
        floor = in_rhythm(daemon, seconds, health)
        with looking_on(daemon.port, readers) if readers else nullcontext():
            in_rhythm(daemon, 1.0, report)
            return floor, in_rhythm(daemon, seconds, report)


def figures(quick: bool) -> list[Figure]:
    """The share of a core and the median answer at each number of heads."""
    found = []
    for heads in (4, 512) if quick else (4, 32, 128, 512):
        floor, tracker = measured(heads, 5.0 if quick else 10.0)
        name = f"tracker at {heads} heads"
        found += [
            _beside(f"{name}, processor", "% of a core", tracker.core_percent, floor.core_percent),
            _beside(f"{name}, answer, median", "ms", tracker.median_ms, floor.median_ms),
            Figure(f"{name}, answer, size", tracker.octets, "octets"),
        ]
    return found


def _beside(name: str, unit: str, value: float, floor: float) -> Figure:
    budget = BUDGETS.get(name)
    return Figure(name, value, unit, floor, "GET /health", budget.allowance if budget else None)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--heads", type=int, nargs="+", default=[4, 32, 128, 512])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--readers", type=int, default=0)
    chosen = parser.parse_args()
    print("heads            core   answer p50   answer p99       octets")
    for heads in chosen.heads:
        floor, tracker = measured(heads, chosen.seconds, chosen.readers)
        for name, took in (("health", floor), ("report", tracker)):
            print(
                f"{heads:5d}  {name}  {took.core_percent:6.1f} %  {took.median_ms:7.2f} ms   "
                f"{took.p99_ms:7.2f} ms   {took.octets:10.0f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
