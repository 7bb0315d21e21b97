"""Wild OSC packets: octets by chance, messages whose tags and padding lie, bundles whose sizes do."""

from __future__ import annotations

import math
import random
import struct
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fillside.doors.osc.addresses import ADDRESSES, ROOT
from fillside.doors.osc.listener import OscListener
from fillside.doors.osc.packet import Message, packet_of
from fillside.rig.tables.doors import OscDoor
from protocol.wild.light import Light, studio
from protocol.wild.matter import json_of, spoiled, text, torn
from protocol.wild.orders import ORDERS
from protocol.wild.trial import Kind, one_line

NAMES = (
    "fill",
    "key",
    "desk",
    "chair",
    "iso",
    "aperture",
    "shutter",
    "do",
    "nobody",
    "*",
    "{a,b}",
    "",
    "\x1b[31m",
)
WORDS = ("out", "camera", "desk", "freeze", "dark", "3:1", "1/3", "nan", "")
REALS = (math.nan, math.inf, -math.inf, 0.0, -0.0, 1e-45, 3e38, -3e38)
HERE = ("127.0.0.1", 9)
NOISE = b"noise"
"""Marks octets by chance, none of which may be obeyed."""


def padded(octets: bytes) -> bytes:
    return octets + bytes(4 - len(octets) % 4)


def argument(rng: random.Random) -> tuple[str, bytes]:
    """An argument's tag and octets, as OSC 1.0 has them; some of kinds that we do not know."""
    tag = rng.choice("iiffffdhsssbTFNItcrm[]\x00z")
    whole = rng.choice((0, 1, -1, 7, 2**31 - 1, -(2**31), rng.randint(-500, 500)))
    match tag:
        case "i" | "c" | "r" | "m":
            return tag, struct.pack(">i", whole)
        case "f":
            return tag, rng.randbytes(4) if rng.random() < 0.1 else struct.pack(">f", _real(rng))
        case "d" | "h" | "t":
            return tag, rng.randbytes(8) if rng.random() < 0.3 else struct.pack(">d", _real(rng))
        case "s":
            said = rng.choice(WORDS) if rng.random() < 0.5 else text(rng)
            if rng.random() < 0.3:
                return tag, padded(json_of(rng, spoiled(rng, rng.choice(ORDERS))).replace(b"\0", b""))
            return tag, padded(said.encode("utf-8", "surrogatepass"))
        case "b":
            return tag, struct.pack(">i", rng.choice((0, 4, -1, 2**31 - 1, 7))) + rng.randbytes(4)
    return tag, b""


def _real(rng: random.Random) -> float:
    return rng.choice(REALS) if rng.random() < 0.2 else rng.uniform(-8, 8)


def message(rng: random.Random) -> bytes:
    path = rng.choice(ADDRESSES).path if rng.random() < 0.9 else rng.choice(("state", "said", "", text(rng)))
    parts = [rng.choice(NAMES) if part.isupper() else part for part in path.split("/")]
    address = rng.choice((ROOT, ROOT, ROOT, ROOT, "/", "/FILLSIDE/", "")) + "/".join(parts)
    arguments = [argument(rng) for _ in range(rng.choice((0, 1, 1, 1, 3, 3, 5)))]
    tags = "," + "".join(tag for tag, _ in arguments)
    body = [octets for _, octets in arguments]
    match rng.randrange(12):
        case 0:
            tags += rng.choice("ifs[") * rng.choice((1, 2, 300))
        case 1:
            tags = tags[1:] or "i"
        case 2 if body:
            body.pop()
        case 3:
            body.append(rng.randbytes(rng.randrange(9)))
    return padded(address.encode("utf-8", "surrogatepass")) + padded(tags.encode()) + b"".join(body)


def sound(rng: random.Random) -> bytes:
    values: tuple[Any, ...] = rng.choice(((-1.0,), ("out",), (1,), (), (0.6, 0.3, 1.25), ("desk",), (3.0,)))
    path = rng.choice(ADDRESSES).path
    parts = [rng.choice(NAMES[:7]) if part.isupper() else part for part in path.split("/")]
    return packet_of(Message(ROOT + "/".join(parts), values))


def bundle(rng: random.Random, depth: int = 0) -> bytes:
    """Messages and bundles one after the other, with sizes that are true or not, for any time."""
    count = rng.choice((0, 1, 2, 3, 3, 70)) if depth == 0 else rng.randrange(3)
    parts = [
        bundle(rng, depth + 1) if rng.random() < 0.3 and depth < 6 else _element(rng) for _ in range(count)
    ]
    sizes = [
        len(part)
        if rng.random() < 0.8
        else rng.choice((0, -4, len(part) + 4, len(part) - 4, 2**31 - 1, -(2**31)))
        for part in parts
    ]
    body = b"".join(struct.pack(">i", size) + part for size, part in zip(sizes, parts, strict=True))
    soon = int((time.time() + 2_208_988_800 + rng.uniform(-2, 12)) * 2**32).to_bytes(8, "big")
    tag = rng.choice((b"\x00" * 7 + b"\x01", b"\x00" * 7 + b"\x01", rng.randbytes(8), soon, bytes(8)))
    return b"#bundle\x00" + tag + body


def _element(rng: random.Random) -> bytes:
    return rng.choice((message, message, sound))(rng)


WAYS: tuple[Callable[[random.Random], bytes], ...] = (
    message,
    message,
    message,
    sound,
    bundle,
    bundle,
    lambda rng: torn(rng, sound(rng)),
    lambda rng: torn(rng, bundle(rng)),
    lambda rng: packet_of(Message(f"{ROOT}do", ("x" * rng.choice((8150, 8200, 60_000)),))),
)


def packet(rng: random.Random) -> bytes:
    """One packet; one in ten is octets by chance."""
    return rng.choice(WAYS)(rng) if rng.random() < 0.9 else NOISE + rng.randbytes(rng.randrange(80))


class Packets:
    """Packets as they come in at the door's socket."""

    def __init__(self, light: Light) -> None:
        self._light = light
        self._listener = OscListener(OscDoor(), light, time.time)
        self._listener._send = self._sent  # type: ignore[method-assign]

    def _sent(self, message: Message, _: Any) -> None:
        """What is answered fits into a packet, and says in one line what became of it."""
        packet_of(message)
        if message.address.endswith("said"):
            assert message.values[0] != "internal"
            assert message.values[0] == "ok" or one_line(message.values[2])

    def make(self, rng: random.Random) -> bytes:
        return packet(rng)

    async def feed(self, made: bytes) -> str:
        listener = self._listener
        self._light.begin()
        dropped = listener.figures.dropped
        listener.datagram_received(made.removeprefix(NOISE), HERE)
        while not listener._waiting.empty():
            await listener._serve(*listener._waiting.get_nowait())
        became = self._light.end()
        if became == "refused" and listener.figures.dropped == dropped and not listener.figures.refused:
            became = "unanswered"
        assert not (became == "accepted" and made.startswith(NOISE) and not listener._later), (
            "noise was obeyed"
        )
        return became

    async def check(self) -> None:
        for handle in list(self._listener._later):
            handle.cancel()
        self._listener._later.clear()
        await self._light.check()


@asynccontextmanager
async def packets(folder: Path) -> AsyncIterator[Kind]:
    async with studio(folder) as light:
        kind = Packets(light)
        yield kind
        kind._listener.connection_lost(None)
