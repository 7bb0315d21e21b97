"""Protocol: the MQTT driver against a real Mosquitto that dies, asks for passwords, and speaks TLS."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from fillside_drivers.cancellation import cancel_tasks
from fillside_drivers.driver import Driver, OpenError
from fillside_drivers.mqtt.bulb import Bulb
from fillside_drivers.mqtt.driver import CONNECTS_WITHIN_S, SIGN_EVERY_S, SIGN_WITHIN_S
from fillside_drivers.registry import build
from protocol.broker import Broker, broker, needs_mosquitto, until
from protocol.wires import WHO, loop_clock

pytestmark = needs_mosquitto

LAMP = {"send_to": "lamp/set", "reports_at": "lamp", "alive_at": "lamp/there", "most_per_s": 40.0}


def mqtt(port: int, drives: dict[str, dict[str, Any]], **options: Any) -> Driver:
    given = {"broker": "127.0.0.1", "port": port, **options}
    return build("bulbs", "mqtt", given, drives, clock=loop_clock, identity=WHO)


class Lamps:
    """The other side: bulbs that take levels, and report them if asked to."""

    def __init__(self, port: int) -> None:
        self._client = aiomqtt.Client("127.0.0.1", port)
        self.got: list[tuple[str, str]] = []
        self.say = self._client.publish

    def levels(self, topic: str = "lamp/set") -> list[int]:
        return [int(payload) for at, payload in self.got if at == topic]

    async def _listen(self) -> None:
        async for message in self._client.messages:
            assert isinstance(message.payload, bytes)
            self.got.append((str(message.topic), message.payload.decode()))

    @contextlib.asynccontextmanager
    async def listening(self, topic: str = "+/set") -> AsyncIterator[Lamps]:
        async with self._client:
            await self._client.subscribe(topic)
            task = asyncio.create_task(self._listen())
            try:
                yield self
            finally:
                await cancel_tasks([task])


async def test_levels_reach_the_bulbs_and_reports_come_back(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Lamps(server.port).listening() as lamps:
        driver = mqtt(server.port, {"key": LAMP})
        driver.send({"key": 7})
        async with driver:
            await until(lambda: lamps.levels() == [7])
            driver.send({"key": 200})
            await until(lambda: lamps.levels()[-1] == 200)
            await lamps.say("lamp", "200")
            await until(lambda: driver.health.heads["key"].code == 200)
            await lamps.say("lamp/there", "gone")
            await until(lambda: driver.health.heads["key"].state == "lost")
            await lamps.say("lamp/there", "online")
            await lamps.say("lamp", "255")
            await until(lambda: driver.health.heads["key"].state == "ok")
            assert driver.health.heads["key"].code == 255
        assert driver.health.state == "ok"


async def test_closing_puts_out_what_is_waiting(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Lamps(server.port).listening() as lamps:
        async with mqtt(server.port, {"key": {**LAMP, "most_per_s": 5.0}}) as driver:
            driver.send({"key": 10})
            await until(lambda: lamps.levels() == [10])
            driver.send({"key": 11})
        await until(lambda: lamps.levels() == [10, 11])


async def test_a_broker_that_dies_twenty_times_leaves_no_stale_level_and_no_leak(tmp_path: Path) -> None:
    async with Broker(tmp_path) as server:
        driver = mqtt(server.port, {"key": LAMP})
        async with driver:
            driver.send({"key": 1})
            await until(lambda: driver.health.state == "ok" and driver.health.frames_sent > 0)
            before = _open_descriptors(), len(asyncio.all_tasks())
            for turn in range(20):
                await server.kill()
                await until(lambda: driver.health.state == "lost")
                driver.send({"key": 100 + turn})
                driver.send({"key": 50 + turn})
                await server.start()
                async with Lamps(server.port).listening() as lamps:
                    await until(lambda: driver.health.state == "ok", 20.0)
                    await lamps.say("lamp/there", "online")
                    await lamps.say("lamp", "50")
                    await until(lambda lamps=lamps, turn=turn: lamps.levels()[-1:] == [50 + turn], 20.0)
                    assert set(lamps.levels()) <= {50 + turn}
            await until(lambda: driver.health.state == "ok")
            gc.collect()
            await until(lambda: len(asyncio.all_tasks()) <= before[1])
            assert _open_descriptors() <= before[0] + 1


def _open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


async def test_a_broker_that_hangs_is_missed_though_its_connection_stays_open(tmp_path: Path) -> None:
    """The protocol's keep-alive, an hour here, has no part in it."""
    assert SIGN_EVERY_S + SIGN_WITHIN_S < 5.0
    assert CONNECTS_WITHIN_S < 5.0
    async with Broker(tmp_path) as server, mqtt(server.port, {"key": LAMP}, keepalive_s=3600) as driver:
        driver.send({"key": 3})
        await until(lambda: driver.health.frames_sent == 1)
        server.hang()
        await until(lambda: driver.health.state == "lost", 60.0)
        assert "does not answer" in driver.health.note
        server.go_on()
        await until(lambda: driver.health.state == "ok", 60.0)


