"""A connection to the broker that reconnects by itself and drops messages from before it broke."""

from __future__ import annotations

import asyncio
import logging
import random
import ssl
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Any, cast

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from fillside.doors.listener import Clock, DoorError, DoorFigures
from fillside.doors.mqtt.messages import ReceivedMessage
from fillside_drivers.cancellation import cancel_tasks
from fillside_drivers.mqtt.broker import BrokerError, broker_failure, client_for
from fillside_drivers.mqtt.broker_options import BrokerOptions
from fillside_drivers.retry import Backoff
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)

MOST_WAITING = 1000
"""Further unread messages are dropped by the client library."""
FAREWELL_S = 3.0


class Inbox(asyncio.Queue[aiomqtt.Message]):
    """The messages that have come, each with its arrival time."""

    def __init__(self, maxsize: int, clock: Clock) -> None:
        super().__init__(maxsize)
        self._clock = clock
        self._came: deque[float] = deque()
        self.taken_s = 0.0

    def _put(self, item: aiomqtt.Message) -> None:
        self._came.append(self._clock())
        super()._put(item)

    def _get(self) -> aiomqtt.Message:
        self.taken_s = self._came.popleft()
        return super()._get()

    def drain(self) -> list[tuple[float, aiomqtt.Message]]:
        """Empty the queue; return all waiting messages with their times."""
        found = []
        while not self.empty():
            message = self.get_nowait()
            found.append((self.taken_s, message))
        return found


class _ClientQueue(asyncio.Queue[aiomqtt.Message]):
    """The client's queue, which stays empty: it passes messages on.

    The client's iterator takes a message in three turns of the event loop. So it only watches for the end of
    the connection, and the messages are taken directly.
    """

    def __init__(self, take: Callable[[aiomqtt.Message], None]) -> None:
        super().__init__()
        self._take = take

    def put_nowait(self, item: aiomqtt.Message) -> None:
        self._take(item)


