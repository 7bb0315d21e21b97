"""From the start of `fillside run` to its first packet, and the memory it holds at rest.

Run by ``python tests/bench/run.py start``. A process of its own on a rig of two heads, and in turn with it
the peer: bare Python that imports `aiohttp.web` and `numpy` and sends one packet. Both have their bytecode,
as an installed package has; the clock runs from before the process is made until a packet arrives.
"""

from __future__ import annotations

import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.figures import Budget, Figure
from bench.own_daemon import ENTRY, two_heads

PEER_NAME = "bare Python with aiohttp and numpy"
FIRST, RESIDENT = "start to first packet", "resident memory at rest"
BUDGETS = {FIRST: Budget(0.25, "s", PEER_NAME), RESIDENT: Budget(20.0, "MB", PEER_NAME)}
SETTLES_IN_S = 1.2
WITHIN_S = 60.0
PEER = """
import socket, sys, time
import aiohttp.web, numpy
socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b"here", ("127.0.0.1", int(sys.argv[1])))
time.sleep(60)
"""


@dataclass(frozen=True)
class Start:
    """Seconds to the first packet, and resident memory once settled."""

    seconds: float
    resident_mb: float


def started(arguments: Sequence[str], receiver: socket.socket) -> Start:
    while _is_waiting(receiver):
        receiver.recv(2048)
    # Without this, every start of a source tree would compile it anew.
    environ = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begin = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], stderr=subprocess.DEVNULL, env=environ)
    try:
        receiver.settimeout(WITHIN_S)
        receiver.recv(2048)
        seconds = time.perf_counter() - begin
        time.sleep(SETTLES_IN_S)
        return Start(seconds, _resident_mb(process.pid))
    finally:
        process.terminate()
        process.wait()


def _is_waiting(receiver: socket.socket) -> bool:
    receiver.setblocking(False)
    try:
        receiver.recv(2048, socket.MSG_PEEK)
    except BlockingIOError:
        return False
    return True


def _resident_mb(process: int) -> float:
    lines = Path(f"/proc/{process}/status").read_text("ascii").splitlines()
    resident = next(line for line in lines if line.startswith("VmRSS:"))
    return int(resident.split()[1]) / 1024


def figures(quick: bool) -> list[Figure]:
    """Medians of starts in turn with the peer's; the first of each only writes bytecode and the data."""
    ours: list[Start] = []
    peers: list[Start] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver, tempfile.TemporaryDirectory() as kept:
        receiver.bind(("127.0.0.1", 0))
        port, rig = receiver.getsockname()[1], Path(kept) / "rig.toml"
        rig.write_text(two_heads(port, exposure_lux=120, stops_s=0.33))
        daemon = ["-c", ENTRY, "run", str(rig), "--listen", "127.0.0.1:0", "--data", str(Path(kept) / "data")]
        for _ in range(4 if quick else 12):
            ours.append(started(daemon, receiver))
            peers.append(started(["-c", PEER, str(port)], receiver))
    seconds, floor_s = (statistics.median(start.seconds for start in each[1:]) for each in (ours, peers))
    mb, floor_mb = (statistics.median(start.resident_mb for start in each[1:]) for each in (ours, peers))
    return [BUDGETS[FIRST].figure(FIRST, seconds, floor_s), BUDGETS[RESIDENT].figure(RESIDENT, mb, floor_mb)]
