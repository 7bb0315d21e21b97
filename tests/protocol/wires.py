"""What the tests of drivers share: a clock set by hand, an identity, and a plain UDP receiver."""

from __future__ import annotations

import asyncio
import time
import uuid
from typing import Any

from fillside_drivers.driver import Clock, Driver, Identity
from fillside_drivers.registry import build

CID = uuid.UUID("8d2f6a7e-0b4c-4c58-9a55-6a1f3c0e7d21")
OTHER_CID = uuid.UUID("1f0c9f0e-6f7e-4a0b-8f6d-55d1d0a4b9c2")
WHO = Identity(CID, "north room")


class HandClock:
    """A clock that stands still until it is moved."""

    def __init__(self, now: float = 1000.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now

    def __add__(self, seconds: float) -> HandClock:
        self.now += seconds
        return self


loop_clock = time.monotonic
"""The event loop's own clock, to be had without a running loop."""


def sacn(
    options: dict[str, Any], drives: dict[str, dict[str, Any]], clock: Clock = loop_clock, who: Identity = WHO
) -> Driver:
    return build("stage", "sacn", {"listen": False, **options}, drives, clock=clock, identity=who)


class Receiver(asyncio.DatagramProtocol):
    """Keeps every datagram it gets, with the time it came; `async with` opens and closes it."""

    def __init__(self) -> None:
        self.got: list[tuple[float, bytes]] = []
        self.port = 0
        self._news = asyncio.Event()
        self._transport: asyncio.DatagramTransport | None = None

    @property
    def octets(self) -> list[bytes]:
        return [octets for _, octets in self.got]

    async def __aenter__(self) -> Receiver:
        loop = asyncio.get_running_loop()
        self._transport, _ = await loop.create_datagram_endpoint(lambda: self, local_addr=("127.0.0.1", 0))
        self.port = self._transport.get_extra_info("sockname")[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._transport is not None, "only an open receiver is closed"
        self._transport.close()
        await asyncio.sleep(0)

    def datagram_received(self, data: bytes, addr: object) -> None:
        self.got.append((loop_clock(), data))
        self._news.set()

    async def until(self, count: int, limit_s: float = 10.0) -> list[bytes]:
        """The datagrams, once there are `count` of them; TimeoutError if they do not come."""
        async with asyncio.timeout(limit_s):
            while len(self.got) < count:
                self._news.clear()
                await self._news.wait()
        return self.octets
