"""Wild and torn input for the doors, and a watch over the light while it comes.

Half of it is octets by chance, half are sound messages with something wrong: octets changed, cut, doubled.
Whatever a door refuses must leave the studio as it was, whatever it answers must have one of the codes there
are, and nothing may be logged as a fault.
"""

from __future__ import annotations

import json
import logging
import random
import struct
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from fillside.answers import STATUS_OF_CODE
from fillside.daemon import Running
from fillside.interfaces.mqtt.door import Mailbox
from fillside.interfaces.mqtt.homie_door import HomieDevice
from fillside.interfaces.mqtt.words import Heard
from fillside.interfaces.osc.door import OscListener
from fillside.interfaces.osc.packet import Message, packet_of
from fillside.rig.doors import MqttDoor, OscDoor

BASE, HOMIE = "fillside/corner/", "homie/5/fillside-corner/"
ORDERS: list[dict[str, Any]] = [
    {"do": "trim", "role": "fill", "by": -1},
    {"do": "trim", "role": "key", "to": "out"},
    {"do": "balance", "ratio": "3:1", "relative": {}},
    {"do": "expose", "by": 0.333},
    {"do": "camera", "aperture": 2.8, "iso": 800},
    {"do": "move", "to": [0.6, 0.3, 1.25]},
    {"do": "move", "mark": "desk"},
    {"do": "subject", "to": [0.6, 0.3, 1.25]},
    {"do": "dark"},
    {"do": "only", "head": "key", "level": 0.5},
    {"do": "read", "head": "key", "level": 1.0, "at": "chair", "value": 640, "unit": "lux"},
]
SAID = [json.dumps(order).encode() for order in ORDERS]
TOPICS = [BASE + "do", BASE + "subject", BASE + "meter/sensor", BASE + "meter/\u00e9"]
PLACES = [b'{"to": [0.6, 0.3, 1.25]}', b"desk", b"[0.6, 0.3, 1.25]", b"640", b'{"value": 640, "unit": "fc"}']
SETTINGS = [b"3.00", b"true", b"freeze", b"desk", b"-0.5", b"camera"]
PROPERTIES = ["balance/ratio", "balance/exposure", "studio/mode", "trims/fill", "out/key", "now/ratio", "x/y"]
OSC = [
    packet_of(Message(f"/fillside/{address}", values))
    for address, values in (
        ("trim/fill", (-1.0,)),
        ("mode", ("freeze",)),
        ("move/desk", (1,)),
        ("subject", (0.6, 0.3, 1.25)),
        ("do", ('{"do": "dark"}',)),
        ("state", ()),
        ("dark", ()),
    )
]


def octets(rng: random.Random, most: int = 80) -> bytes:
    return rng.randbytes(rng.randrange(most))


def torn(rng: random.Random, sound: bytes) -> bytes:
    """A sound message with one to four things wrong."""
    body = bytearray(sound)
    for _ in range(rng.randint(1, 4)):
        place = rng.randrange(len(body) + 1)
        match rng.randrange(5):
            case 0 if body:
                body[place % len(body)] = rng.randrange(256)
            case 1:
                del body[place : place + rng.randint(1, 4)]
            case 2:
                body[place:place] = rng.randbytes(rng.randint(1, 4))
            case 3:
                body[place:place] = body[place : place + rng.randint(1, 8)]
            case _:
                body[place:place] = rng.choice([b"null", b"NaN", b"1e999", b"-1", b'"', b"{", b"[", b"\x00"])
    return bytes(body)


def wild(rng: random.Random, sound: list[bytes]) -> bytes:
    return octets(rng) if rng.random() < 0.5 else torn(rng, rng.choice(sound))


def bundle(rng: random.Random) -> bytes:
    """A bundle of torn messages, with sizes that are true or not."""
    parts = [torn(rng, rng.choice(OSC)) for _ in range(rng.randrange(4))]
    sizes = [len(part) if rng.random() < 0.7 else rng.randint(-(2**31), 2**31 - 1) for part in parts]
    body = b"".join(struct.pack(">i", size) + part for size, part in zip(sizes, parts, strict=True))
    tag = rng.choice([b"\x00" * 7 + b"\x01", rng.randbytes(8)])
    return b"#bundle\x00" + tag + body


