"""Simulated bulbs behind a real broker: each obeys levels from its topic and reports its own level.

Such bulbs behave as follows (common practice, no source): the light follows a message after some tens of
milliseconds; given a time beside the level, the bulb fades evenly; it reports a level on reaching it and on
request, and its last will announces that it is gone. They accept a plain number, or an object with `level`
and `over` (seconds).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections import deque
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager

import aiomqtt

from fillside.rig.tables.model import Rig
from fillside_drivers.cancellation import FAREWELL_S, cancel_tasks, run_until_first
from fillside_drivers.mqtt.options import MqttDrive

LATENCY_S = 0.08
LOOK_AGAIN_S = 0.3
"""Time before a bulb reconnects to its broker."""
MOST_WAITING = 100

Clock = Callable[[], float]


class BulbLight:
    """The level of a bulb's light, 0..1, as messages arrive; pure, times in seconds of any clock.

    >>> light = BulbLight(level=0.0, latency_s=0.1)
    >>> light.command(1.0, over_s=0.2, at_s=5.0)
    >>> [round(light.level_at(t), 3) for t in (5.05, 5.1, 5.2, 5.4)]
    [0.0, 0.0, 0.5, 1.0]
    """

    def __init__(self, level: float, latency_s: float) -> None:
        self._latency_s = latency_s
        self._waiting: deque[tuple[float, float, float]] = deque()
        self._begins_s, self._start, self._goal, self._over_s = -math.inf, level, level, 0.0

    def command(self, level: float, over_s: float, at_s: float) -> None:
        """Fade to a level over a time; earlier messages that have not taken effect yet still do."""
        self._waiting.append((at_s + self._latency_s, level, over_s))

    def level_at(self, now_s: float) -> float:
        """Return the level at a time; times must not decrease."""
        while self._waiting and self._waiting[0][0] <= now_s:
            begins_s, level, over_s = self._waiting.popleft()
            start = self._on_the_way(begins_s)
            self._begins_s, self._start, self._goal, self._over_s = begins_s, start, level, over_s
        return self._on_the_way(now_s)

    @property
    def settles_at_s(self) -> float:
        """Time at which the light reaches the level of the latest message [s]."""
        begins_s, _, over_s = self._waiting[-1] if self._waiting else (self._begins_s, 0.0, self._over_s)
        return begins_s + over_s

    def _on_the_way(self, now_s: float) -> float:
        if self._over_s <= 0 or now_s >= self._begins_s + self._over_s:
            return self._goal if now_s >= self._begins_s else self._start
        share = (now_s - self._begins_s) / self._over_s
        return self._start + share * (self._goal - self._start)


class SimulatedBulb:
    """A bulb as a rig's drive describes it, on the other side of the broker.

    `level` is its level at power-up. `received` holds the codes it was sent, with their times.
    """

    def __init__(self, drive: MqttDrive, clock: Clock, level: float = 0.0) -> None:
        self.drive, self._clock = drive, clock
        self.light = BulbLight(level, LATENCY_S)
        self.received: list[tuple[float, int]] = []
        self._news = asyncio.Event()

    def level(self) -> float:
        """Return the present level of its light, 0..1."""
        return self.light.level_at(self._clock())

    async def run(self, port: int) -> None:
        """Run on the broker at this port of loopback, reconnecting as needed, until cancelled."""
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with self.client(port) as client:
                    await self._live(client)
            await asyncio.sleep(LOOK_AGAIN_S)

    def client(self, port: int) -> aiomqtt.Client:
        """Return a client whose last will tells that the bulb is gone."""
        alive = self.drive.alive_topic
        return aiomqtt.Client(
            "127.0.0.1",
            port,
            will=None if alive is None else aiomqtt.Will(alive, "gone", qos=1, retain=True),
            keepalive=5,
            max_queued_incoming_messages=MOST_WAITING,
        )

    async def _live(self, client: aiomqtt.Client) -> None:
        await client.subscribe(self.drive.level_topic)
        if self.drive.ask_to is not None:
            await client.subscribe(self.drive.ask_to)
        await self._say_level(client)
        if (alive := self.drive.alive_topic) is not None:
            await client.publish(alive, self.drive.alive_words, qos=1, retain=True)
        await run_until_first(self._listen(client), self._report(client))

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            if str(message.topic) == self.drive.ask_to:
                await self._say_level(client)
            elif isinstance(message.payload, bytes):
                self.receive(message.payload)

    def receive(self, payload: bytes) -> None:
        """Obey a message; invalid ones are ignored."""
        try:
            said = json.loads(payload)
            code, over_s = (said["level"], said.get("over", 0.0)) if isinstance(said, dict) else (said, 0.0)
            level, over_s = float(code) / self.drive.full_scale, float(over_s)
        except (ValueError, TypeError, KeyError):
            return
        now_s = self._clock()
        self.received.append((now_s, int(code)))
        self.light.command(min(max(level, 0.0), 1.0), max(over_s, 0.0), now_s)
        self._news.set()

    async def _report(self, client: aiomqtt.Client) -> None:
        """Report each level once the light has reached it."""
        while True:
            await self._news.wait()
            self._news.clear()
            await asyncio.sleep(max(0.0, self.light.settles_at_s - self._clock()))
            if not self._news.is_set():
                await self._say_level(client)

    async def _say_level(self, client: aiomqtt.Client) -> None:
        if (topic := self.drive.report_topic) is not None:
            await client.publish(topic, self.report(), retain=True)

    def report(self) -> str:
        """Return its report of the level: a number, or an object where the drive expects a field."""
        code = round(self.level() * self.drive.full_scale)
        field = self.drive.reports_field
        return str(code) if field is None else json.dumps({field: code})


def bulbs_of(rig: Rig, clock: Clock) -> dict[str, SimulatedBulb]:
    """Return a simulated bulb for every head of a rig that is a bulb."""
    drives = rig.driver_config.drives.items()
    return {name: SimulatedBulb(drive, clock) for name, drive in drives if isinstance(drive, MqttDrive)}


@asynccontextmanager
async def run_bulbs(bulbs: Mapping[str, SimulatedBulb], port: int) -> AsyncIterator[None]:
    """Run the bulbs on the broker at this port within the context."""
    living = [asyncio.create_task(bulb.run(port), name=f"bulb {name}") for name, bulb in bulbs.items()]
    try:
        yield
    finally:
        await cancel_tasks(living, FAREWELL_S)
