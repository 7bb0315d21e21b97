"""What holding costs, and how well a noisy subject is followed.

The costs by ``python tests/bench/run.py hold``, the following by ``python tests/bench/bench_hold.py``.

Costs are medians of processor time taken in turn with a peer's. The peer of a position report is the plain
mean of the last 512 reports by numpy, the peer of a frame one conversion of all outputs to codes. Following
is judged as in `tests/contract/test_hold_following.py`: key at 1.2 m, fill at 1.6 m, 50 reports a second,
noise of 5 cm on each axis, a walk of 0.4 to 0.6 m at 1 m/s; 100 runs out and back."""

from __future__ import annotations

import math
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bench.figures import Budget, Figure
from contract.hold_studio import CHAIR, Studio, light, studio
from fillside.hold.tracking.filter import Filter

RUNS = 100
BUDGETS: dict[str, Budget] = {}


def median_us(job: Callable[[int], object], peer: Callable[[int], object], times: int) -> tuple[float, float]:
    """Median processor time of both, in microseconds, taken in turn."""
    taken: list[list[float]] = [[], []]
    for k in range(times):
        for which, work in enumerate((job, peer)):
            begin = time.perf_counter()
            work(k)
            taken[which].append((time.perf_counter() - begin) * 1e6)
    return statistics.median(taken[0]), statistics.median(taken[1])


def reports(times: int) -> Figure:
    rng = np.random.default_rng(1)
    seen, window = Filter(), np.zeros((512, 3))
    places = (rng.normal(0.0, 0.05, (times, 3)) + CHAIR).tolist()

    def filtered(k: int) -> None:
        x, y, z = places[k]
        seen.report((x, y, z), k / 50)

    def mean(k: int) -> object:
        window[k % 512] = places[k]
        return window.mean(axis=0).tolist()

    ours, peers = median_us(filtered, mean, len(places))
    return Figure("report of a subject that stays", ours, "µs", peers, "plain mean of 512 reports")


def frames(times: int) -> Figure:
    up = Studio(studio())
    up.settle()
    dimmers = up.hold.scene.dimmers
    outputs = np.array([0.3, 0.2, 0.1, 0.0])
    up.do("balance", ratio="1:8")

    def frame(k: int) -> None:
        if up.hold.settled:
            up.do("balance", ratio="8:1" if k % 2 else "1:8")
        up.now += 1 / 44
        up.hold.tick(up.now)

    ours, peers = median_us(frame, lambda k: dimmers.codes(outputs), times)
    return Figure("frame of a fade, 4 heads", ours, "µs", peers, "outputs to codes")


def figures(quick: bool) -> list[Figure]:
    """Processor time of a position report and of a frame."""
    times = 1000 if quick else 8000
    return [reports(times), frames(times // 2)]


def follow(seed: int) -> tuple[float, float, float, float]:
    """Largest sd of a head's light at rest, and |ratio error| 0.3 s after the walk out and back, in stops."""
    rng = np.random.default_rng(seed)
    far = float(rng.uniform(0.4, 0.6) * rng.choice([-1, 1]))
    up = Studio(studio(hold={"pace": "quick"}))
    up.settle()
    rest: list[tuple[float, float]] = []
    errors: dict[float, float] = {}
    back_s = 9.0
    start = up.now
    for k in range(round((back_s + 1.2) * 50)):
        t = k / 50
        x = min(max(t - 5.0, 0.0), abs(far)) - min(max(t - back_s, 0.0), abs(far)) if t > 0 else 0.0
        place = (math.copysign(x, far), 0.0, 1.2)
        up.wait(start + t - up.now)
        up.see(p + n for p, n in zip(place, rng.normal(0.0, 0.05, 3).tolist(), strict=True))
        lux = light(up.rig, up.codes, place)
        if 3.0 < t < 5.0:
            rest.append((math.log2(lux["key"]), math.log2(lux["fill"])))
        errors[round(t, 2)] = abs(math.log2(lux["key"] / lux["fill"]) - 1.0)
    ends = [math.ceil((begin + abs(far) + 0.3) * 50) / 50 for begin in (5.0, back_s)]
    out, home = (errors[round(end, 2)] for end in ends)
    sd = np.array(rest).std(axis=0)
    return float(sd[0]), float(sd[1]), out, home


def following() -> None:
    found = np.array([follow(seed) for seed in range(RUNS)])
    key, fill, out, home = found.T
    print(f"still: sd of key and fill, median {np.median(key):.4f}, {np.median(fill):.4f} stop,", end=" ")
    print(f"worst {key.max():.4f}, {fill.max():.4f}")
    print(
        f"within 0.1 stop 0.3 s after a walk: out {(out <= 0.1).mean():.2f}, back {(home <= 0.1).mean():.2f}"
    )


if __name__ == "__main__":
    following()
