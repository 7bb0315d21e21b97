"""The rig as a Homie device on the broker: its description, its properties, and their settings.

It has a connection of its own: the convention requires a last will that sets `$state` to `lost`, and a
connection has only one.
"""

from __future__ import annotations

import asyncio
import logging

import aiomqtt

from fillside.doors.listener import answer_to
from fillside.doors.mqtt.connection import Connection
from fillside.doors.mqtt.homie import HomieRig, Property, alert_names, alerts
from fillside.doors.mqtt.messages import ReceivedMessage, check_fresh
from fillside.doors.mqtt.publish_pace import LEAST_S
from fillside.orders.answers import Refusal
from fillside.rig.tables.doors import MqttDoor
from fillside.rig.tables.model import Rig
from fillside.runtime.live import as_text
from fillside.runtime.studio import Studio
from fillside.storage.records.journal import Visitor
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)


class HomieDevice:
    """Publishes a rig and the values of its properties, and accepts settings."""

    def __init__(
        self,
        rig: Rig,
        table: MqttDoor,
        studio: Studio,
        identity: str,
        system: System = SYSTEM,
    ) -> None:
        self._device = HomieRig(rig, table.homie_domain)
        self._studio, self._wall, self._where = studio, system.unix_clock, table.address
        will = aiomqtt.Will(self._device.state_topic, "lost", qos=1, retain=True)
        self.connection = Connection(table, f"fillside-{identity}-homie", will, system)
        self._alert_paths = [f"{self._device.prefix}$alert/{name}" for name in alert_names(rig)]
        self._published: dict[str, str] = {}
        self._targets: dict[str, bytes] = {}

    async def run(self) -> None:
        """Keep the device on the broker until the connection stops."""
        await self.connection.run(self._serve)

    async def _serve(self) -> None:
        connection, device = self.connection, self._device
        self._published.clear()
        await connection.publish(device.state_topic, "init", retain=True)
        # It may have changed since the last start, and then the version must rise: milliseconds do.
        description = as_text(device.description(int(self._wall() * 1000)))
        await connection.publish(f"{device.prefix}$description", description, retain=True)
        # The broker may hold alerts of an earlier run.
        for path in self._alert_paths:
            await connection.publish(path, "", retain=True)
        await self._publish_values()
        await connection.subscribe({device.set_topics: 1})
        await connection.publish(device.state_topic, "ready", retain=True)
        connection.report_up()
        await connection.while_connected(self._listen, self._publish_changes)
        await connection.publish(device.state_topic, "disconnected", retain=True)

    async def _publish_changes(self) -> None:
        with self._studio.watching() as changed:
            while True:
                await asyncio.sleep(LEAST_S)
                await changed.wait()
                changed.clear()
                await self._publish_values()

    async def _publish_values(self) -> None:
        """Publish every property whose value has changed, and the alerts."""
        state = self._studio.state()
        for path, each in self._device.properties.items():
            value = each.value(state) if each.retained else None
            if value is None or self._published.get(path) == value:
                continue
            if each.order is not None:
                await self._publish_target(each, value)
            await self.connection.publish(self._device.prefix + path, value, retain=True)
            self._published[path] = value
        await self._publish_alerts(alerts(state))

    async def _publish_target(self, each: Property, value: str) -> None:
        """Publish a setting as it was written, until the value changes."""
        target = self._targets.get(each.path, b"")
        if not each.is_equal(target, value):
            target = self._targets[each.path] = value.encode("utf-8")
        await self.connection.publish(f"{self._device.prefix}{each.path}/$target", target, retain=True)

    async def _publish_alerts(self, now: dict[str, str]) -> None:
        before = {path: text for path, text in self._published.items() if path.startswith("$alert/")}
        alerts = {f"$alert/{name}": text for name, text in now.items()}
        for path in before.keys() - alerts.keys():
            await self.connection.publish(self._device.prefix + path, "", retain=True)
            del self._published[path]
        for path, text in alerts.items():
            if before.get(path) != text:
                await self.connection.publish(self._device.prefix + path, text, retain=True)
                self._published[path] = text

    async def _listen(self) -> None:
        """Start every setting in the turn in which it arrives; none waits until the
        one before it is stored."""
        async with asyncio.TaskGroup() as under_way:
            while True:
                for message in await self.connection.receive():
                    under_way.create_task(self._take(message))
                    await asyncio.sleep(0)

    async def _take(self, message: ReceivedMessage) -> None:
        try:
            check_fresh(message)
            each, order = self._device.order_from(message.topic, message.payload, self._studio.state())
            answer = await answer_to(
                self._studio, order, Visitor("home automation", "mqtt", self._where), with_state=False
            )
            if "error" not in answer:
                await self._accept(each, message.payload)
                return
            why = str(answer["error"]["message"])
        except Refusal as refusal:
            why = str(refusal)
        self.connection.figures.refused += 1
        await self.connection.publish(f"{self._device.prefix}$log/warn", why)

    async def _accept(self, each: Property, payload: bytes) -> None:
        if each.retained:
            self._targets[each.path] = payload
            self._published.pop(each.path, None)
            await self.connection.publish(f"{self._device.prefix}{each.path}/$target", payload, retain=True)
            await self._publish_values()
