"""The rig as a Homie device on the broker: described, told property by property, and set.

It has a connection of its own, since the convention wants `$state` to say `lost` by last will, and a
connection has only one.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from typing import Any

import aiomqtt

from fillside.doors.listener import Clock, answer_to
from fillside.doors.mqtt.connection import Connection
from fillside.doors.mqtt.homie import DescribedDevice, Property, alert_names, alerts
from fillside.doors.mqtt.messages import Heard, check_fresh
from fillside.doors.mqtt.publish_pace import LEAST_S
from fillside.orders.answers import Refusal
from fillside.rig.tables.doors import MqttDoor
from fillside.rig.tables.model import Rig
from fillside.runtime.live import as_text
from fillside.runtime.studio import Studio
from fillside.storage.records.journal import Visitor

log = logging.getLogger(__name__)


class HomieDevice:
    """Says what the rig is, what it does, and takes settings."""

    def __init__(
        self,
        rig: Rig,
        table: MqttDoor,
        studio: Studio,
        identity: str,
        clock: Clock,
        wall: Callable[[], float],
    ) -> None:
        self._device = DescribedDevice(rig, table.homie_domain)
        self._studio, self._clock, self._wall, self._where = studio, clock, wall, table.address
        will = aiomqtt.Will(self._device.state_topic, "lost", qos=1, retain=True)
        self.connection = Connection(table, f"fillside-{identity}-homie", will, clock)
        self._alert_paths = [f"{self._device.prefix}$alert/{name}" for name in alert_names(rig)]
        self._told: dict[str, str] = {}
        self._targets: dict[str, bytes] = {}

    async def run(self) -> None:
        """Keep the device on the broker until the connection is told to stop."""
        await self.connection.run(self._serve)

    async def _serve(self) -> None:
        connection, device = self.connection, self._device
        self._told.clear()
        await connection.say(device.state_topic, "init", retain=True)
        # It may have changed since the last time, and a version must rise then: milliseconds do.
        description = as_text(device.description(int(self._wall() * 1000)))
        await connection.say(f"{device.prefix}$description", description, retain=True)
        # The broker may keep alerts of an earlier run.
        for path in self._alert_paths:
            await connection.say(path, "", retain=True)
        await self._say_values()
        await connection.subscribe({device.set_topics: 1})
        await connection.say(device.state_topic, "ready", retain=True)
        connection.is_up()
        await connection.while_connected(self._listen, self._tell)
        await connection.say(device.state_topic, "disconnected", retain=True)

    async def _tell(self) -> None:
        with self._studio.watching() as changed:
            while True:
                await asyncio.sleep(LEAST_S)
                await changed.wait()
                changed.clear()
                await self._say_values()

    async def _say_values(self) -> None:
        """Publish every property whose value is another than was told last, and what is wrong."""
        state = self._studio.state()
        for path, each in self._device.properties.items():
            value = each.value(state) if each.retained else None
            if value is None or self._told.get(path) == value:
                continue
            if each.order is not None:
                await self._say_target(each, value)
            await self.connection.say(self._device.prefix + path, value, retain=True)
            self._told[path] = value
        await self._say_alerts(alerts(state))

    async def _say_target(self, each: Property, value: str) -> None:
        """What was set stays as it was written, until the value is another."""
        target = self._targets.get(each.path, b"")
        if not each.means(target, value):
            target = self._targets[each.path] = value.encode("utf-8")
        await self.connection.say(f"{self._device.prefix}{each.path}/$target", target, retain=True)

    async def _say_alerts(self, now: dict[str, str]) -> None:
        told = {path: text for path, text in self._told.items() if path.startswith("$alert/")}
        wanted = {f"$alert/{name}": text for name, text in now.items()}
        for path in told.keys() - wanted.keys():
            await self.connection.say(self._device.prefix + path, "", retain=True)
            del self._told[path]
        for path, text in wanted.items():
            if told.get(path) != text:
                await self.connection.say(self._device.prefix + path, text, retain=True)
                self._told[path] = text

    async def _listen(self) -> None:
        """Begin every setting in the turn in which it came; none waits until the one before it is stored."""
        async with asyncio.TaskGroup() as under_way:
            while True:
                for heard in await self.connection.heard():
                    under_way.create_task(self._take(heard))
                    await asyncio.sleep(0)

    async def _take(self, heard: Heard) -> None:
        try:
            check_fresh(heard)
            each, order = self._device.asked(heard.topic, heard.payload, self._studio.state())
            answer: dict[str, Any] = await answer_to(
                self._studio, order, Visitor("home automation", "mqtt", self._where), with_state=False
            )
            if "error" not in answer:
                await self._accepted(each, heard.payload)
                return
            why = str(answer["error"]["message"])
        except Refusal as refusal:
            why = str(refusal)
        self.connection.figures.refused += 1
        await self.connection.say(f"{self._device.prefix}$log/warn", why)

    async def _accepted(self, each: Property, payload: bytes) -> None:
        if each.retained:
            self._targets[each.path] = payload
            self._told.pop(each.path, None)
            await self.connection.say(f"{self._device.prefix}{each.path}/$target", payload, retain=True)
            await self._say_values()
