"""The doors of a rig beside HTTP: made ready before any lamp is touched, opened once there is light to order.

What can go wrong on this machine (a secret that is not there, a port that is taken) stops the daemon at its
start, with one line. What goes wrong later (a broker that goes away) never does.
"""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from functools import partial

from fillside.doors.listener import Clock, DoorError, DoorFigures
from fillside.rig.tables.doors import MqttDoor, OscDoor
from fillside.rig.tables.model import Rig
from fillside.runtime.studio import Studio


@dataclass
class Listeners:
    """The doors of a rig; `figures` has one entry for each, by its name."""

    rig: Rig
    osc_socket: socket.socket | None = None
    figures: dict[str, DoorFigures] = field(default_factory=dict)

    @asynccontextmanager
    async def opened(self, studio: Studio, identity: str, clock: Clock) -> AsyncIterator[None]:
        """Hear and obey while inside; at the end everybody who looked on is told that we go.

        `identity` is ours on the broker: two daemons with the same one push each other out.
        """
        async with _osc(self, studio), _mqtt(self, studio, identity, clock):
            yield


@contextmanager
def doors_of(rig: Rig) -> Iterator[Listeners]:
    """The doors that a rig's file opens, made ready. Raises DoorError."""
    doors = Listeners(rig)
    if rig.doors.mqtt is not None:
        _check_secrets(rig.doors.mqtt)
    if rig.doors.osc is not None:
        doors.osc_socket = _osc_socket(rig.doors.osc)
    try:
        yield doors
    finally:
        if doors.osc_socket is not None:
            doors.osc_socket.close()


def _check_secrets(table: MqttDoor) -> None:
    from fillside_drivers.mqtt.broker import BrokerError, secret, tls_context

    try:
        for place, where in ((table.user_from, "user_from"), (table.password_from, "password_from")):
            secret(place, where)
        tls_context(table)
    except BrokerError as error:
        raise DoorError(f"doors.mqtt: {error.message}") from error


def _osc_socket(table: OscDoor) -> socket.socket:
    from fillside.doors.osc.listener import bind_socket

    return bind_socket(table)


@asynccontextmanager
async def _osc(doors: Listeners, studio: Studio) -> AsyncIterator[None]:
    table = doors.rig.doors.osc
    if table is None or doors.osc_socket is None:
        yield
        return
    from fillside.doors.osc.listener import OscListener

    listener = OscListener(table, studio, time.time)
    doors.figures["osc"] = listener.figures
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: listener, sock=doors.osc_socket)
    job = studio.jobs.start("osc door", listener.run)
    try:
        yield
    finally:
        transport.close()
        job.cancel()
        await asyncio.gather(job, return_exceptions=True)


@asynccontextmanager
async def _mqtt(doors: Listeners, studio: Studio, identity: str, clock: Clock) -> AsyncIterator[None]:
    table = doors.rig.doors.mqtt
    if table is None:
        yield
        return
    from fillside.doors.mqtt.connection import end_tasks
    from fillside.doors.mqtt.homie_device import HomieDevice
    from fillside.doors.mqtt.listener import MqttListener

    listener = MqttListener(doors.rig, table, studio, identity, clock)
    running: dict[str, MqttListener | HomieDevice] = {"mqtt door": listener}
    doors.figures["mqtt"] = listener.connection.figures
    if table.homie:
        device = HomieDevice(doors.rig, table, studio, identity, clock, time.time)
        running["homie door"] = device
        doors.figures["homie"] = device.connection.figures
    for name, each in running.items():
        each.connection.on_lost = partial(studio.jobs.failed, name)
        each.connection.on_back = partial(studio.jobs.goes_on, name)
    jobs = [studio.jobs.start(name, each.run, each.connection.stop) for name, each in running.items()]
    try:
        yield
    finally:
        for each in running.values():
            each.connection.stop.set()
        await end_tasks(jobs)
