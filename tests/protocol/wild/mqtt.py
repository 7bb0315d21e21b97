"""Wild MQTT messages: to the door, to the Homie device, and reports of bulbs, each as it was received."""

from __future__ import annotations

import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fillside.doors.mqtt.homie_device import HomieDevice
from fillside.doors.mqtt.listener import MqttListener
from fillside.doors.mqtt.messages import ReceivedMessage
from fillside.rig.tables.doors import MqttDoor
from fillside_drivers.mqtt.driver import MqttDriver
from fillside_drivers.mqtt.payloads import reported_code
from fillside_drivers.system import System
from protocol.wild.light import Light, code_of, strict, studio
from protocol.wild.matter import json_of, spoiled, text, torn, value
from protocol.wild.orders import body
from protocol.wild.trial import Kind, one_line
from rigs import head_at, toml

BASE, HOMIE = "fillside/corner/", "homie/5/fillside-corner/"
METERS = ("window", "sensor", "é", "", "a/b", "x" * 300, "\x1b[31m")
PLACES: tuple[Any, ...] = ({"to": [0.6, 0.3, 1.25]}, {"mark": "desk"}, [0.6, 0.3, 1.25], "desk")
VALUES: tuple[Any, ...] = (
    640,
    640.5,
    {"value": 8.3, "unit": "ev100"},
    {"value": 640, "unit": "lux", "head": "key"},
)
SETTINGS = (
    "3.00",
    "true",
    "freeze",
    "desk",
    "-0.5",
    "camera",
    "undo",
    "(none)",
    "nan",
    "1e99",
    "-.5",
    "6.0000000001",
)
PROPERTIES = (
    *("balance/ratio", "balance/exposure", "balance/exposure-stops", "balance/exposure-from", "studio/mode"),
    *("studio/mark", "studio/action", "trims/fill", "out/key", "now/ratio", "x/y", "", "balance", "$state"),
)
ELSEWHERE = (
    None,
    None,
    "fillside/corner/said/me",
    "fillside/corner/do",
    "a/#",
    "+",
    "$SYS/x",
    "",
    "x" * 2000,
    "a\0b",
)
PLAIN: dict[str, Any] = {"send_to": "lamp/plain/set", "reports_at": "lamp/plain"}
NESTED: dict[str, Any] = {
    "send_to": "lamp/nested/set",
    "send_as": '{"level": {code}}',
    "fade_field": "over",
    "full_scale": 254,
    "reports_at": "lamp/nested",
    "reports_field": "state.level",
    "ask_to": "lamp/nested/get",
    "alive_at": "lamp/alive",
}
SHARED: dict[str, Any] = {"send_to": "lamp/share/set", "send_as": "{share}", "reports_at": "lamp/nested"}
REPORTS: tuple[Any, ...] = (
    0,
    200,
    254,
    255,
    256,
    -1,
    0.5,
    True,
    None,
    "200",
    {"state": {"level": 200}},
    [200],
    {"level": 1},
)
TABLES = toml(
    {
        "heads": [
            head_at(name, [x, 1.0, 2.1], holds_like="hair", intensity=900, drive={"driver": "bulbs", **drive})
            for name, x, drive in (("plain", 0.8, PLAIN), ("nested", 1.0, NESTED), ("shared", 1.2, SHARED))
        ],
        "sensors": {"window": {}},
        "drivers": {"bulbs": {"kind": "mqtt", "broker": "127.0.0.1", "port": 1}},
    }
)


def _payload(rng: random.Random, sound: Any) -> bytes:
    pick = rng.random()
    if pick < 0.15:
        return rng.randbytes(rng.randrange(80))
    if pick < 0.2:
        return text(rng).encode("utf-8", "surrogatepass")
    tree = spoiled(rng, sound) if isinstance(sound, dict | list) and pick < 0.7 else sound
    return json_of(rng, tree if pick < 0.85 else value(rng))


