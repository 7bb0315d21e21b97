"""What metering costs: a fit's time, packets while one goes on, the longest turn of the loop, steps of light.

    python tests/bench/bench_metering.py [--fits 12]

The rig has 8 heads on E1.31; 12 readings of each are in its store. Peers in the same run: the packets of a
daemon that does nothing else, and a bare process that sends every 25 ms and sleeps. Asked for: a fit under
2 s, and gaps between packets that a fit does not change.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fillside.belief.result.calibrating import belief_from_csv, calibration_of
from fillside.doors.listener import give
from fillside.hold.machine.hold import Hold
from fillside.metering.simulated_meter import truth_of
from fillside.photometry.dimming import level_from_code
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig, load_rig_text
from fillside_drivers.registry import kinds
from fillside_drivers.sim.truth import direct_lux, unit
from journeys.running import Daemon, running
from rigs import CHAIR_AND_DESK, dimming, head_at, sacn, sim, studio, toml

HEADS, READINGS = 8, 12
QUIET_S, EVERY_S = 6.0, 0.025


def rig_text(kind: str, port: int = 0, order_speed: float = 1.0) -> str:
    rng = np.random.default_rng(5)
    heads = []
    for n in range(HEADS):
        role = ("key", "fill", "key", "fill", "hair", "hair", "key", "fill")[n]
        side, back = (1 if role != "fill" else -1), role == "hair"
        factor, power = round(rng.uniform(0.6, 1.5), 2), round(rng.uniform(1.6, 2.5), 2)
        truth = {"output_factor": factor, "exponent": power, "setback": 0.1, "dead_zone": 0.02}
        slots = {"universe": 1, "slot": 1 + 2 * n, "bits": 16}
        heads.append(
            head_at(
                f"h{n}",
                [side * (0.9 + 0.15 * n), 1.0 if back else -1.0 - 0.1 * n, round(1.5 + 0.1 * n, 2)],
                role=role,
                intensity=900,
                modifier={"kind": "shoot-through", "diameter": 0.9},
                dimming=dimming(0.02),
                drive={"driver": "stage", **(slots if kind == "sacn" else {"bits": 16, "truth": truth})},
            )
        )
    rig = studio(
        "bench",
        camera={"position": [0.0, -2.6, 1.4]},
        marks=CHAIR_AND_DESK,
        balance={"exposure": 700},
        hold={"order_speed": order_speed},
        ambient={"lux": 5},
        heads=heads,
        drivers=sacn("stage", port) if kind == "sacn" else sim("stage"),
    )
    return toml(rig)


def readings_of(rig: Rig) -> str:
    """12 readings a head by the simulator's own physics, a meter good to 0.05 stop."""
    rng, truth = np.random.default_rng(6), truth_of(rig)
    rows = ["head,level,x,y,z,value,unit,receptor,facing"]
    for head in truth.heads:
        for n in range(READINGS):
            at = np.array(rig.start) + rng.uniform(-0.4, 0.4, 3) * [1, 1, 0]
            level = (1.0, 0.45, 0.7, 0.25, 0.85, 0.6)[n % 6]
            axis = unit((np.array(head.position) - at).tolist())
            lux = truth.ambient_lux + direct_lux(head, "flat", at.tolist(), axis) * head.output(level)
            lux *= 2 ** rng.normal(0, 0.05)
            x, y, z = (round(float(v), 2) for v in at)
            rows.append(f"{head.name},{level},{x},{y},{z},{lux:.4g},lux,flat,head")
    return "\n".join(rows) + "\n"


def fit_times(rig: Rig, text: str, count: int) -> tuple[list[float], list[float]]:
    """Seconds of the wall and of this process, for a fit with all that is said about it."""
    wall, own = [], []
    for _ in range(count):
        started, used = time.perf_counter(), time.process_time()
        calibration_of(belief_from_csv(text, rig))
        wall.append(time.perf_counter() - started)
        own.append(time.process_time() - used)
    return wall, own