async def test_a_wrong_password_is_said_and_no_secret_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    passwords = _password_file(tmp_path)
    monkeypatch.setenv("STUDIO_USER", "studio")
    (tmp_path / "secret").write_text("wrong-one\n")
    secret = {"user_from": "env:STUDIO_USER", "password_from": f"file:{tmp_path / 'secret'}"}
    async with broker(tmp_path, f"password_file {passwords}", anonymous=False) as server:
        driver = mqtt(server.port, {"key": LAMP}, **secret)
        async with driver:
            await until(lambda: driver.health.state == "lost")
            assert "wrong-one" not in driver.health.note
            assert "not authori" in driver.health.note.lower() or "bad user" in driver.health.note.lower()
        (tmp_path / "secret").write_text("right-one\n")
        async with mqtt(server.port, {"key": LAMP}, **secret) as driver:
            driver.send({"key": 3})
            await until(lambda: driver.health.frames_sent == 1)


def _password_file(folder: Path) -> Path:
    passwords = folder / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "studio", "right-one"], check=True)
    passwords.chmod(0o644)
    folder.chmod(0o755)
    return passwords


async def test_a_fault_of_ours_is_said_and_begun_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fault(*_: object) -> bool:
        monkeypatch.undo()
        raise ZeroDivisionError

    async with broker(tmp_path) as server, Lamps(server.port).listening() as lamps:
        lamp = {"send_to": "lamp/set", "reports_at": "lamp"}
        async with mqtt(server.port, {"key": lamp}) as driver:
            driver.send({"key": 100})
            await until(lamps.levels)
            states: list[str] = []
            driver.watch(lambda health: states.append(health.state))
            monkeypatch.setattr(Bulb, "receive", fault)
            await lamps.say("lamp", "100")
            await until(lambda: "lost" in states and driver.health.state == "ok")
            before = len(lamps.levels())
            await lamps.say("lamp", "100")
            driver.send({"key": 120})
            await until(lambda: 120 in lamps.levels()[before:])


async def test_a_secret_that_is_not_where_it_should_be_is_said_at_opening(tmp_path: Path) -> None:
    driver = mqtt(1, {"key": LAMP}, user_from="env:NO_SUCH_VARIABLE_HERE")
    with pytest.raises(OpenError, match="NO_SUCH_VARIABLE_HERE, which is not set"):
        async with driver:
            pass
    driver = mqtt(1, {"key": LAMP}, user_from=f"file:{tmp_path / 'nothing'}")
    with pytest.raises(OpenError, match="cannot be read"):
        async with driver:
            pass


async def test_tls_with_a_private_authority(tmp_path: Path) -> None:
    _certificates(tmp_path)
    lines = (f"certfile {tmp_path}/server.pem", f"keyfile {tmp_path}/server.key")
    async with broker(tmp_path, *lines) as server:
        trusting = mqtt(server.port, {"key": LAMP}, tls=True, ca_file=str(tmp_path / "ca.pem"))
        async with trusting:
            trusting.send({"key": 3})
            await until(lambda: trusting.health.frames_sent == 1)
        async with mqtt(server.port, {"key": LAMP}, tls=True) as distrusting:
            distrusting.send({"key": 3})
            await until(lambda: distrusting.health.state == "lost")
            assert "certificate" in distrusting.health.note.lower()


def _certificates(folder: Path) -> None:
    """A private authority and a certificate of 127.0.0.1, made by openssl."""

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], check=True, capture_output=True, cwd=folder)

    new_key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    subject = ("-subj", "/CN=studio authority")
    openssl("req", "-x509", *new_key, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", *subject)
    openssl("req", *new_key, "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=127.0.0.1")
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    signed = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "names")
    openssl("x509", "-req", "-in", "server.csr", "-out", "server.pem", *signed)
    (folder / "server.key").chmod(0o644)
    folder.chmod(0o755)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_two_hundred_bulbs_on_one_connection(tmp_path: Path, version: str) -> None:
    drives = {f"head-{k}": {"send_to": f"bulb-{k}/set", "most_per_s": 5.0} for k in range(200)}
    async with broker(tmp_path) as server, Lamps(server.port).listening() as lamps:
        async with mqtt(server.port, drives, version=version) as driver:
            for step in range(1, 21):
                driver.send(dict.fromkeys(drives, step))
                await asyncio.sleep(0.01)
            await until(lambda: all(lamps.levels(f"bulb-{k}/set")[-1:] == [20] for k in range(200)))
        for k in range(200):
            assert len(lamps.levels(f"bulb-{k}/set")) <= 4
