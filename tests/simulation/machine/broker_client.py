"""The daemon's clients of the broker: `aiomqtt.Client` itself, with the library below it (the package `paho`)
replaced by `MemoryPaho`. Its errors and waits are those of aiomqtt.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable
from contextvars import copy_context
from dataclasses import replace
from typing import Any

import aiomqtt
import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from simulation.machine.broker import Ends, MemoryBroker, Message, Session, Wish
from simulation.machine.loop import PROCESS

LOOKS_EVERY_S = 1.0
"""How often aiomqtt lets the library look at its keep-alive."""
SUCCESS, NO_CONNECTION = paho.MQTTErrorCode.MQTT_ERR_SUCCESS, paho.MQTTErrorCode.MQTT_ERR_NO_CONN


def as_octets(payload: Any) -> bytes:
    if payload is None:
        return b""
    return bytes(payload) if isinstance(payload, bytes | bytearray) else str(payload).encode()


class SimulatedClient(aiomqtt.Client):
    """A client of the broker in memory, connected as often as `async with` says."""

    def __init__(self, broker: MemoryBroker, host: str, port: int, **options: Any) -> None:
        super().__init__(host, port, **options)
        will: aiomqtt.Will | None = options.get("will")
        name = str(options["identifier"])
        last = will and Message(will.topic, as_octets(will.payload), will.qos, will.retain, publisher=name)
        self._client: Any = MemoryPaho(self, broker, name, last, options.get("keepalive", 60))


class MemoryPaho:
    """Stands for `paho.mqtt.client.Client` as aiomqtt uses it."""

    def __init__(
        self,
        owner: SimulatedClient,
        broker: MemoryBroker,
        identifier: str,
        will: Message | None,
        keepalive_s: float,
    ) -> None:
        self._owner, self._broker, self._loop = owner, broker, broker.loop
        self._name, self._will, self._keepalive_s = identifier, will, keepalive_s
        self._session: Session | None = None
        self._number = 0
        self._outbox: list[Callable[[], object]] = []
        self._sent_s = self._heard_s = 0.0
        self._pinged_s = math.inf
        self._leaving = False
        broker.on_state.append(self._flush)
        self._process = PROCESS.get()
        if self._process is not None:
            self._process.on_death.append(self._die)

    def _die(self) -> None:
        if self._session is not None:
            self._session.vanish()
        self._broker.on_state.remove(self._flush)

    def socket(self) -> None:
        """There is no socket whose options could be set."""

    def connect(self, *_: object) -> None:
        if self._session is not None:
            self._session.vanish()
        self._leaving, self._outbox, self._pinged_s = False, [], math.inf
        ends = Ends(self._accepted, self._receive, self._lost, copy_context())
        self._session = self._broker.connect(self._name, self._will, ends)
        self._sent_s = self._heard_s = self._loop.now
        self._loop.call_later(LOOKS_EVERY_S, self._look, self._session)

    # Going out

    def _leaves(self, work: Callable[[], object]) -> None:
        """Put a packet on the wire, or behind those that wait for it."""
        self._sent_s = self._loop.now
        if self._broker.state == "stuck" or self._outbox:
            self._outbox.append(work)
        else:
            work()

    def _flush(self) -> None:
        """Let go what waited, once octets leave again."""
        if self._broker.state != "stuck" and self._outbox:
            waiting, self._outbox = self._outbox, []
            context = copy_context()
            context.run(PROCESS.set, self._process)
            for work in waiting:
                context.run(self._loop.call_soon, work)

    def _next_number(self) -> int:
        self._number += 1
        return self._number

    def publish(
        self, topic: str, payload: Any, qos: int, retain: bool, properties: Properties | None
    ) -> paho.MQTTMessageInfo:
        assert qos == 0, "the daemon publishes at quality of service 0 only"
        info = paho.MQTTMessageInfo(self._next_number())
        session = self._session
        if session is None:
            info.rc = NO_CONNECTION
            return info
        expires_s = getattr(properties, "MessageExpiryInterval", None)
        waits = Message(
            topic,
            as_octets(payload),
            qos,
            retain,
            getattr(properties, "ResponseTopic", None),
            getattr(properties, "CorrelationData", None),
            None if expires_s is None else self._loop.now + expires_s,
            self._name,
        )

        def work() -> None:
            message = replace(waits, left_s=self._loop.now)
            for tell in self._broker.on_sent:
                tell(message)
            session.send(lambda: self._broker.publish(message))
            info._set_as_published()
            self._owner._on_publish(None, None, info.mid, None, None)

        self._leaves(work)
        return info

    def subscribe(self, topic: Any, qos: int = 0, *_: object) -> tuple[paho.MQTTErrorCode, int | None]:
        session, number = self._session, self._next_number()
        if session is None:
            return NO_CONNECTION, None
        wishes = [_wish(*each) for each in (topic if isinstance(topic, list) else [(topic, qos)])]
        granted = [ReasonCode(PacketTypes.SUBACK, f"Granted QoS {wish.qos}") for wish in wishes]

        def serve() -> None:
            session.answer(self._acknowledged, self._owner._on_subscribe, number, granted)
            for wish in wishes:
                self._broker.subscribe(session, wish)

        self._leaves(lambda: session.send(serve))
        return SUCCESS, number

    def unsubscribe(self, topic: str, *_: object) -> tuple[paho.MQTTErrorCode, int | None]:
        session, number = self._session, self._next_number()
        if session is None:
            return NO_CONNECTION, None

        def serve() -> None:
            session.wishes.pop(topic, None)
            session.answer(self._acknowledged, self._owner._on_unsubscribe, number, [])

        self._leaves(lambda: session.send(serve))
        return SUCCESS, number

    def disconnect(self) -> paho.MQTTErrorCode:
        session = self._session
        if session is None:
            return NO_CONNECTION
        self._leaving = True

        def work() -> None:
            session.disconnect()
            self._close("Success")

        self._leaves(work)
        return SUCCESS

    # Coming in

    def _accepted(self) -> None:
        self._heard_s = self._loop.now
        self._owner._on_connect(None, None, None, ReasonCode(PacketTypes.CONNACK, "Success"))  # type: ignore[arg-type]

    def _acknowledged(self, tell: Callable[..., object], number: int, codes: list[ReasonCode]) -> None:
        self._heard_s = self._loop.now
        tell(None, None, number, codes)

    def _receive(self, message: Message, was_retained: bool, qos: int) -> None:
        self._heard_s = self._loop.now
        found = paho.MQTTMessage(topic=message.topic.encode())
        found.payload, found.qos, found.retain = message.payload, qos, was_retained
        found.properties = properties = Properties(PacketTypes.PUBLISH)
        if message.response is not None:
            properties.ResponseTopic = message.response
        if message.correlation is not None:
            properties.CorrelationData = message.correlation
        if message.expires_at_s is not None:
            properties.MessageExpiryInterval = max(0, int(message.expires_at_s - self._loop.now))
        self._owner._on_message(None, None, found)

    def _lost(self) -> None:
        self._close("Success" if self._leaving else "Unspecified error")

    def _close(self, reason: str) -> None:
        if self._session is not None:
            session, self._session = self._session, None
            self._outbox = []
            session.vanish()
            with contextlib.suppress(asyncio.CancelledError):  # aiomqtt asks a wait that it cancelled itself
                self._owner._on_disconnect(None, None, None, ReasonCode(PacketTypes.DISCONNECT, reason))  # type: ignore[arg-type]

    def _look(self, session: Session) -> None:
        """See to the keep-alive as paho does."""
        if self._session is not session:
            return
        now, keepalive_s = self._loop.now, self._keepalive_s
        if max(now - self._sent_s, now - self._heard_s) >= keepalive_s:
            if self._pinged_s < math.inf or self._leaving:
                self._close("Success" if self._leaving else "Keep alive timeout")
                return
            self._pinged_s = now
            self._leaves(lambda: session.send(lambda: session.answer(self._ponged)))
            self._heard_s = now
        self._loop.call_later(LOOKS_EVERY_S, self._look, session)

    def _ponged(self) -> None:
        self._heard_s, self._pinged_s = self._loop.now, math.inf


def _wish(topic: str, options: SubscribeOptions | int) -> Wish:
    if isinstance(options, int):
        return Wish(topic, options)
    sends = options.retainHandling != SubscribeOptions.RETAIN_DO_NOT_SEND
    return Wish(topic, options.QoS, options.noLocal, sends)