class Ear:
    """Gaps between the packets that arrive on a port, in seconds."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.5)
        self.port = int(self._socket.getsockname()[1])
        self._gaps: list[float] = []
        self._going = True
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        last = None
        while self._going:
            try:
                self._socket.recv(2048)
            except TimeoutError:
                continue
            now = time.perf_counter()
            if last is not None:
                self._gaps.append(now - last)
            last = now

    @contextmanager
    def hearing(self) -> Iterator[list[float]]:
        found: list[float] = []
        self._gaps = found
        yield found
        self._gaps = []

    def close(self) -> None:
        self._going = False
        self._thread.join()
        self._socket.close()


PEER = (
    "import socket, sys, time\n"
    "s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)\n"
    "while True: s.sendto(bytes(638), ('127.0.0.1', int(sys.argv[1]))); time.sleep(float(sys.argv[2]))"
)


def said(gaps: list[float]) -> str:
    ms = sorted(1000 * gap for gap in gaps)
    p99 = ms[min(len(ms) - 1, int(0.99 * len(ms)))]
    middle = statistics.median(ms)
    return f"{len(ms):4d} packets, gaps: median {middle:6.1f} ms, 99 % {p99:6.1f} ms, most {ms[-1]:6.1f} ms"


def cadence(fits: int, text: str, folder: Path) -> None:
    """Packets of a light that moves all the time, without and with fits."""
    ear, other = Ear(), Ear()
    rig = folder / "bench.toml"
    rig.write_text(rig_text("sacn", ear.port))
    peer = subprocess.Popen([sys.executable, "-c", PEER, str(other.port), str(EVERY_S)])
    try:
        with running(rig, folder / "data", anew=True) as up:
            up.settled(60)
            up.do(do="import", readings=text)
            up.settled(60)
            stop = threading.Event()
            mover = threading.Thread(target=_move, args=(up, stop), daemon=True)
            mover.start()
            time.sleep(1.0)
            with ear.hearing() as still, other.hearing() as peer_still:
                time.sleep(QUIET_S)
            with ear.hearing() as busy, other.hearing() as peer_busy:
                for n in range(fits):
                    up.do(do="read", head="h0", level=0.5, value=100.0 + n)
            stop.set()
            mover.join()
            print(f"  moving, no fit      {said(still)}")
            print(f"  moving, {fits:2d} fits     {said(busy)}")
            print(f"  bare peer, no fit   {said(peer_still)}")
            print(f"  bare peer, fits     {said(peer_busy)}")
    finally:
        peer.kill()
        peer.wait()
        ear.close()
        other.close()


def _move(up: Daemon, stop: threading.Event) -> None:
    """A trim to and fro by slow fades: the light is always on its way."""
    for to in itertools.cycle((-1.5, 0.0)):
        if stop.is_set():
            return
        body = json.dumps({"do": "trim", "role": "fill", "to": to}).encode()
        request = urllib.request.Request(up.url + "/api/v1/do", body, {"Content-Type": "application/json"})
        urllib.request.urlopen(request, timeout=30).close()
        stop.wait(1.4)


class Turns:
    """CPU time of each turn of the event loop, by what turned."""

    def __init__(self) -> None:
        self.longest: list[tuple[float, str]] = []
        self._run = asyncio.events.Handle._run

    def __enter__(self) -> Turns:
        turns, run = self, self._run

        def timed(handle: Any) -> None:
            began = time.thread_time()
            try:
                run(handle)
            finally:
                took = time.thread_time() - began
                if took > 0.001:
                    owner = getattr(handle._callback, "__self__", None)
                    turns.longest.append((took, getattr(owner, "get_name", lambda: "a callback")()))

        asyncio.events.Handle._run = timed  # type: ignore[method-assign]
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.events.Handle._run = self._run  # type: ignore[method-assign]


async def loop_turns(folder: Path) -> list[tuple[float, str]]:
    """The longest turns while a routine goes on, on the simulated wire."""
    from fillside.daemon.composition import Settings, daemon
    from fillside.doors.http.listening import Listen
    from fillside.storage.records.journal import Visitor

    rig = load_rig(_written(folder / "sim.toml", rig_text("sim", order_speed=6.0)))
    me = Visitor("bench", "bench")
    async with daemon(rig, Settings(folder / "sim", folder, Listen("127.0.0.1", 0))) as up:

        async def do(**order: Any) -> dict[str, Any]:
            await give(up.runner, order, me)
            step: dict[str, Any] = up.runner.state()["routine"]
            return step

        step = await do(do="calibrate", act="start")
        for tick in step["ticks"]:
            await do(do="calibrate", act="tick", item=tick["item"])
        await do(do="calibrate", act="go")
        with Turns() as turns:
            step = await do(do="calibrate", act="skip")
            for _ in range(5):
                step = await do(do="read", virtual=True)
            step = await do(do="calibrate", act="finish")
            for _ in range(3):
                step = await do(do="read", virtual=True)
        return turns.longest


def _written(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def light_steps(rig: Rig, calibration: Calibration) -> float:
    """The largest change of any head's true light from one frame to the next, in stops, after a calibration
    is applied; light below a hundredth of full counts as that."""
    truth = {head.name: head for head in truth_of(rig).heads}

    def lights(hold: Hold) -> np.ndarray[Any, np.dtype[np.float64]]:
        scene = hold.scene
        wires = zip(scene.names, hold.codes, scene.full_scales, strict=True)
        found = [truth[name].output(level_from_code(code, full)) for name, code, full in wires]
        return np.log2(np.maximum(found, 0.01))

    hold, now = Hold(rig), 0.0
    while (wake_in := hold.wake_in(now)) is not None:
        now += wake_in
        hold.tick(now)
    before, most = lights(hold), 0.0
    hold = hold.replaced(rig, calibration, None, now)
    while (wake_in := hold.wake_in(now)) is not None:
        after = lights(hold)
        most, before = max(most, float(np.abs(after - before).max())), after
        now += wake_in
        hold.tick(now)
    return most


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fits", type=int, default=12)
    fits: int = parser.parse_args().fits
    rig = load_rig_text(rig_text("sim"), kinds=kinds())
    text = readings_of(rig)
    wall, own = fit_times(rig, text, 5)
    print(f"a fit of {HEADS} heads with {READINGS} readings each, and all that is said about it:")
    print(f"  least {min(wall):.2f} s, most {max(wall):.2f} s of the wall; least {min(own):.2f} s of CPU")
    with tempfile.TemporaryDirectory() as folder:
        print("packets:")
        cadence(fits, text, Path(folder))
        longest = sorted(asyncio.run(loop_turns(Path(folder))))[-5:]
    print("longest turns of the loop in a routine of 8 heads, CPU time:")
    print("  " + ", ".join(f"{1000 * took:.1f} ms ({who})" for took, who in reversed(longest)))
    step = light_steps(rig, calibration_of(belief_from_csv(text, rig)))
    print(f"largest step of true light between two frames when a calibration is applied: {step:.3f} stop")
    print(f"  (an order's fade at 1 stop/s makes {1 / 44:.3f} stop of believed light a frame)")


if __name__ == "__main__":
    main()
