"""Contract: the writer of an MQTT wire serves at once what has long been due."""

from __future__ import annotations

import asyncio
import math
from typing import Any

from fillside_drivers.mqtt.driver import MqttDriver

FAILS_AFTER_S = 5.0


class LongDue:
    """A bulb that has something due since before anything was sent, once it was looked at."""

    status = "ok"

    def __init__(self) -> None:
        self.looks, self.served = 0, asyncio.Event()

    def take(self, now: float) -> list[Any]:
        self.looks += 1
        if self.looks == 2:
            self.served.set()
        return []

    def judge(self, now: float) -> None:
        """Nothing is judged."""

    def due(self, now: float) -> float:
        return -math.inf if self.looks == 1 else math.inf


async def test_what_was_due_before_anything_was_sent_is_served_at_once() -> None:
    bulb, driver = LongDue(), object.__new__(MqttDriver)
    driver._bulbs = {"key": bulb}  # type: ignore[dict-item]
    driver._wake, driver._clock = asyncio.Event(), lambda: 100.0
    client: Any = None
    writing = asyncio.create_task(driver._write(client))
    async with asyncio.timeout(FAILS_AFTER_S):
        await bulb.served.wait()
    writing.cancel()
    await asyncio.gather(writing, return_exceptions=True)
    assert bulb.looks == 2
