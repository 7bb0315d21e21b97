"""One kind of flood at a daemon, in a process of its own: what `bench_floods.py` lets loose.

    python tests/bench/flooding.py KIND PORT COUNT FIRST_ADDRESS ADDRESSES [OSC_PORT]

Connections that the daemon ends are opened again at once, from `ADDRESSES` addresses of 127.0.0.0/8.
"""

from __future__ import annotations

import asyncio
import contextlib
import resource
import socket
import ssl
import sys
import time

LOCAL = b"Host: 127.0.0.1\r\n"
STATE = b"GET /api/v1/state HTTP/1.1\r\n" + LOCAL + b"\r\n"
DO = b"POST /api/v1/do HTTP/1.1\r\n" + LOCAL + b"Content-Type: application/json\r\n"
LIVE = (
    b"GET /api/v1/live HTTP/1.1\r\n" + LOCAL + b"Upgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)
PLAN = b"GET /api/openapi.json HTTP/1.1\r\n" + LOCAL + b"\r\n"
ORDER = b'{"do": "trim", "role": "hair", "by": 0.01}'
TLS = ssl.create_default_context()
AGAIN_S = 0.2
"""How soon one that was shut out comes back."""


class Visitor:
    """One connection after the other, each behaving as `kind` says."""

    def __init__(self, kind: str, port: int, address: str) -> None:
        self._kind, self._port, self._address = kind, port, address

    async def run(self) -> None:
        while True:
            with contextlib.suppress(OSError, TimeoutError):
                await self._once()
            await asyncio.sleep(AGAIN_S)

    async def _once(self) -> None:
        loop = asyncio.get_running_loop()
        with socket.socket() as bare:
            bare.setblocking(False)
            if self._kind in ("reader", "watch-deaf"):
                bare.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            bare.bind((self._address, 0))
            await loop.sock_connect(bare, ("127.0.0.1", self._port))
            await getattr(self, "_" + self._kind.replace("-", "_"))(loop, bare)

    async def _silent(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        await _until_ended(loop, bare)

    async def _head(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        while True:
            for octet in STATE[:-2] + b"X-More: " + b"a" * 4000:
                await loop.sock_sendall(bare, bytes([octet]))
                await asyncio.sleep(1)

    async def _long_head(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        await loop.sock_sendall(bare, STATE[:-2])
        for number in range(120):
            await loop.sock_sendall(bare, b"X-%d: " % number + b"a" * 8000 + b"\r\n")
        await _until_ended(loop, bare)

    async def _body(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        await loop.sock_sendall(bare, DO + b"Content-Length: 60000\r\n\r\n" + ORDER)
        while True:
            await asyncio.sleep(1)
            await loop.sock_sendall(bare, b" ")

    async def _reader(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        for _ in range(30):
            await loop.sock_sendall(bare, PLAN)
        await asyncio.sleep(3600)

    async def _pipeline(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        drain = asyncio.create_task(_until_ended(loop, bare))
        try:
            while not drain.done():
                await loop.sock_sendall(bare, STATE * 100)
        finally:
            drain.cancel()

    async def _orders(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        drain = asyncio.create_task(_until_ended(loop, bare))
        one = DO + b"Content-Length: %d\r\n\r\n" % len(ORDER) + ORDER
        try:
            while not drain.done():
                await loop.sock_sendall(bare, one * 10)
        finally:
            drain.cancel()

    async def _idle(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        await loop.sock_sendall(bare, STATE)
        await _until_ended(loop, bare)

    async def _watch(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        await loop.sock_sendall(bare, LIVE)
        await _until_ended(loop, bare)

    async def _watch_deaf(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        await loop.sock_sendall(bare, LIVE)
        await asyncio.sleep(3600)

    async def _handshake(self, loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
        """A ClientHello, and nothing after it."""
        told = ssl.MemoryBIO()
        client = TLS.wrap_bio(ssl.MemoryBIO(), told, server_hostname="localhost")
        with contextlib.suppress(ssl.SSLWantReadError):
            client.do_handshake()
        await loop.sock_sendall(bare, told.read())
        await _until_ended(loop, bare)


async def _until_ended(loop: asyncio.AbstractEventLoop, bare: socket.socket) -> None:
    while await loop.sock_recv(bare, 65536):
        pass


def osc(port: int, per_second: int = 20_000) -> None:
    """A fader gone wild, as packets."""
    address = b"/fillside/trim/hair\0"
    packet = address + b",f\0\0" + b"\x3c\x23\xd7\x0a"
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.connect(("127.0.0.1", port))
        start, sent = time.monotonic(), 0
        while True:
            due = int((time.monotonic() - start) * per_second)
            with contextlib.suppress(OSError):
                for _ in range(due - sent):
                    out.send(packet)
            sent = due
            time.sleep(0.001)


def mqtt(port: int) -> None:
    """Orders on `do`, as fast as the broker takes them."""
    import paho.mqtt.client as paho

    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    while True:
        for _ in range(200):
            client.publish("fillside/bench/do", ORDER)
            client.publish("fillside/bench/subject", b'{"to": [0.1, 0.1, 1.2]}')
        time.sleep(0.02)


async def visitors(kind: str, port: int, count: int, first: int, addresses: int) -> None:
    async with asyncio.TaskGroup() as tasks:
        for number in range(count):
            address = f"127.0.0.{first + number % addresses}"
            tasks.create_task(Visitor(kind, port, address).run())
            if number % 50 == 49:
                await asyncio.sleep(0.01)


def main() -> None:
    kind, port, count, first, addresses = sys.argv[1], *map(int, sys.argv[2:6])
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    if kind == "osc":
        osc(int(sys.argv[6]))
    elif kind == "mqtt":
        mqtt(int(sys.argv[6]))
    else:
        asyncio.run(visitors(kind, port, count, first, addresses))


if __name__ == "__main__":
    main()
