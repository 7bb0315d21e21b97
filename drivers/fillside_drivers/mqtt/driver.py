"""The MQTT driver: one connection to a broker for all bulbs of a driver table.

Levels are sent at quality of service 0: a delayed level is stale, and the client library would repeat
acknowledged levels after a lost connection. After each connection every bulb is found again; a watcher may
respond with a code near its level, otherwise the last code is sent. The driver is `lost` if the broker cannot
be reached or does not answer; single bulbs have their own health.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import random
import ssl
from collections.abc import Mapping
from typing import ClassVar

import aiomqtt

from fillside_drivers.cancellation import FAREWELL_S, cancel_tasks, run_until_first
from fillside_drivers.driver import Driver, HeadHealth, OpenError, Setup
from fillside_drivers.mqtt.broker import BrokerError, broker_failure, client_for
from fillside_drivers.mqtt.bulb import Bulb
from fillside_drivers.mqtt.options import MqttDrive, MqttOptions
from fillside_drivers.mqtt.payloads import OutgoingMessage

log = logging.getLogger(__name__)

CONNECTS_WITHIN_S = 4.0
TIMED_OUT, DOES_NOT_ANSWER = "Operation timed out", "does not answer"
"""The client library's text for a timeout, and ours for the broker in that case."""
FIRST_RETRY_S, LONGEST_RETRY_S = 0.2, 5.0
MOST_WAITING_MESSAGES = 2000
"""The client drops reports beyond this many unread ones."""
SIGN_EVERY_S, SIGN_WITHIN_S = 1.2, 2.4
"""Interval of the requests for a sign of life, and time allowed for the response. A connection to a broker
that hangs may stay open; the protocol's own keep-alive would detect it after up to twice its interval."""
LEAVES_WITHIN_S = 0.3
"""Time in which a message leaves the machine. The light that waits for it would step when it is let go."""
NO_TOPIC = "fillside/sign-of-life"
"""Topic to unsubscribe from without a subscription: a request that changes nothing and must be answered."""
LAST_WORD_S = 1.0
"""Time that closing waits for the last levels to leave."""


