"""From an order to the first changed packet, by each door, beside an echo on the same path in the same run.

    python tests/bench/bench_order_latency.py [--orders 200] [--doors http mqtt osc]

A daemon of its own for each door runs on a rig of two 16-bit heads. Orders and echoes take turns, each after
a quarter of a second of rest, as a person meets the daemon: its caches cold and the processor asleep. The
clock of an order stops when an E1.31 packet with other slots arrives, by the system's own stamp on it: a lamp
needs no turn on the processor that the daemon still works on. A trim moves one head; a new ratio is solved
anew. The echoes: `GET /health` on the same kept connection; a message to the same broker that comes back to
its publisher; a datagram to a process that sends it back. Asked: the median within 0.7 ms of the echo's, the
99th percentile within 2 ms. On a busy machine most of both is waiting for the processor: run it by
`chrt -f 5`, which the daemon, the broker and the echo inherit.
"""

from __future__ import annotations

import argparse
import http.client
import json
import select
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import paho.mqtt.client as paho
from pythonosc.osc_message_builder import OscMessageBuilder

from bench.figures import Budget, Figure
from bench.own_daemon import OwnDaemon, two_heads
from protocol.broker import MOSQUITTO, free_port, running_broker
from rigs import Table

SLOTS_FROM = 126
"""ANSI E1.31-2018, table 4-1: octet 125 is the start code, slot 1 the octet after it."""
SO_TIMESTAMPNS = 35
"""Linux, asm-generic/socket.h; Python has no name for it."""
REST_S = 0.25
TO_AND_FRO: dict[str, tuple[Table, Table]] = {
    "trim": ({"do": "trim", "role": "fill", "by": 0.05}, {"do": "trim", "role": "fill", "by": -0.05}),
    "ratio": ({"do": "balance", "ratio": 2.05}, {"do": "balance", "ratio": 2.0}),
}
"""Steps so small that going to and fro is no turn, which the rule against flashing would make wait."""
WARM_UP = 5
WITHIN_S = 5.0
MEDIAN_MS, P99_MS = 0.7, 2.0
"""What an order may take above its echo [ms]."""
ECHOES = {"http": "GET /health", "mqtt": "a message through the broker and back", "osc": "bare UDP echo"}
BUDGETS = {
    f"{kind} to packet by {door.upper()}, {name}": Budget(allowance, "ms", echo)
    for door, echo in ECHOES.items()
    for kind in TO_AND_FRO
    for name, allowance in (("median", MEDIAN_MS), ("99th percentile", P99_MS))
}
ECHO = (
    "import socket; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.bind(('127.0.0.1', 0));"
    "print(s.getsockname()[1], flush=True)\n"
    "while True: s.sendto(*s.recvfrom(2048))"
)


class OrderPath(NamedTuple):
    """One way of orders: `send` gives an order and returns at once, `answered` takes the answer, `echo` is a
    round trip on the same path that costs the least."""

    peer: str
    send: Callable[[Table], object]
    answered: Callable[[], object]
    echo: Callable[[], object]


@contextmanager
def http_path(frames: int) -> Iterator[OrderPath]:
    """Orders over one kept HTTP connection."""
    with _daemon(frames) as daemon, closing(http.client.HTTPConnection("127.0.0.1", daemon.port)) as door:

        def send(order: Table) -> None:
            door.request("POST", "/api/v1/do", json.dumps(order), {"Content-Type": "application/json"})

        def answered() -> None:
            response = door.getresponse()
            text = response.read()
            assert response.status == 200, text

        def echo() -> None:
            door.request("GET", "/health")
            answered()

        yield OrderPath(ECHOES["http"], send, answered, echo)


