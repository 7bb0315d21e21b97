"""A studio for the MQTT journeys: a daemon, a real broker, and a bulb that can be pulled, lie, or not obey.

The key is a point lamp on a simulated wire, the fill a bulb; what is measured is what the bulb was sent and
where its light really is, never what the daemon believes.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import math
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt

import rigs
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.bulbs import SimulatedBulb
from fillside.doors.http.listening import Listen
from fillside.doors.listener import give
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside.storage.records.journal import Visitor
from fillside_drivers.cancellation import FAREWELL_S, cancel_tasks
from fillside_drivers.mqtt.driver import MqttDriver
from fillside_drivers.mqtt.options import MqttDrive
from fillside_drivers.mqtt.payloads import OutgoingMessage
from fillside_drivers.registry import kinds
from fillside_drivers.sim.driver import SimDriver
from protocol.broker import Broker
from rigs import CAMERA, Table, dimming, head_at, toml

ME = Visitor("test", "test")
KEY_AT, FILL_AT, CHAIR = (0.6, -0.85, 1.8), (-0.88, -1.3, 1.5), (0.0, 0.0, 1.2)
CANDELAS = 3000.0
FULL = 1023
LAMP = {"intensity": 3000, "modifier": {"diameter": 0.0, "spread": 0.0}, "dimming": dimming(0.01)}
BULB = {"driver": "bulbs", "send_to": "corner/fill/set", "full_scale": 1023, "most_per_s": 20.0}
SPEAKS: Table = {"reports_at": "corner/fill", "alive_at": "corner/fill/alive"}


def corner(port: int, keys: Table) -> str:
    """The rig file, with more keys of the bulb."""
    rig = rigs.studio(
        camera={"position": CAMERA["position"]},
        balance={"exposure": 500},
        hold={"order_speed": 6.0},
        heads=[
            head_at("key", list(KEY_AT), **LAMP, drive={"driver": "wire", "bits": 16}),
            head_at("fill", list(FILL_AT), **LAMP, drive={**BULB, **keys}),
        ],
        drivers={"wire": {"kind": "sim"}, "bulbs": {"kind": "mqtt", "port": port, "keepalive_s": 2}},
    )
    return toml(rig)


class Bulb(SimulatedBulb):
    """A bulb with a plug, a memory or none, and faults. `says` is what it reports whatever is true."""

    def __init__(self, drive: MqttDrive) -> None:
        super().__init__(drive, time.monotonic)
        self.plugged = asyncio.Event()
        self.plugged.set()
        self.obeys = True
        self.says: int | None = None
        self._connected: aiomqtt.Client | None = None

    async def run(self, port: int) -> None:
        while True:
            await self.plugged.wait()
            with contextlib.suppress(aiomqtt.MqttError):
                async with self.client(port) as client:
                    self._connected = client
                    await self._live(client)
            await asyncio.sleep(0.1)

    def receive(self, payload: bytes) -> None:
        if self.obeys:
            super().receive(payload)
        else:
            self.received.append((time.monotonic(), int(payload)))

    def report(self) -> str:
        return super().report() if self.says is None else str(self.says)

    def level(self) -> float:
        return super().level() if self.plugged.is_set() else 0.0

    def pull(self) -> None:
        """Pull its plug: dark at once, and its connection breaks without a word."""
        self.plugged.clear()
        assert self._connected is not None, "it was connected before"
        raw = self._connected._client.socket()
        assert isinstance(raw, socket.socket)
        raw.shutdown(socket.SHUT_RDWR)

    def plug_in(self, level: float) -> None:
        """Give it power; its light is at `level` at once, before it has found its broker."""
        self.light = type(self.light)(level, 0.02)
        self.plugged.set()

    async def say(self, payload: str) -> None:
        """Report, asked or not."""
        assert self._connected is not None
        assert self.drive.report_topic is not None
        await self._connected.publish(self.drive.report_topic, payload, retain=True)


@dataclass
class Studio:
    """A daemon that is up, and its bulb."""

    running: Running
    broker: Broker
    bulb: Bulb
    began: float = field(default_factory=time.monotonic)
    sent: list[tuple[float, int]] = field(default_factory=list)
    """When each message left for the bulb by the daemon's clock, and its code."""

    def __post_init__(self) -> None:
        driver = self.running.drivers["bulbs"]
        assert isinstance(driver, MqttDriver)
        bulb = driver._bulbs["fill"]
        take = bulb.take

        def taking(now: float) -> list[OutgoingMessage]:
            messages = take(now)
            if any(message.topic != bulb.drive.ask_to for message in messages):
                assert bulb._sent is not None
                self.sent.append((now, bulb._sent))
            return messages

        bulb.take = taking  # type: ignore[method-assign]

    async def do(self, **order: Any) -> None:
        await give(self.running.runner, order, ME)

    @property
    def state(self) -> dict[str, Any]:
        return self.running.runner.state()

    def head(self, name: str = "fill") -> dict[str, Any]:
        found: dict[str, Any] = next(head for head in self.state["heads"] if head["name"] == name)
        return found

    def code(self) -> int:
        """The code that the fill is to have now."""
        return int.from_bytes(bytes(self.head()["wire"]), "big")

    @property
    def wire(self) -> SimDriver:
        driver = self.running.drivers["wire"]
        assert isinstance(driver, SimDriver)
        return driver

    def outputs(self) -> tuple[float, float]:
        """The light that key and fill really give, as parts of their full light."""
        return self.wire.levels["key"] ** 2, self.bulb.level() ** 2

    async def until(self, true: Callable[[], bool], within_s: float = 60.0) -> None:
        async with asyncio.timeout(within_s):
            while not true():  # noqa: ASYNC110 - what is waited for happens in other processes too
                await asyncio.sleep(0.01)

    async def settled(self) -> None:
        """Until nothing moves and the bulb was sent the last of it."""
        await self.until(lambda: self.state["settled"] and self.bulb.received[-1:] != [])
        await self.until(lambda: self.bulb.received[-1][1] == self.code())

    async def watched(
        self, seconds: float, over: Callable[[], bool] = lambda: False
    ) -> list[tuple[float, float]]:
        """`outputs` a hundred times a second, until it is over."""
        found = []
        end = time.monotonic() + seconds
        while time.monotonic() < end and not over():
            found.append(self.outputs())
            await asyncio.sleep(0.01)
        return found


