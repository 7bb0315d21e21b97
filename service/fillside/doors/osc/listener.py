"""The OSC door: a UDP socket whose packets carry orders; answers go to their senders.

A packet that is malformed, or from an address that is not admitted, is counted and dropped without an answer.
"""

from __future__ import annotations

import asyncio
import logging
import math
import socket
from collections.abc import Callable
from typing import Any, cast

from fillside.doors.listener import POSITION_REPORT, DoorError, DoorFigures, answer_to
from fillside.doors.osc.addresses import ANSWER, STATE, order_from
from fillside.doors.osc.packet import MalformedError, Message, messages_of, packet_of
from fillside.orders.answers import Body, Refusal
from fillside.rig.tables.doors import OscDoor
from fillside.runtime.live import as_text
from fillside.runtime.studio import Studio
from fillside.storage.records.journal import Visitor
from fillside.system_errors import why
from fillside_drivers.system import SYSTEM, System

log = logging.getLogger(__name__)

MOST_WAITING, MOST_LATER, LATEST_S = 256, 100, 10.0
"""The most messages that wait for their turn, and for their time, and how far ahead that time may be [s]."""
MOST_UNDER_WAY = 500
"""The limit of orders in progress: each waits until it is stored, two seconds at most if the disk hangs, and
a few faders send this many meanwhile; readings and routines take longer."""
LONGEST_STATE = 60_000
"""The limit of a state's characters; a UDP datagram holds hardly more."""

Sender = tuple[Any, ...]


def bind_socket(table: OscDoor, system: System = SYSTEM) -> socket.socket:
    """Open a UDP socket on the table's address. Raises DoorError with one clear line."""
    host, port = table.address
    found = system.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM)
    try:
        found.setblocking(False)
        found.bind((host, port))
    except OSError as error:
        found.close()
        raise DoorError(f"doors.osc: cannot listen on {table.listen}: {why(error)}") from error
    return found


class OscListener(asyncio.DatagramProtocol):
    """Receives packets, and obeys their messages one after the other."""

    def __init__(self, table: OscDoor, studio: Studio, wall: Callable[[], float]) -> None:
        self._table, self._studio, self._wall = table, studio, wall
        self.figures = DoorFigures(state="ok", note="")
        self._waiting: asyncio.Queue[tuple[Message, Sender]] = asyncio.Queue(MOST_WAITING)
        self._later: set[asyncio.TimerHandle] = set()
        self._under_way = 0
        self._tasks: asyncio.TaskGroup | None = None
        self._starting = False
        self._admitted: str | None = None
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def connection_lost(self, exc: Exception | None) -> None:
        for handle in self._later:
            handle.cancel()

    def error_received(self, exc: Exception) -> None:
        """Ignore that an answer did not arrive: its receiver has gone."""

    def datagram_received(self, data: bytes, addr: Sender) -> None:
        self.figures.received += 1
        if addr[0] != self._admitted:
            if not self._table.admits(str(addr[0])):
                self._drop(f"{addr[0]} may not speak here")
                return
            self._admitted = addr[0]
        if self._waiting.full():
            self._drop("too many messages at once")
            return
        try:
            messages = messages_of(data)
        except MalformedError as error:
            self._drop(f"a malformed packet from {addr[0]}: {error}")
            return
        for message in messages:
            self._take(message, addr)

    def _take(self, message: Message, sender: Sender) -> None:
        ahead_s = -math.inf if message.at_s is None else message.at_s - self._wall()
        if ahead_s <= 0:
            self._enqueue(message, sender)
        elif ahead_s > LATEST_S or len(self._later) >= MOST_LATER:
            self._drop(f"a message for {ahead_s:.0f} s from now, from {sender[0]}")
        else:
            self._keep(message, sender, ahead_s)

    def _keep(self, message: Message, sender: Sender, seconds: float) -> None:
        def due() -> None:
            self._later.discard(handle)
            self._enqueue(message, sender)

        handle = asyncio.get_running_loop().call_later(seconds, due)
        self._later.add(handle)

    def _enqueue(self, message: Message, sender: Sender) -> None:
        """Start a message, or keep it waiting if another waits or starts in this turn."""
        if self._tasks is not None and not self._starting and self._waiting.empty():
            self._starting = True
            asyncio.get_running_loop().call_soon(self._started)
            self._start(self._tasks, message, sender)
            return
        try:
            self._waiting.put_nowait((message, sender))
        except asyncio.QueueFull:
            self._drop("too many messages at once")

    def _drop(self, why: str) -> None:
        self.figures.dropped += 1
        # Logs drops 1, 10, 100 and so on, so that a flood of packets does not flood the log.
        if str(self.figures.dropped).strip("0") == "1":
            log.warning("OSC: %s; %d dropped so far", why, self.figures.dropped)

    async def run(self) -> None:
        """Obey messages until cancelled, each started in its turn and none delayed by a long one."""
        try:
            async with asyncio.TaskGroup() as under_way:
                self._tasks = under_way
                while True:
                    message, sender = await self._waiting.get()
                    if self._start(under_way, message, sender):
                        await asyncio.sleep(0)
        finally:
            self._tasks = None

    def _started(self) -> None:
        self._starting = False

    def _start(self, under_way: asyncio.TaskGroup, message: Message, sender: Sender) -> bool:
        """Return true if the message is obeyed from the next turn on; it is dropped if too many are."""
        if self._under_way >= MOST_UNDER_WAY:
            self._drop("too many orders under way")
            return False
        self._under_way += 1
        under_way.create_task(self._serve_safely(message, sender)).add_done_callback(self._one_less)
        return True

    def _one_less(self, _: asyncio.Task[None]) -> None:
        self._under_way -= 1

    async def _serve_safely(self, message: Message, sender: Sender) -> None:
        try:
            await self._serve(message, sender)
        except Exception:
            log.exception("OSC: %s failed", message.address[:80])

    async def _serve(self, message: Message, sender: Sender) -> None:
        if message.address == STATE:
            self._answer_state(sender)
            return
        body = await self._obey(message, sender)
        if body is not None:
            self._answer(message, body, sender)

    async def _obey(self, message: Message, sender: Sender) -> Body | None:
        try:
            order = order_from(message)
        except Refusal as refusal:
            return refusal.body()
        if order is None:
            return None
        visitor = Visitor("an OSC sender", "osc", str(sender[0]))
        body = await answer_to(self._studio, order, visitor, with_state=False)
        # Good reports of a tracker get no answer: there are fifty a second.
        return None if order.get("do") == POSITION_REPORT and "error" not in body else body

    def _answer(self, message: Message, body: Body, sender: Sender) -> None:
        error = body.get("error")
        if error is not None:
            self.figures.refused += 1
        code, text = ("ok", body["note"]) if error is None else (error["code"], error["message"])
        self._send(Message(ANSWER, (code, message.address[:200], str(text)[:500])), sender)

    def _answer_state(self, sender: Sender) -> None:
        text = as_text(self._studio.state())
        if len(text) > LONGEST_STATE:
            self._send(
                Message(ANSWER, ("not_now", STATE, "the state is too long for OSC; ask over HTTP")), sender
            )
            return
        self._send(Message(STATE, (text,)), sender)

    def _send(self, message: Message, sender: Sender) -> None:
        if self._transport is not None and not self._transport.is_closing():
            port = self._table.answer_port or sender[1]
            self._transport.sendto(packet_of(message), (sender[0], port, *sender[2:]))