@contextmanager
def mqtt_path(frames: int) -> Iterator[OrderPath]:
    """Orders through a broker, with quality of service 1."""
    with ExitStack() as stack:
        port = stack.enter_context(running_broker(Path(stack.enter_context(tempfile.TemporaryDirectory()))))
        doors = {"mqtt": {"broker": "127.0.0.1", "port": port}}
        stack.enter_context(_daemon(frames, doors=doors))
        client = BrokerClient(port, "fillside/bench/said", "fillside/bench/online", "echo")
        stack.callback(client.paho.disconnect)
        while client.next("fillside/bench/online") != b"true":
            pass

        def answered() -> None:
            answer = json.loads(client.next("fillside/bench/said"))
            assert answer["ok"] is True, answer

        def echo() -> None:
            client.publish("echo", json.dumps(TO_AND_FRO["trim"][0]))
            client.next("echo")

        yield OrderPath(
            ECHOES["mqtt"],
            lambda order: client.publish("fillside/bench/do", json.dumps(order)),
            answered,
            echo,
        )


@contextmanager
def osc_path(frames: int) -> Iterator[OrderPath]:
    """Orders over UDP."""
    with ExitStack() as stack:
        port = free_port()
        stack.enter_context(_daemon(frames, doors={"osc": {"listen": f"127.0.0.1:{port}"}}))
        echo_port = stack.enter_context(_udp_echo())
        sender = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        sender.settimeout(WITHIN_S)

        def send(order: Table, to: int = port) -> None:
            is_trim = order["do"] == "trim"
            message = OscMessageBuilder("/fillside/trim/fill" if is_trim else "/fillside/balance")
            message.add_arg(order["by" if is_trim else "ratio"])
            sender.sendto(message.build().dgram, ("127.0.0.1", to))

        def answered() -> None:
            answer = sender.recv(2048)
            assert b"ok" in answer, answer

        def echo() -> None:
            send(TO_AND_FRO["trim"][0], echo_port)
            sender.recv(2048)

        yield OrderPath(ECHOES["osc"], send, answered, echo)


PATHS = {"http": http_path, "mqtt": mqtt_path, "osc": osc_path}


@contextmanager
def _daemon(frames: int, **tables: Table) -> Iterator[OwnDaemon]:
    rig = two_heads(frames, exposure_lux=200, stops_s=6.0, **tables)
    with tempfile.TemporaryDirectory() as folder, OwnDaemon(Path(folder), rig) as daemon:
        yield daemon


@contextmanager
def _udp_echo() -> Iterator[int]:
    peer = subprocess.Popen([sys.executable, "-c", ECHO], stdout=subprocess.PIPE, text=True)
    try:
        assert peer.stdout is not None
        yield int(peer.stdout.readline())
    finally:
        peer.kill()
        peer.wait()


class BrokerClient:
    """A client of a broker without a thread, as switching to one would count as the broker's time."""

    def __init__(self, port: int, *topics: str) -> None:
        self._came: list[tuple[str, bytes]] = []
        self.paho = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self.paho.on_message = lambda _, __, message: self._came.append((message.topic, message.payload))
        self.paho.connect("127.0.0.1", port)
        self._work(self.paho.is_connected)
        subscribed: list[Any] = []
        self.paho.on_subscribe = lambda *said: subscribed.append(said)
        self.paho.subscribe([(topic, 1) for topic in topics])
        self._work(lambda: bool(subscribed))

    def publish(self, topic: str, payload: str) -> None:
        self.paho.publish(topic, payload, qos=1)

    def next(self, topic: str) -> bytes:
        """Wait for the next message on a topic; return its payload, and forget those on others."""
        found: list[bytes] = []

        def has_come() -> bool:
            found.extend(payload for came_on, payload in self._came if came_on == topic)
            self._came.clear()
            return bool(found)

        self._work(has_come)
        return found[0]

    def _work(self, done: Callable[[], bool]) -> None:
        deadline = time.monotonic() + WITHIN_S
        while not done():
            assert time.monotonic() < deadline, "the broker does not answer"
            select.select([self.paho.socket()], [], [], WITHIN_S)
            self.paho.loop_read()
            self.paho.loop_misc()
            if self.paho.want_write():
                self.paho.loop_write()


