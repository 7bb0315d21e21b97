"""From an order to the first changed packet, beside a bare UDP echo in the same run.

    python tests/bench/bench_order_latency.py [--orders 200]

A daemon of its own runs on a rig of two 16-bit heads; orders come over one kept HTTP connection, each 60 ms
after the last packet, and the clock stops when a packet with other slots arrives. The peer is a process that
sends every datagram back. What is asked: the 99th percentile within 3 ms of the echo's.
"""

from __future__ import annotations

import argparse
import http.client
import json
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.own_daemon import OwnDaemon, two_heads

SLOTS_FROM = 126
"""ANSI E1.31-2018, table 4-1: octet 125 is the start code, slot 1 the octet after it."""
QUIET_S = 0.06
STEP_STOPS = 0.05
"""So little that going to and fro is no turn, which the rule against flashing would make wait."""
ECHO = (
    "import socket; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.bind(('127.0.0.1', 0));"
    "print(s.getsockname()[1], flush=True)\n"
    "while True: s.sendto(*s.recvfrom(2048))"
)


def wait_until_quiet(receiver: socket.socket) -> bytes:
    """Read packets until none has come for a while; the last one's slots."""
    slots = b""
    receiver.settimeout(QUIET_S)
    while True:
        try:
            slots = receiver.recv(2048)[SLOTS_FROM:]
        except TimeoutError:
            if slots:
                return slots


def order_latencies_ms(orders: int) -> list[float]:
    """Milliseconds from sending each order to the first packet that changed."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("127.0.0.1", 0))
    with tempfile.TemporaryDirectory() as folder:
        rig = two_heads(receiver.getsockname()[1], exposure_lux=200, stops_s=6.0)
        with receiver, OwnDaemon(Path(folder), rig) as daemon:
            return _measure(receiver, http.client.HTTPConnection("127.0.0.1", daemon.port), orders)


def _measure(receiver: socket.socket, door: http.client.HTTPConnection, orders: int) -> list[float]:
    taken = []
    for number in range(orders):
        slots = wait_until_quiet(receiver)
        order = {"do": "trim", "role": "fill", "by": -STEP_STOPS if number % 2 else STEP_STOPS}
        receiver.settimeout(5)
        start = time.perf_counter()
        door.request("POST", "/api/v1/do", json.dumps(order), {"Content-Type": "application/json"})
        while receiver.recv(2048)[SLOTS_FROM:] == slots:
            pass
        taken.append((time.perf_counter() - start) * 1000)
        door.getresponse().read()
    return taken


def echo_latencies_ms(tries: int) -> list[float]:
    """Milliseconds of a datagram there and back."""
    peer = subprocess.Popen([sys.executable, "-c", ECHO], stdout=subprocess.PIPE, text=True)
    try:
        assert peer.stdout is not None
        where = ("127.0.0.1", int(peer.stdout.readline()))
        sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sender.settimeout(5)
        taken = []
        for _ in range(tries):
            time.sleep(QUIET_S)
            start = time.perf_counter()
            sender.sendto(b"\0" * 638, where)
            sender.recv(2048)
            taken.append((time.perf_counter() - start) * 1000)
        sender.close()
        return taken
    finally:
        peer.kill()
        peer.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--orders", type=int, default=200)
    orders = parser.parse_args().orders
    results = {"bare UDP echo": echo_latencies_ms(orders), "order to packet": order_latencies_ms(orders)}
    p99 = {}
    for name, taken in results.items():
        cuts = statistics.quantiles(taken, n=100)
        p99[name] = cuts[98]
        print(f"{name:16}  p50 {cuts[49]:6.2f} ms   p99 {cuts[98]:6.2f} ms   most {max(taken):6.2f} ms")
    print(
        f"p99 over the echo's: {p99['order to packet'] - p99['bare UDP echo']:.2f} ms (asked: at most 3 ms)"
    )


if __name__ == "__main__":
    main()
