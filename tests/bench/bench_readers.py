"""The cadence of frames in a fade with nobody looking on and with two hundred, in turns of one run.

    python tests/bench/run.py readers
    python tests/bench/bench_readers.py [--slow 5]

A daemon of its own fades to and fro; a process of its own opens the WebSockets and reads all that comes.
Measured are the times between packets of the fade as they arrive on a socket of this process. By itself the
bench brings readers that take nothing: they are let go, and told why.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import http.client
import json
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.figures import Budget, Figure
from bench.own_daemon import OwnDaemon, two_heads

FRAME_S = 1 / 44
READING = 200
BETWEEN_FRAMES = "between frames with 200 readers, 99th percentile"
BUDGETS = {BETWEEN_FRAMES: Budget(5.7, "ms", "no reader")}
"""A quarter of a frame."""
READERS = """
import asyncio, sys, aiohttp
async def look(session, url):
    async with session.ws_connect(url) as live:
        async for _ in live:
            pass
async def main(url, count):
    connector = aiohttp.TCPConnector(limit=0)
    async with aiohttp.ClientSession(connector=connector) as session:
        jobs = [asyncio.create_task(look(session, url)) for _ in range(count)]
        await asyncio.wait(jobs, return_when=asyncio.FIRST_COMPLETED)
asyncio.run(main(sys.argv[1], int(sys.argv[2])))
"""


class Gaps:
    """Times between the packets that reach a socket, gathered on a thread of its own."""

    def __init__(self, receiver: socket.socket) -> None:
        self._receiver, self.taken, self.on = receiver, [], False
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        last = None
        while True:
            self._receiver.recv(2048)
            now = time.perf_counter()
            if last is not None and self.on:
                self.taken.append((now - last) * 1000)
            last = now if self.on else None


def ask(port: int, method: str, path: str, said: object = None) -> dict[str, object]:
    door = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    headers = {"Content-Type": "application/json"}
    door.request(method, path, None if said is None else json.dumps(said), headers)
    answer: dict[str, object] = json.loads(door.getresponse().read())
    door.close()
    return answer


def fade_for(port: int, seconds: float, gaps: Gaps) -> list[float]:
    """Milliseconds between packets while the light goes to and fro by a stop."""
    gaps.taken = []
    end, up = time.monotonic() + seconds, True
    while time.monotonic() < end:
        ask(port, "POST", "/api/v1/do", {"do": "expose", "by": 1 if up else -1})
        up = not up
        time.sleep(0.05)
        gaps.on = True
        time.sleep(1.7)
        gaps.on = False
        time.sleep(1.7)
    if not up:
        ask(port, "POST", "/api/v1/do", {"do": "expose", "by": -1})
        time.sleep(3.2)
    return gaps.taken


@contextlib.contextmanager
def looking_on(port: int, count: int):  # type: ignore[no-untyped-def]
    """So many readers, in a process of their own."""
    url = f"http://127.0.0.1:{port}/api/v1/live"
    readers = subprocess.Popen([sys.executable, "-c", READERS, url, str(count)])
    try:
        deadline = time.monotonic() + 30
        while readers_of(port) < count and time.monotonic() < deadline:
            time.sleep(0.1)
        if readers_of(port) < count:
            raise SystemExit(f"only {readers_of(port)} of {count} readers came in")
        yield
    finally:
        readers.kill()
        readers.wait()
        while readers_of(port):
            time.sleep(0.1)


def readers_of(port: int) -> int:
    return int(metric(port, "fillside_live_readers"))


def metric(port: int, name: str) -> float:
    door = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    door.request("GET", "/metrics")
    text = door.getresponse().read().decode("utf-8")
    door.close()
    return float(next(line for line in text.splitlines() if line.startswith(name + " ")).split()[1])


async def slow_readers(port: int, count: int) -> list[str]:
    """Why readers that stop taking were let go, as the frames that closed them say."""
    quiet = [await _half_open(port) for _ in range(count)]
    dropped = metric(port, "fillside_live_readers_dropped_total")
    deadline = time.monotonic() + 60
    while metric(port, "fillside_live_readers_dropped_total") < dropped + count:
        if time.monotonic() > deadline:
            return [f"not dropped within 60 s: {readers_of(port)} are still in"]
        for number in range(40):
            ask(port, "POST", "/api/v1/do", {"do": "trim", "role": "fill", "to": number % 2})
        await asyncio.sleep(0.05)
    return [await _last_word(reader, writer) for reader, writer in quiet]


async def _half_open(port: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """A WebSocket (RFC 6455) whose client takes nothing, with little room in its buffers."""
    bare = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bare.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    bare.setblocking(False)
    await asyncio.get_running_loop().sock_connect(bare, ("127.0.0.1", port))
    reader, writer = await asyncio.open_connection(sock=bare, limit=1024)
    writer.write(
        b"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
    )
    return reader, writer


async def _last_word(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> str:
    """The reason in the close frame (opcode 8), after all that had been sent before."""
    body = b""
    with contextlib.suppress(ConnectionError):
        while chunk := await reader.read(65536):
            body += chunk
    writer.close()
    body = body.partition(b"\r\n\r\n")[2]
    while len(body) >= 2:
        size, head = body[1] & 0x7F, 2
        if size == 126:
            size, head = struct.unpack(">H", body[2:4])[0], 4
        elif size == 127:
            size, head = struct.unpack(">Q", body[2:10])[0], 10
        if body[0] & 0x0F == 8:
            return body[head + 2 : head + size].decode("utf-8")
        body = body[head + size :]
    return "(cut off)"


def percentile_99(taken: list[float]) -> float:
    return statistics.quantiles(taken, n=100)[98]


def figures(quick: bool) -> list[Figure]:
    """The 99th percentile of the time between frames, beside that with no reader."""
    turns, seconds = (1, 2.0) if quick else (4, 4.0)
    alone: list[float] = []
    watched: list[float] = []
    with fading() as (port, receiver):
        gaps = Gaps(receiver)
        time.sleep(2)
        for _ in range(turns):
            alone += fade_for(port, seconds, gaps)
            with looking_on(port, READING):
                watched += fade_for(port, seconds, gaps)
    return [BUDGETS[BETWEEN_FRAMES].figure(BETWEEN_FRAMES, percentile_99(watched), percentile_99(alone))]


@contextlib.contextmanager
def fading() -> Iterator[tuple[int, socket.socket]]:
    """A daemon's port, and a socket to which it sends frames."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver, tempfile.TemporaryDirectory() as kept:
        receiver.bind(("127.0.0.1", 0))
        rig = two_heads(receiver.getsockname()[1], exposure_lux=120, stops_s=0.33)
        with OwnDaemon(Path(kept), rig) as daemon:
            yield daemon.port, receiver


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--slow", type=int, default=5)
    slow = parser.parse_args().slow
    with fading() as (port, _):
        reasons = asyncio.run(slow_readers(port, slow))
    print(f"{slow} readers that took nothing were told: {', '.join(sorted(set(reasons)))}")


if __name__ == "__main__":
    main()
