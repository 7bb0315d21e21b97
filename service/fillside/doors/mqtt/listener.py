"""The MQTT door: obeys and answers orders on the rig's topics, and publishes the state there."""

from __future__ import annotations

import asyncio
from functools import partial

import aiomqtt

from fillside.doors.listener import answer_to
from fillside.doors.mqtt.connection import Connection
from fillside.doors.mqtt.messages import ReceivedMessage, Topics, order_from
from fillside.doors.mqtt.publish_pace import PublishPace
from fillside.doors.mqtt.sensors import Sensors
from fillside.orders.answers import Body, Refusal
from fillside.rig.tables.doors import MqttDoor
from fillside.rig.tables.model import Rig
from fillside.runtime.live import as_text
from fillside.runtime.studio import Studio
from fillside.storage.records.journal import Visitor
from fillside_drivers.system import SYSTEM, System

ANSWER_EXPIRES_S = 30
MOST_UNDER_WAY = 500
"""The limit of orders in progress: each waits until it is stored, two seconds at most if the disk hangs, and
a few faders send this many meanwhile; readings and routines take longer."""
_TOO_MANY = Refusal("too_many", f"{MOST_UNDER_WAY} orders are under way already")
REFUSED_REPORTS_S = 1.0
"""The shortest pause between two refusals to a tracker that reports impossible places."""


class MqttListener:
    """The topics of a rig: orders, positions and meters in; answers, state and online status out."""

    def __init__(
        self,
        rig: Rig,
        table: MqttDoor,
        studio: Studio,
        identity: str,
        system: System = SYSTEM,
    ) -> None:
        self._topics, self._sensors = Topics(rig.rig.name), Sensors(rig)
        self._studio, self._clock, self._where = studio, system.clock, table.address
        will = aiomqtt.Will(self._topics.online, "false", qos=1, retain=True)
        self.connection = Connection(table, f"fillside-{identity}", will, system)
        self._refused_report_s = -REFUSED_REPORTS_S
        self._under_way = 0
        self._idle = False

    async def run(self) -> None:
        """Keep the door open until the connection stops."""
        await self.connection.run(self._serve)

    async def _serve(self) -> None:
        connection, topics = self.connection, self._topics
        await connection.subscribe(topics.subscriptions)
        await connection.publish(topics.online, "true", retain=True)
        connection.report_up()
        await connection.while_connected(self._listen, self._publish_state)
        # A clean disconnect cancels the last will, so its message must be published.
        await connection.publish(topics.online, "false", retain=True)

    async def _publish_state(self) -> None:
        pace = PublishPace()
        with self._studio.watching() as changed:
            while True:
                changed.clear()
                await asyncio.sleep(pace.look_again_s(self._clock()))
                state = self._studio.state()
                due_s = pace.due_s(state, self._clock())
                if due_s == 0:
                    await self.connection.publish(self._topics.state, as_text(state), retain=True)
                    pace.note(state, self._clock())
                    continue
                await until(changed, due_s)

    async def _listen(self) -> None:
        """Start every order in the turn in which it arrives; none waits for a long one before it."""
        async with asyncio.TaskGroup() as under_way:
            self.connection.at_once = partial(self._start_at_once, under_way)
            try:
                while True:
                    self._idle = True
                    messages = await self.connection.receive()
                    self._idle = False
                    for message in newest_reports(messages, self._topics.subject):
                        if self._under_way >= MOST_UNDER_WAY:
                            await self._answer(message, _TOO_MANY.body())
                            continue
                        self._start(under_way, message)
                        await asyncio.sleep(0)
            finally:
                self.connection.at_once = lambda message: False

    def _start_at_once(self, under_way: asyncio.TaskGroup, message: ReceivedMessage) -> bool:
        """Start an order in the turn in which it comes, if it is the first of that turn."""
        if not self._idle or self._under_way >= MOST_UNDER_WAY:
            return False
        self._idle = False
        asyncio.get_running_loop().call_soon(self._idle_again)
        self._start(under_way, message)
        return True

    def _idle_again(self) -> None:
        self._idle = True

    def _start(self, under_way: asyncio.TaskGroup, message: ReceivedMessage) -> None:
        self._under_way += 1
        under_way.create_task(self._take(message)).add_done_callback(self._one_less)

    def _one_less(self, _: asyncio.Task[None]) -> None:
        self._under_way -= 1

    async def _take(self, message: ReceivedMessage) -> None:
        try:
            given = order_from(message, self._topics, self._sensors, self._studio.state)
            if given is None:
                return
            body = await answer_to(self._studio, given.order, Visitor(given.who, "mqtt", self._where))
            if "error" in body and given.sensor is not None:
                self._sensors.forget(given.sensor)
        except Refusal as refusal:
            body = refusal.body()
        await self._answer(message, body)

    async def _answer(self, message: ReceivedMessage, body: Body) -> None:
        """Answer on `said` and on the response topic; a tracker's good report only on the latter."""
        refused = "error" in body
        self.connection.figures.refused += refused
        text = as_text(body)
        if self._topics.may_answer_at(message.answer_to):
            await self.connection.publish(
                str(message.answer_to), text, correlation=message.correlation, expires_s=ANSWER_EXPIRES_S
            )
        if message.topic == self._topics.subject:
            now_s = self._clock()
            if not refused or now_s - self._refused_report_s < REFUSED_REPORTS_S:
                return
            self._refused_report_s = now_s
        await self.connection.publish(
            self._topics.said, text, correlation=message.correlation, expires_s=ANSWER_EXPIRES_S
        )


def newest_reports(messages: list[ReceivedMessage], subject: str) -> list[ReceivedMessage]:
    """Drop all position reports but the newest of those that waited together: nothing is caught up."""
    last = max((i for i, each in enumerate(messages) if each.topic == subject), default=-1)
    return [each for i, each in enumerate(messages) if each.topic != subject or i == last]


async def until(changed: asyncio.Event, seconds: float | None) -> None:
    """Wait until something changes or the time is over."""
    try:
        async with asyncio.timeout(seconds):
            await changed.wait()
    except TimeoutError:
        return