class Connection:
    """One client of a broker. `serve` runs on each connection, and returns when `stop` is set."""

    def __init__(
        self,
        options: BrokerOptions,
        identifier: str,
        will: aiomqtt.Will,
        system: System = SYSTEM,
    ) -> None:
        self._where, self._clock = f"broker {options.address}", system.clock
        self._unix_clock = system.unix_clock
        self.figures = DoorFigures(since_s=self._clock())
        self.inbox = Inbox(MOST_WAITING, self._clock)
        self.stop = asyncio.Event()
        self._backoff = Backoff(random.Random(identifier))
        self.on_lost: Callable[[Exception], object] = lambda error: None
        """Called whenever the broker cannot be reached or is lost."""
        self.on_back: Callable[[], object] = lambda: None
        """Called whenever the connection serves."""
        self.at_once: Callable[[ReceivedMessage], bool] = lambda message: False
        """Called with a message that none waits before; returns true if it took the message."""
        try:
            self.client = client_for(
                options,
                identifier=identifier,
                system=system,
                protocol=aiomqtt.ProtocolVersion.V5,
                # A session that outlives the connection would deliver orders from another moment.
                clean_start=True,
                will=will,
                queue_type=cast(Any, lambda maxsize: _ClientQueue(self._take)),
            )
        except BrokerError as error:
            raise DoorError(f"doors.mqtt: {error.message}") from error

    async def run(self, serve: Callable[[], Awaitable[None]]) -> None:
        """Connect, serve and reconnect after pauses that grow up to a limit, until `stop` is set.

        Errors other than network errors are raised, with the connection closed; `run` may be called again.
        """
        while not self.stop.is_set():
            try:
                async with self.client:
                    self.inbox.drain()
                    self._backoff.reset()
                    await serve()
            except (aiomqtt.MqttError, OSError, ssl.SSLError) as error:
                self._lost(broker_failure(error))
                self.on_lost(ConnectionError(self.figures.note))
                await self._pause(self._backoff.next_s())
            except Exception:
                self._lost("a fault of ours; see the log")
                raise

    def report_up(self) -> None:
        """Report that the connection serves."""
        self.on_back()
        if self.figures.report("ok", "", self._clock()):
            log.info("%s: the door is open", self._where)

    def _lost(self, why: str) -> None:
        if self.figures.report("lost", f"{self._where}: {why}", self._clock()):
            log.warning("%s: %s; trying again", self._where, why)

    async def _pause(self, seconds: float) -> None:
        try:
            async with asyncio.timeout(seconds):
                await self.stop.wait()
        except TimeoutError:
            return

    async def while_connected(self, *jobs: Callable[[], Awaitable[None]]) -> None:
        """Run the jobs side by side until `stop` is set or the connection breaks."""
        try:
            async with asyncio.TaskGroup() as tasks:
                running = [
                    tasks.create_task(_as_coroutine(job), name="mqtt door")
                    for job in (*jobs, self._until_lost)
                ]
                await self.stop.wait()
                await cancel_tasks(running)
        except* aiomqtt.MqttError as group:
            raise _first_of(group) from None

    async def _until_lost(self) -> None:
        """Wait until the connection breaks. Raises MqttError then."""
        await anext(aiter(self.client.messages))

    async def subscribe(self, topics: dict[str, int]) -> None:
        """Subscribe to topics, each with its quality of service.

        The broker sends neither messages it retained from before nor our own.
        """
        subscriptions = [
            (
                topic,
                SubscribeOptions(qos=qos, noLocal=True, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND),
            )
            for topic, qos in topics.items()
        ]
        granted = await self.client.subscribe(subscriptions)
        for topic, code in zip(topics, granted, strict=True):
            if getattr(code, "is_failure", False):
                raise aiomqtt.MqttError(f"the broker does not let us hear {topic}: {code}")

    def _take(self, message: aiomqtt.Message) -> None:
        if self.inbox.empty() and self.at_once(_received(message, 0.0, self._unix_clock())):
            self.figures.received += 1
        else:
            self.inbox.put_nowait(message)

    async def receive(self) -> list[ReceivedMessage]:
        """Wait for a message; return all that have arrived."""
        first = await self.inbox.get()
        came = [(self.inbox.taken_s, first), *self.inbox.drain()]
        now_s, now_unix_s = self._clock(), self._unix_clock()
        found = [_received(message, now_s - at_s, now_unix_s) for at_s, message in came]
        self.figures.received += len(found)
        return found

    async def publish(
        self,
        topic: str,
        payload: str | bytes,
        *,
        retain: bool = False,
        correlation: bytes | None = None,
        expires_s: int | None = None,
    ) -> None:
        """Publish with quality of service 0: what is lost with a connection is
        published again on the next."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if correlation is not None:
            properties.CorrelationData = correlation
        if expires_s is not None:
            properties.MessageExpiryInterval = expires_s
        await self.client.publish(topic, payload, qos=0, retain=retain, properties=properties)


def _first_of(group: BaseExceptionGroup[aiomqtt.MqttError]) -> BaseException:
    """Return the first error in nested groups."""
    first = group.exceptions[0]
    return _first_of(first) if isinstance(first, BaseExceptionGroup) else first


async def _as_coroutine(job: Callable[[], Awaitable[None]]) -> None:
    await job()


def _received(message: aiomqtt.Message, age_s: float, now_unix_s: float) -> ReceivedMessage:
    properties = message.properties
    payload = message.payload
    return ReceivedMessage(
        topic=str(message.topic),
        payload=payload if isinstance(payload, bytes) else str(payload).encode("utf-8"),
        retained=message.retain,
        age_s=age_s,
        came_unix_s=now_unix_s - age_s,
        expires_s=getattr(properties, "MessageExpiryInterval", None),
        answer_to=getattr(properties, "ResponseTopic", None),
        correlation=getattr(properties, "CorrelationData", None),
    )


async def end_tasks(tasks: list[asyncio.Task[None]], within_s: float = FAREWELL_S) -> None:
    """Wait for tasks that are about to stop; cancel those that exceed the time."""
    _, late = await asyncio.wait(tasks, timeout=within_s) if tasks else ((), ())
    await cancel_tasks(late)
    await asyncio.gather(*tasks, return_exceptions=True)
