"""The listeners of a rig file (MQTT, Homie, OSC): prepared, opened, and exchanged at a reload.

They are prepared before any lamp is touched, so that a fault of this machine (a missing secret, a port in
use) stops the daemon at its start with one line. Later faults (a broker that goes away) never stop it. They
are opened once there is light to control.
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from functools import partial
from types import TracebackType
from typing import Self

from fillside.doors.listener import DoorError, DoorFigures
from fillside.rig.tables.doors import MqttDoor, OscDoor
from fillside.rig.tables.model import Rig
from fillside.runtime.studio import Studio
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)


@dataclass
class PreparedListeners:
    """The listeners of one rig; `figures` has an entry for each, by name."""

    rig: Rig
    system: System = SYSTEM
    osc_socket: socket.socket | None = None
    figures: dict[str, DoorFigures] = field(default_factory=dict)

    @asynccontextmanager
    async def opened(self, studio: Studio, identity: str) -> AsyncIterator[None]:
        """Accept orders while inside; at the end, tell subscribers that the daemon stops.

        `identity` names this daemon on the broker, which disconnects one of two clients with the same name.
        """
        async with _osc(self, studio), _mqtt(self, studio, identity):
            yield


@contextmanager
def prepare_listeners(rig: Rig, system: System = SYSTEM) -> Iterator[PreparedListeners]:
    """Prepare the listeners of a rig. Raises DoorError."""
    prepared = PreparedListeners(rig, system)
    if rig.doors.mqtt is not None:
        _check_secrets(rig.doors.mqtt)
    if rig.doors.osc is not None:
        prepared.osc_socket = _osc_socket(rig.doors.osc, system)
    try:
        yield prepared
    finally:
        if prepared.osc_socket is not None:
            prepared.osc_socket.close()


class OpenListeners:
    """The listeners that are open while inside; `first` are those of the daemon's start."""

    def __init__(self, first: PreparedListeners, studio: Studio, identity: str) -> None:
        self._prepared, self._studio, self._identity = first, studio, identity
        self._open = AsyncExitStack()

    @property
    def figures(self) -> Mapping[str, DoorFigures]:
        """The figures of each listener, by name."""
        return self._prepared.figures

    async def change(self, rig: Rig) -> None:
        """Open the listeners of another rig in place of the present ones.

        Raises DoorError after reopening the present ones.
        """
        old = self._prepared.rig
        if not _differ(old, rig):
            return
        await self._open.aclose()
        try:
            await self._enter(rig)
        except DoorError:
            try:
                await self._enter(old)
            except DoorError as error:
                log.error("%s; that door stays shut until the next start", error)
            raise

    async def _enter(self, rig: Rig) -> None:
        self._open = AsyncExitStack()
        self._prepared = self._open.enter_context(prepare_listeners(rig, self._prepared.system))
        await self._open.enter_async_context(self._prepared.opened(self._studio, self._identity))

    async def __aenter__(self) -> Self:
        await self._open.enter_async_context(self._prepared.opened(self._studio, self._identity))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._open.aclose()


def _differ(old: Rig, new: Rig) -> bool:
    """Return true if the listeners differ; a Homie device also describes heads, roles and marks."""
    describes = new.doors.mqtt is not None and new.doors.mqtt.homie
    return old.doors != new.doors or (describes and old != new)


def _check_secrets(table: MqttDoor) -> None:
    from fillside_drivers.mqtt.broker import BrokerError, secret, tls_context

    try:
        for place, where in ((table.user_from, "user_from"), (table.password_from, "password_from")):
            secret(place, where)
        tls_context(table)
    except BrokerError as error:
        raise DoorError(f"doors.mqtt: {error.message}") from error


def _osc_socket(table: OscDoor, system: System) -> socket.socket:
    from fillside.doors.osc.listener import bind_socket

    return bind_socket(table, system)


@asynccontextmanager
async def _osc(prepared: PreparedListeners, studio: Studio) -> AsyncIterator[None]:
    table = prepared.rig.doors.osc
    if table is None or prepared.osc_socket is None:
        yield
        return
    from fillside.doors.osc.listener import OscListener

    listener = OscListener(table, studio, prepared.system.unix_clock)
    prepared.figures["osc"] = listener.figures
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: listener, sock=prepared.osc_socket)
    task = studio.jobs.start("osc door", listener.run)
    try:
        yield
    finally:
        transport.close()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@asynccontextmanager
async def _mqtt(prepared: PreparedListeners, studio: Studio, identity: str) -> AsyncIterator[None]:
    table = prepared.rig.doors.mqtt
    if table is None:
        yield
        return
    from fillside.doors.mqtt.connection import end_tasks
    from fillside.doors.mqtt.homie_device import HomieDevice
    from fillside.doors.mqtt.listener import MqttListener

    system = prepared.system
    listener = MqttListener(prepared.rig, table, studio, identity, system)
    clients: dict[str, MqttListener | HomieDevice] = {"mqtt door": listener}
    prepared.figures["mqtt"] = listener.connection.figures
    if table.homie:
        device = HomieDevice(prepared.rig, table, studio, identity, system)
        clients["homie door"] = device
        prepared.figures["homie"] = device.connection.figures
    for name, each in clients.items():
        each.connection.on_lost = partial(studio.jobs.failed, name)
        each.connection.on_back = partial(studio.jobs.goes_on, name)
    tasks = [studio.jobs.start(name, each.run, each.connection.stop) for name, each in clients.items()]
    try:
        yield
    finally:
        for each in clients.values():
            each.connection.stop.set()
        await end_tasks(tasks)