@asynccontextmanager
async def studio(folder: Path, broker: Broker, keys: Table = SPEAKS) -> AsyncIterator[Studio]:
    """The studio, with the light up."""
    rig = load_rig_text(corner(broker.port, keys), source="corner.toml", kinds=kinds())
    bulb = Bulb(drive_of(rig))
    living = asyncio.create_task(bulb.run(broker.port))
    settings = Settings(folder / "data", folder / "tokens.json", Listen(port=0))
    try:
        async with daemon(rig, settings) as running:
            made = Studio(running, broker, bulb)
            await made.settled()
            yield made
    finally:
        await cancel_tasks([living], FAREWELL_S)


def drive_of(rig: Rig) -> MqttDrive:
    drive = rig.driver_config.drives["fill"]
    assert isinstance(drive, MqttDrive)
    return drive


def steps_stops(codes: list[int]) -> list[float]:
    """How far in light each code is from the one before; square curve, codes of 0 left out."""
    return [abs(2 * math.log2(b / a)) for a, b in itertools.pairwise(codes) if a and b]


def face_lux(outputs: tuple[float, float]) -> tuple[float, float]:
    """Both sides of a face that looks at the camera, from two point lamps by inverse square and cosine."""
    sides = []
    for sign in (1.0, -1.0):
        axis = (sign * math.sqrt(0.5), -math.sqrt(0.5), 0.0)
        lux = 0.0
        for place, output in zip((KEY_AT, FILL_AT), outputs, strict=True):
            away = [p - c for p, c in zip(place, CHAIR, strict=True)]
            distance = math.hypot(*away)
            cosine = max(0.0, sum(a * n for a, n in zip(away, axis, strict=True)) / distance)
            lux += output * CANDELAS * cosine / distance**2
        sides.append(lux)
    return sides[0], sides[1]