def heard(rng: random.Random) -> ReceivedMessage:
    """A message for the door, for the Homie device or from a bulb."""
    pick = rng.random()
    if pick < 0.4:
        topic, payload = f"{BASE}do", body(rng)
    elif pick < 0.5:
        topic, payload = f"{BASE}subject", _payload(rng, rng.choice(PLACES))
    elif pick < 0.6:
        topic, payload = f"{BASE}meter/{rng.choice(METERS)}", _payload(rng, rng.choice(VALUES))
    elif pick < 0.8:
        path = rng.choice(PROPERTIES) if rng.random() < 0.95 else text(rng)
        setting = rng.choice(SETTINGS) if rng.random() < 0.7 else text(rng)
        payload = setting.encode("utf-8", "surrogatepass")
        topic, payload = f"{HOMIE}{path}/set", torn(rng, payload) if rng.random() < 0.3 else payload
    else:
        topic = rng.choice(("lamp/plain", "lamp/nested", "lamp/nested", "lamp/alive"))
        payload = _payload(rng, rng.choice(REPORTS))
    return ReceivedMessage(
        topic,
        payload,
        retained=rng.random() < 0.05,
        age_s=rng.choice((0.0, 0.0, 0.0, 0.1, 6.0)),
        came_unix_s=1e10,
        expires_s=rng.choice((None, None, None, 0.0, 3.0)),
        answer_to=rng.choice(ELSEWHERE),
        correlation=rng.choice((None, rng.randbytes(9))),
    )


class Messages:
    """Messages as the client library hands them on."""

    def __init__(self, light: Light) -> None:
        self._light, rig = light, light.up.rig
        self._mailbox = MqttListener(rig, MqttDoor(), light, "fuzz", _StillSystem())
        self._device = HomieDevice(rig, MqttDoor(), light, "fuzz", _StillSystem())
        self._mailbox.connection.publish = self._said  # type: ignore[method-assign,assignment]
        self._device.connection.publish = self._told  # type: ignore[method-assign,assignment]
        driver = light.up.drivers["bulbs"]
        assert isinstance(driver, MqttDriver)
        self._driver = driver
        self._obeyed = False

    async def _said(self, topic: str, payload: str | bytes, **_: Any) -> None:
        assert not any(char in topic for char in "+#\0")
        assert code_of(strict(payload)) != "internal"

    async def _told(self, topic: str, payload: str | bytes, **_: Any) -> None:
        assert topic.startswith(HOMIE)
        if topic.endswith("$log/warn"):
            assert isinstance(payload, str)
            assert "Fillside failed here" not in one_line(payload)

    def make(self, rng: random.Random) -> ReceivedMessage:
        return heard(rng)

    async def feed(self, made: ReceivedMessage) -> str:
        if made.topic.startswith("lamp/"):
            return self._report(made)
        self._light.begin()
        # Reports that were refused are told once a second; here each one.
        self._mailbox._refused_report_s = -10.0
        await (self._device if made.topic.startswith(HOMIE) else self._mailbox)._take(made)
        return self._light.end()

    def _report(self, made: ReceivedMessage) -> str:
        """What a bulb says: a level, that it is there, or nothing; what says nothing changes nothing."""
        self._light.begin()
        driver, now, means = self._driver, self._driver._clock(), False
        for bulb in driver._by_topic[made.topic]:
            bulb.judge(now)
            before, says_level = bulb.status, None
            if made.topic == bulb.drive.report_topic:
                says_level = reported_code(bulb.drive, made.payload)
                assert says_level is None or 0 <= says_level <= bulb.drive.full_scale
            changed = bulb.receive(made.topic, made.payload, now, made.retained)
            if says_level is not None or made.topic == bulb.drive.alive_topic:
                means = True
            else:
                assert not changed
                assert bulb.status == before, "what is no report changed what is known"
            for message in bulb.take(now):
                assert message.topic.startswith("lamp/")
            if changed:
                driver._report_heads()
        return self._light.end(accepted=means)

    async def check(self) -> None:
        await self._light.check()


class _StillSystem(System):
    def clock(self) -> float:
        return 0.0


@asynccontextmanager
async def messages(folder: Path) -> AsyncIterator[Kind]:
    async with studio(folder, TABLES) as light:
        yield Messages(light)
