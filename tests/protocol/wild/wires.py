"""The same wild input over real wires: a broker between, and datagrams through the system's sockets.

It goes out in handfuls. After each, all that came is done with, every door is open, and if nothing was obeyed
no light has changed.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fillside_drivers.sacn.options import PORT
from fillside_drivers.sacn.packet import multicast_group
from protocol.broker import broker, until
from protocol.peer import Peer
from protocol.wild import mqtt, osc
from protocol.wild.light import Light, studio
from protocol.wild.sacn import Datagrams
from protocol.wild.trial import Kind

HANDFUL = 20
LONGEST_DATAGRAM = 60_000
"""UDP over IPv4 carries 65,507 octets at most (RFC 768 and 791)."""
LAST = "fillside/corner/said/last"
TABLES = """
[doors.mqtt]
port = {port}
[doors.osc]
listen = "127.0.0.1:{osc}"
[[heads]]
name = "stage"
role = "stage"
holds_like = "hair"
position = [0.5, 1.4, 2.2]
intensity = 900
drive = {{ driver = "stage", universe = 1, slot = 1 }}
[drivers.stage]
kind = "sacn"
to = ["127.0.0.1:9"]
interface = "127.0.0.1"
discovery = false
"""


class Wires:
    """A broker, a socket for OSC and one for E1.31, and a studio that listens on all of them."""

    def __init__(self, light: Light, peer: Peer, osc_port: int) -> None:
        self._light, self._peer = light, peer
        self._out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._out.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
        self._to = {"osc": ("127.0.0.1", osc_port), "sacn": (multicast_group(1), PORT)}
        self._datagrams = Datagrams()
        self._waiting = 0

    def make(self, rng: random.Random) -> tuple[str, Any]:
        pick = rng.random()
        if pick < 0.5:
            return "mqtt", mqtt.heard(rng)
        if pick < 0.8:
            return "osc", osc.packet(rng).removeprefix(osc.NOISE)[:LONGEST_DATAGRAM]
        return "sacn", self._datagrams.make(rng)[:LONGEST_DATAGRAM]

    async def feed(self, made: tuple[str, Any]) -> str:
        if self._waiting == 0:
            self._light.begin()
        self._waiting += 1
        wire, what = made
        if wire == "mqtt":
            # Another topic the broker takes for a fault of the protocol, and ends the connection.
            if what.topic.isprintable() and not set(what.topic) & set("+#"):
                await self._peer.say(what.topic, what.payload, retain=what.retained, qos=0)
        else:
            with contextlib.suppress(BlockingIOError):
                self._out.sendto(what, self._to[wire])
        if self._waiting < HANDFUL:
            return "sent"
        self._waiting = 0
        return await self._done()

    async def _done(self) -> str:
        """What came is done with once an order that nobody refuses is answered at each door."""
        figures = self._light.up.doors.figures
        for _ in range(3):
            await asyncio.sleep(0.01)
        became = self._light.end()
        heard, answers = figures["osc"].received, len(self._peer.texts(LAST))
        self._out.sendto(osc.packet_of(osc.Message("/fillside/follow", ())), self._to["osc"])
        await self._peer.say("fillside/corner/do", {"do": "follow"}, ResponseTopic=LAST)
        await until(lambda: figures["osc"].received > heard and len(self._peer.texts(LAST)) > answers)
        assert '"ok":true' in self._peer.texts(LAST)[-1].replace(" ", ""), self._peer.texts(LAST)[-1]
        self._peer.got.clear()
        return f"handfuls {became}"

    async def check(self) -> None:
        figures = self._light.up.doors.figures
        assert {name: door.state for name, door in figures.items()} == dict.fromkeys(figures, "ok")
        # Another source on our universe makes a wire late.
        states = self._light.up.runner.wires.states()
        assert "lost" not in states.values(), states
        await self._light.check()

    def close(self) -> None:
        self._out.close()
        self._datagrams._listener.close()


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@asynccontextmanager
async def wires(folder: Path) -> AsyncIterator[Kind]:
    osc_port = _free_port()
    async with broker(folder) as server, Peer(server.port).listening("fillside/corner/said/#") as peer:
        bulbs = mqtt.TABLES.replace("port = 1\n", f"port = {server.port}\n")
        async with studio(folder, bulbs + TABLES.format(port=server.port, osc=osc_port)) as light:
            figures = light.up.doors.figures
            await until(lambda: {door.state for door in figures.values()} == {"ok"})
            kind = Wires(light, peer, osc_port)
            yield kind
            kind.close()