class Watch(logging.Handler):
    """Counts what came of it, and holds everything to what is promised."""

    def __init__(self, up: Running) -> None:
        super().__init__(logging.ERROR)
        self._up = up
        self.counts: Counter[str] = Counter()
        self.faults: list[str] = []
        self._answers: list[str] = []
        self._before: Any = None

    def emit(self, record: logging.LogRecord) -> None:
        self.faults.append(self.format(record))

    def answered(self, text: str | bytes) -> None:
        self._answers.append(text if isinstance(text, str) else text.decode())

    def begin(self) -> None:
        self._answers.clear()
        self._before = self._up.runner._hold.remember()

    def end(self, sent: object, *, silent: bool = False) -> None:
        """What was obeyed may have changed something; what was not must have changed nothing.

        `silent` is input that is not answered where it is obeyed: a tracker's report, a meter nobody asked.
        """
        codes = [_code(text) for text in self._answers]
        assert all(code == "ok" or code in STATUS_OF_CODE for code in codes), (sent, self._answers)
        obeyed = "ok" in codes
        self.counts.update(codes or ["silence"])
        if not obeyed and not silent:
            assert self._up.runner._hold.remember() == self._before, sent
        assert not self.faults, (sent, self.faults)


def _code(text: str) -> str:
    said = json.loads(text)
    return "ok" if said.get("ok") else str(said["error"]["code"])


@contextmanager
def watched(up: Running) -> Iterator[Watch]:
    watch = Watch(up)
    logging.getLogger().addHandler(watch)
    try:
        yield watch
    finally:
        logging.getLogger().removeHandler(watch)


async def mqtt_fuzz(up: Running, watch: Watch, rng: random.Random, number: int) -> None:
    """Wild messages at every topic of the mailbox."""
    mailbox = Mailbox(up.rig, MqttDoor(), up.runner, "fuzz", _still)

    async def say(topic: str, payload: str | bytes, **_: Any) -> None:
        assert topic == BASE + "said"
        watch.answered(payload)

    mailbox.connection.say = say  # type: ignore[method-assign,assignment]
    for _ in range(number):
        topic = rng.choice(TOPICS)
        payload = wild(rng, SAID if topic.endswith("do") else PLACES)
        mailbox._told_report_s = -10.0
        watch.begin()
        await mailbox._take(Heard(topic, payload, came_unix_s=1e10))
        watch.end((topic, payload), silent=topic != BASE + "do" and not watch._answers)


async def homie_fuzz(up: Running, watch: Watch, rng: random.Random, number: int) -> None:
    """Wild settings of every property."""
    device = HomieDevice(up.rig, MqttDoor(), up.runner, "fuzz", _still, lambda: 0.0)

    async def say(topic: str, payload: str | bytes, **_: Any) -> None:
        if topic.endswith("$target"):
            watch.answered('{"ok": true}')
        if topic.endswith("$log/warn"):
            watch.answered('{"error": {"code": "bad_order"}}')

    device.connection.say = say  # type: ignore[method-assign,assignment]
    for _ in range(number):
        path = rng.choice(PROPERTIES) if rng.random() < 0.9 else octets(rng, 8).hex()
        payload = wild(rng, SETTINGS)
        watch.begin()
        await device._take(Heard(f"{HOMIE}{path}/set", payload))
        watch.end((path, payload))


async def osc_fuzz(up: Running, watch: Watch, rng: random.Random, number: int) -> None:
    """Wild packets."""
    listener = OscListener(OscDoor(), up.runner, lambda: 0.0)

    def send(message: Message, _: Any) -> None:
        packet_of(message)
        if message.address.endswith("said"):
            code = message.values[0]
            watch.answered('{"ok": true}' if code == "ok" else json.dumps({"error": {"code": code}}))

    listener._send = send  # type: ignore[method-assign]
    for _ in range(number):
        packet = bundle(rng) if rng.random() < 0.3 else wild(rng, OSC)
        watch.begin()
        listener.datagram_received(packet, ("127.0.0.1", 9))
        while not listener._waiting.empty():
            message, sender = listener._waiting.get_nowait()
            await listener._serve(message, sender)
        watch.end(packet, silent=b"/fillside/subject" in packet)
    listener.connection_lost(None)


def _still() -> float:
    return 0.0


Fuzz = Callable[[Running, Watch, random.Random, int], Any]
FUZZERS: dict[str, Fuzz] = {"mqtt": mqtt_fuzz, "homie": homie_fuzz, "osc": osc_fuzz}
