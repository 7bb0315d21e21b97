"""Programs at the OSC door. Packets are made here by hand (Open Sound Control 1.0)."""

from __future__ import annotations

import asyncio
import json
import socket
import struct
from typing import TYPE_CHECKING, Any, cast

from simulation.machine.network import HERE, SimulatedSocket
from simulation.visitors.live_readers import strict_json

if TYPE_CHECKING:
    from simulation.world import World

ANSWERS_WITHIN_S = 1.0
Value = str | float | int


def _text(text: str) -> bytes:
    octets = text.encode() + b"\0"
    return octets + b"\0" * (-len(octets) % 4)


def message(address: str, *values: Value) -> bytes:
    """Return the octets of a message of texts, whole numbers and numbers."""
    tags, octets = ",", b""
    for value in values:
        if isinstance(value, str):
            tags, octets = tags + "s", octets + _text(value)
        elif isinstance(value, int):
            tags, octets = tags + "i", octets + struct.pack(">i", value)
        else:
            tags, octets = tags + "f", octets + struct.pack(">f", value)
    return _text(address) + _text(tags) + octets


def bundle(*messages: bytes) -> bytes:
    """Return the octets of a bundle that takes effect at once."""
    octets = b"".join(len(each).to_bytes(4, "big") + each for each in messages)
    return b"#bundle\0" + (1).to_bytes(8, "big") + octets


def texts_of(packet: bytes) -> tuple[str, list[str]]:
    """Return the address and the texts of a message that has nothing but texts."""
    parts, place = [], 0
    while place < len(packet):
        end = packet.index(b"\0", place)
        parts.append(packet[place:end].decode())
        place = end + 4 - end % 4
    return parts[0], parts[2:]


def address_of(rig: dict[str, Any]) -> tuple[str, int] | None:
    """Return the address of the OSC door in a rig's tables, if it has one."""
    osc = rig.get("doors", {}).get("osc")
    if osc is None:
        return None
    host, _, port = osc["listen"].partition(":")
    return host, int(port)


def packet_for(order: dict[str, Any]) -> bytes:
    """Return the message for an order: its own address where numbers keep their digits, else as JSON."""
    word, root = order["do"], "/fillside/"
    if set(order) == {"do"} and word in ("all", "follow", "freeze", "dark", "keep", "undo"):
        return message(root + word)
    if word == "move" and "mark" in order:
        return message(f"{root}move/{order['mark']}", 1)
    if word == "subject" and "to" in order:
        return message(f"{root}subject", *map(float, order["to"]))
    return message(f"{root}do", json.dumps(order))


class OscVisitor(asyncio.DatagramProtocol):
    """One sender, with a port of its own, to which the answers come."""

    def __init__(self, world: World) -> None:
        self._world = world
        own = cast(SimulatedSocket, world.network.socket(socket.AF_INET, socket.SOCK_DGRAM))
        own.bind((HERE, 0))
        self._own = own
        self._heard: asyncio.Queue[tuple[str, list[str]]] = asyncio.Queue()
        own.endpoint(lambda: self)

    def __enter__(self) -> OscVisitor:
        return self

    def __exit__(self, *_: object) -> None:
        self._own.close()

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self._heard.put_nowait(texts_of(data))

    def send(self, packet: bytes) -> None:
        """Send a packet to the door, wherever the rig file says that it is."""
        to = address_of(self._world.rig)
        if to is not None:
            try:
                self._own.sendto(packet, to)
            except OSError:
                return  # the network of the machine is gone

    async def answer(self, within_s: float = ANSWERS_WITHIN_S) -> tuple[str, list[str]] | None:
        """Return the next answer, None if none comes in time."""
        try:
            async with asyncio.timeout(within_s):
                return await self._heard.get()
        except TimeoutError:
            return None

    async def order(self, order: dict[str, Any]) -> dict[str, Any] | None:
        """Give an order; return the answer in the shape that other doors give it, without the state."""
        self.send(packet_for(order))
        found = await self.answer()
        if found is None:
            return None
        code, _, text = found[1]
        if code == "ok":
            return {"ok": True, "note": text, "state": None}
        return {"error": {"code": code, "message": text, "where": ""}}

    async def state(self) -> dict[str, Any] | None:
        """Return the state as this door shows it, None without an answer."""
        self.send(message("/fillside/state"))
        found = await self.answer()
        if found is None or found[0] != "/fillside/state":
            return None
        state: dict[str, Any] = strict_json(found[1][0].encode())
        return state
