"""Somebody else on the broker, by the same client library as everybody."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from fillside_drivers.cancellation import cancel_tasks
from protocol.broker import until

BASE = "fillside/corner/"


class Peer:
    """Somebody else on the broker: hears everything below a topic, and publishes."""

    def __init__(self, port: int, user: str | None = None) -> None:
        """A user's password is its name."""
        self._client = aiomqtt.Client(
            "127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, username=user, password=user
        )
        self.got: list[aiomqtt.Message] = []

    def texts(self, topic: str) -> list[str]:
        return [text_of(message) for message in self.got if str(message.topic) == topic]

    def last(self, topic: str) -> Any:
        return json.loads(self.texts(topic)[-1])

    async def say(
        self, topic: str, payload: Any, retain: bool = False, qos: int = 1, **properties: Any
    ) -> None:
        told = Properties(PacketTypes.PUBLISH)
        for name, value in properties.items():
            setattr(told, name, value)
        body = payload if isinstance(payload, bytes | str) else json.dumps(payload)
        await self._client.publish(topic, body, qos=qos, retain=retain, properties=told)

    async def answer(self, topic: str, payload: Any, **properties: Any) -> Any:
        """The answer to what is said, as `said` has it."""
        before = len(self.texts(BASE + "said"))
        await self.say(topic, payload, **properties)
        await until(lambda: len(self.texts(BASE + "said")) > before)
        return self.last(BASE + "said")

    async def _listen(self) -> None:
        async for message in self._client.messages:
            self.got.append(message)

    @contextlib.asynccontextmanager
    async def listening(self, topic: str = "#") -> AsyncIterator[Peer]:
        async with self._client:
            await self._client.subscribe(topic, qos=1)
            task = asyncio.create_task(self._listen())
            try:
                yield self
            finally:
                await cancel_tasks([task])


def text_of(message: aiomqtt.Message) -> str:
    assert isinstance(message.payload, bytes)
    return message.payload.decode()