class MqttDriver(Driver):
    """Bulbs on an MQTT broker."""

    kind: ClassVar[str] = "mqtt"

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        assert isinstance(setup.options, MqttOptions), "the registry validates options by the kind's model"
        self._options = setup.options
        self._bulbs: dict[str, Bulb] = {}
        for channel in setup.channels:
            assert isinstance(channel.drive, MqttDrive), "the registry validates drives by the kind's model"
            self._bulbs[channel.name] = Bulb(channel.drive, channel.cct_k)
        self._by_topic: dict[str, list[Bulb]] = {}
        for bulb in self._bulbs.values():
            for topic in {bulb.drive.report_topic, bulb.drive.alive_topic} - {None}:
                self._by_topic.setdefault(str(topic), []).append(bulb)
        self._random = random.Random(setup.identity.cid.int)
        self._report_heads()
        self._wake = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    async def _open(self) -> None:
        client = self._client()
        self._task = asyncio.create_task(self._run(client), name=f"mqtt {self.name}")

    def _client(self) -> aiomqtt.Client:
        new = self._options.version == "5"
        try:
            return client_for(
                self._options,
                identifier=f"fillside-{self.setup.identity.cid.hex[:12]}-{self.name}"[:60],
                protocol=aiomqtt.ProtocolVersion.V5 if new else aiomqtt.ProtocolVersion.V311,
                clean_session=None if new else True,
                max_queued_incoming_messages=MOST_WAITING_MESSAGES,
                timeout=CONNECTS_WITHIN_S,
                system=self.setup.system,
            )
        except BrokerError as error:
            raise OpenError(
                f"driver {self.name}: {error.message}", driver=self.name, where=error.where
            ) from error

    async def _run(self, client: aiomqtt.Client) -> None:
        """Connect, serve and reconnect with growing delays, until closed."""
        wait_s = FIRST_RETRY_S
        while True:
            try:
                async with client:
                    wait_s = FIRST_RETRY_S
                    await self._serve(client)
            except aiomqtt.MqttReentrantError:
                # The client could not disconnect cleanly, and cannot be used again.
                with contextlib.suppress(OpenError):
                    client = self._client()
            except (aiomqtt.MqttError, OSError, ssl.SSLError) as error:
                self._report_failure(DOES_NOT_ANSWER if str(error) == TIMED_OUT else broker_failure(error))
            except Exception:
                # One bulb's message must not stop the others unnoticed.
                log.exception("wire %s failed; it is restarted", self.name)
                self._report_failure("a fault of ours; see the log")
            await asyncio.sleep(wait_s * self._random.uniform(0.5, 1.0))
            wait_s = min(2 * wait_s, LONGEST_RETRY_S)

    def _report_failure(self, why: str) -> None:
        self._counts.errors += 1
        self._report(state="lost", note=f"{self._where}: {why}")

    @property
    def _where(self) -> str:
        return f"broker {self._options.address}"

    async def _serve(self, client: aiomqtt.Client) -> None:
        if self._by_topic:
            await client.subscribe([(topic, 0) for topic in self._by_topic])
        now = self._clock()
        for bulb in self._bulbs.values():
            bulb.connected(now)
        self._report_heads(connected=True)
        self._wake.set()
        await run_until_first(self._listen(client), self._write(client), self._check_broker(client))

    async def _check_broker(self, client: aiomqtt.Client) -> None:
        """Request signs of life from the broker; return when it gives none."""
        while True:
            await asyncio.sleep(SIGN_EVERY_S)
            try:
                await client.unsubscribe(NO_TOPIC, timeout=SIGN_WITHIN_S)
            except aiomqtt.MqttCodeError:
                raise
            except aiomqtt.MqttError:
                # Reported before the connection is closed, which takes time as well.
                self._report_failure(DOES_NOT_ANSWER)
                return

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic, payload = str(message.topic), message.payload
            if isinstance(payload, bytes):
                for bulb in self._by_topic.get(topic, ()):
                    if bulb.receive(topic, payload, self._clock(), message.retain):
                        self._report_heads()
                        self._wake.set()

    async def _write(self, client: aiomqtt.Client) -> None:
        while True:
            self._wake.clear()
            now = self._clock()
            changed = False
            for bulb in self._bulbs.values():
                before = bulb.status
                for out in bulb.take(now):
                    if not await self._leaves(client, out):
                        return
                bulb.judge(now)
                changed = changed or bulb.status != before
            if changed:
                self._report_heads()
            due = min((bulb.due(now) for bulb in self._bulbs.values()), default=math.inf)
            wait_s = None if due == math.inf else max(0.0, due - self._clock())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._wake.wait()

    async def _leaves(self, client: aiomqtt.Client, out: OutgoingMessage) -> bool:
        """Send a message; return false if the connection takes none, so that it has to be made anew."""
        try:
            async with asyncio.timeout(LEAVES_WITHIN_S):
                await client.publish(out.topic, out.payload, qos=0)
        except TimeoutError:
            self._report_failure(DOES_NOT_ANSWER)
            return False
        self._counts.frames_sent += 1
        return True

    def _report_heads(self, *, connected: bool = False) -> None:
        now, old = self._clock(), self._health.heads
        heads = {}
        for name, bulb in self._bulbs.items():
            state = bulb.state
            known = old.get(name)
            since = known.since if known is not None and known.state == state else now
            heads[name] = HeadHealth(state, since, bulb.code, bulb.returns, bulb.answer_habit, bulb.confirmed)
        if connected:
            self._report(state="ok", note="", heads=heads)
        else:
            self._report(heads=heads)
        # Watchers have responded by now; without a response the last code remains the target.
        for name, bulb in self._bulbs.items():
            if name in self._codes and name in old and heads[name].returns != old[name].returns:
                bulb.want(self._codes[name], now)

    def _send(self, codes: Mapping[str, int]) -> None:
        now = self._clock()
        for name, bulb in self._bulbs.items():
            if name in codes:
                bulb.want(codes[name], now)
        self._wake.set()

    async def _close(self, stay: bool) -> None:
        if self._task is None:
            return
        waiting = [bulb.drive.interval_s for bulb in self._bulbs.values() if bulb.waiting]
        if self._health.state == "ok" and waiting:
            await asyncio.sleep(min(LAST_WORD_S, 1.2 * max(waiting)))
        task, self._task = self._task, None
        await cancel_tasks([task], FAREWELL_S)
        if not task.cancelled() and (error := task.exception()) is not None:
            raise error