class Latencies(NamedTuple):
    """Times [ms] of orders until the first changed packet, by kind, and of the echoes between them."""

    orders: dict[str, list[float]]
    echoes: list[float]
    peer: str


def latencies_ms(door: str, orders: int) -> Latencies:
    """Measure one door with so many orders of each kind, order and echo in turn."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("127.0.0.1", 0))
    receiver.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    receiver.settimeout(WITHIN_S)
    with receiver, PATHS[door](receiver.getsockname()[1]) as path:
        found = Latencies({kind: [] for kind in TO_AND_FRO}, [], path.peer)
        slots = b""
        for number in range(-WARM_UP, orders):
            for kind, to_and_fro in TO_AND_FRO.items():
                time.sleep(REST_S)
                slots = _last_slots(receiver, slots)
                order_ms = _order_ms(path, receiver, slots, to_and_fro[number % 2])
                if number >= 0:
                    found.orders[kind].append(order_ms)
            time.sleep(REST_S)
            echo_ms = _timed_ms(path.echo)
            if number >= 0:
                found.echoes.append(echo_ms)
        return found


def _last_slots(receiver: socket.socket, slots: bytes) -> bytes:
    """Read what has come; return the last packet's slots."""
    while select.select([receiver], [], [], 0 if slots else WITHIN_S)[0]:
        slots = receiver.recv(2048)[SLOTS_FROM:]
    return slots


def _order_ms(path: OrderPath, receiver: socket.socket, slots: bytes, order: Table) -> float:
    start_ns = time.time_ns()
    path.send(order)
    arrived_ns, deadline = start_ns, time.monotonic() + WITHIN_S
    changed = False
    while not changed:
        assert time.monotonic() < deadline, f"{order} changes nothing"
        packet, stamps, _, _ = receiver.recvmsg(2048, socket.CMSG_SPACE(16))
        changed = packet[SLOTS_FROM:] != slots
        seconds, nanoseconds = struct.unpack("@ll", stamps[0][2])
        arrived_ns = seconds * 1_000_000_000 + nanoseconds
    path.answered()
    return (arrived_ns - start_ns) / 1e6


def _timed_ms(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return (time.perf_counter() - start) * 1000


def median_and_p99(taken: list[float]) -> tuple[float, float]:
    cuts = statistics.quantiles(taken, n=100)
    return cuts[49], cuts[98]


def figures_of(door: str, orders: int) -> list[Figure]:
    """The median and the 99th percentile of each kind of order at one door, beside its echo's."""
    found = latencies_ms(door, orders)
    floors = median_and_p99(found.echoes)
    return [
        Figure(f"{kind} to packet by {door.upper()}, {name}", value, "ms", floor, found.peer, allowance)
        for kind, taken in found.orders.items()
        for name, allowance, value, floor in zip(
            ("median", "99th percentile"), (MEDIAN_MS, P99_MS), median_and_p99(taken), floors, strict=True
        )
    ]


def figures(quick: bool) -> list[Figure]:
    """The figures of every door that can be measured here; MQTT wants Mosquitto."""
    doors = [door for door in PATHS if door != "mqtt" or MOSQUITTO is not None]
    return [figure for door in doors for figure in figures_of(door, 30 if quick else 200)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--orders", type=int, default=200)
    parser.add_argument("--doors", nargs="+", choices=[*PATHS], default=[*PATHS])
    chosen = parser.parse_args()
    for door in chosen.doors:
        for figure in figures_of(door, chosen.orders):
            print(
                f"{figure.name:42} {figure.value:6.2f} {figure.unit}, {figure.peer} {figure.floor:5.2f}: "
                f"{figure.over:5.2f} above it (asked: at most {figure.allowance:g})",
                flush=True,
            )


if __name__ == "__main__":
    main()
