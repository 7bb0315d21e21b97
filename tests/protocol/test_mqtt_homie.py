"""Protocol: the rig as a Homie device on a real Mosquitto, and who may say what there.

Source of the rules of Homie: its convention, version 5 (homieiot.github.io/specification, as of 2024-10-17).
"""

from __future__ import annotations

import asyncio
import json
import shutil
from pathlib import Path

import pytest

from protocol.broker import Broker, broker, needs_mosquitto, until
from protocol.peer import BASE, Peer, text_of
from protocol.relay import relay
from protocol.studio import running

pytestmark = needs_mosquitto
HOMIE = "homie/5/fillside-corner/"
ACCESS = Path(__file__).resolve().parents[2] / "config" / "broker-access.acl"
SECRETS = 'user_from = "env:STUDIO_USER"\npassword_from = "env:STUDIO_USER"'


def door(port: int, more: str = "") -> str:
    return f"[doors.mqtt]\nport = {port}\n{more}\n"


def states(peer: Peer) -> list[str]:
    return peer.texts(HOMIE + "$state")


async def test_a_device_is_described_before_it_is_ready(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Peer(server.port).listening("homie/#") as peer:
        async with running(tmp_path, door(server.port)):
            await until(lambda: states(peer) == ["init", "ready"])
            topics = [str(message.topic) for message in peer.got]
            ready = [i for i, topic in enumerate(topics) if topic == HOMIE + "$state"][1]
            told = json.loads(peer.texts(HOMIE + "$description")[0])
            assert topics.index(HOMIE + "$description") < ready
            for node, content in told["nodes"].items():
                for name, each in content["properties"].items():
                    topic = f"{HOMIE}{node}/{name}"
                    if each.get("retained", True):
                        assert topic in topics[:ready], topic
                        assert (f"{topic}/$target" in topics) == each.get("settable", False)
        await until(lambda: states(peer) == ["init", "ready", "disconnected"])


async def test_every_state_is_a_word_of_the_convention(tmp_path: Path) -> None:
    """Convention 5, device life cycle: five words, of which a studio has no use for sleeping."""
    words = {"init", "ready", "disconnected", "sleeping", "lost"}
    async with broker(tmp_path) as server, Peer(server.port).listening("homie/#") as peer:
        async with relay(server.port) as wire, running(tmp_path, door(wire.port)):
            await until(lambda: states(peer)[-1:] == ["ready"])
            wire.cut()
            await until(lambda: states(peer)[-1:] == ["lost"])
            wire.mend()
            await until(lambda: states(peer)[-1:] == ["ready"])
        await until(lambda: states(peer)[-1:] == ["disconnected"])
        assert set(states(peer)) == words - {"sleeping"}


async def test_what_a_controller_finds_when_it_comes_later_is_retained(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, running(tmp_path, door(server.port)) as up:
        await until(lambda: up.doors.figures["homie"].state == "ok")
        async with Peer(server.port).listening("+/5/+/$state") as peer:
            await until(lambda: states(peer) == ["ready"])
        async with Peer(server.port).listening("homie/#") as peer:
            await until(lambda: peer.texts(HOMIE + "studio/mode") == ["follow"])
            assert all(message.retain for message in peer.got)


async def test_a_setting_is_echoed_byte_for_byte_and_then_becomes_the_value(tmp_path: Path) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening("homie/#") as peer,
        running(tmp_path, door(server.port)) as up,
    ):
        await until(lambda: states(peer)[-1:] == ["ready"])
        await peer.say(HOMIE + "balance/ratio/set", "3.00")
        await until(lambda: peer.texts(HOMIE + "balance/ratio")[-1] == "3")
        assert peer.texts(HOMIE + "balance/ratio/$target")[-1] == "3.00"
        assert up.runner.state()["balance"]["ratio"] == 3.0
        await peer.say(HOMIE + "studio/mode/set", "freeze")
        await until(lambda: peer.texts(HOMIE + "studio/mode")[-1] == "freeze")
        await peer.say(HOMIE + "studio/action/set", "undo")
        await until(lambda: peer.texts(HOMIE + "studio/mode")[-1] == "follow")
        assert peer.texts(HOMIE + "studio/action") == []


async def test_what_another_door_wants_becomes_value_and_target(tmp_path: Path) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port)),
    ):
        await until(lambda: states(peer)[-1:] == ["ready"])
        await peer.say(HOMIE + "trims/fill/set", "-0.50")
        await until(lambda: peer.texts(HOMIE + "trims/fill")[-1] == "-0.5")
        await peer.say(BASE + "do", {"do": "trim", "role": "fill", "to": 1})
        await until(lambda: peer.texts(HOMIE + "trims/fill")[-1] == "1")
        assert peer.texts(HOMIE + "trims/fill/$target")[-1] == "1"


@pytest.mark.parametrize(("path", "payload"), [("balance/ratio", "much"), ("now/ratio", "2"), ("x/y", "2")])
async def test_a_setting_that_cannot_be_is_logged_and_changes_nothing(
    tmp_path: Path, path: str, payload: str
) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port)) as up,
    ):
        await until(lambda: states(peer)[-1:] == ["ready"])
        before = up.runner.state()["balance"]
        await peer.say(f"{HOMIE}{path}/set", payload)
        await until(lambda: bool(peer.texts(HOMIE + "$log/warn")))
        assert up.runner.state()["balance"] == before
        assert not peer.texts(f"{HOMIE}{path}/$target")[1:]


async def test_a_setting_that_the_broker_kept_is_not_obeyed(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Peer(server.port).listening() as peer:
        await peer.say(HOMIE + "studio/mode/set", "dark", retain=True)
        async with relay(server.port) as wire, running(tmp_path, door(wire.port)) as up:
            await until(lambda: states(peer)[-1:] == ["ready"])
            wire.cut()
            await until(lambda: states(peer)[-1:] == ["lost"])
            await peer.say(HOMIE + "studio/mode/set", "dark")
            wire.mend()
            await until(lambda: states(peer)[-1:] == ["ready"])
            await peer.say(HOMIE + "studio/mark/set", "desk")
            await until(lambda: peer.texts(HOMIE + "studio/mark")[-1] == "desk")
            assert up.runner.state()["mode"] == "follow"


async def test_an_alert_of_an_earlier_life_is_taken_back(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Peer(server.port).listening() as peer:
        await peer.say(HOMIE + "$alert/driver-room", "driver room is lost", retain=True)
        async with running(tmp_path, door(server.port)):
            await until(lambda: states(peer)[-1:] == ["ready"])
            assert peer.texts(HOMIE + "$alert/driver-room") == ["driver room is lost", ""]


async def test_a_changed_rig_is_described_anew_by_a_higher_version(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Peer(server.port).listening("homie/#") as peer:
        for more in ([], ["window = [0.2, 0.4, 1.2]"]):
            async with running(tmp_path, door(server.port), *more) as up:
                await until(lambda up=up: up.doors.figures["homie"].state == "ok")
        await until(lambda: states(peer) == ["init", "ready", "disconnected"] * 2)
        old, new = map(json.loads, peer.texts(HOMIE + "$description"))
        assert old["nodes"]["studio"]["properties"]["mark"]["format"] == "chair,desk,(none)"
        assert new["nodes"]["studio"]["properties"]["mark"]["format"] == "window,chair,desk,(none)"
        assert new["version"] > old["version"]


async def _guarded(folder: Path) -> Broker:
    """A broker with the access file of the examples; every user's password is its name."""
    passwords, access = folder / "passwords", folder / "access"
    for name in ("fillside", "operator", "automation", "viewer", "tracker", "sensor", "nobody"):
        new = [] if passwords.exists() else ["-c"]
        made = await asyncio.create_subprocess_exec(
            "mosquitto_passwd", "-b", *new, str(passwords), name, name
        )
        assert await made.wait() == 0
    await asyncio.to_thread(shutil.copy, ACCESS, access)
    return Broker(folder, f"password_file {passwords}", f"acl_file {access}", anonymous=False)


ORDERS = {
    BASE + "do": ({"do": "freeze"}, "operator"),
    BASE + "subject": ("desk", "tracker"),
    BASE + "meter/sensor": ({"value": 640, "head": "key", "level": 1.0}, "sensor"),
    HOMIE + "studio/mark/set": ("desk", "automation"),
}
READS = {
    BASE + "state": {"operator", "viewer"},
    BASE + "online": {"operator", "viewer"},
    HOMIE + "studio/mode": {"automation"},
}


async def test_the_example_of_access_lets_through_exactly_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STUDIO_USER", "fillside")
    users = ("operator", "automation", "viewer", "tracker", "sensor", "nobody")
    async with await _guarded(tmp_path) as server, running(tmp_path, door(server.port, SECRETS)) as up:
        figures = up.doors.figures
        await until(lambda: figures["mqtt"].state == figures["homie"].state == "ok")
        for user in users:
            async with Peer(server.port, user).listening() as peer:
                for topic, (payload, may) in ORDERS.items():
                    before = figures["mqtt"].received + figures["homie"].received
                    await peer.say(topic, payload)
                    if user == may:
                        await until(
                            lambda n=before: figures["mqtt"].received + figures["homie"].received == n + 1
                        )
                    else:
                        await asyncio.sleep(0.05)
                        assert figures["mqtt"].received + figures["homie"].received == before, (user, topic)
                await asyncio.sleep(0.1)
                for topic, may_read in READS.items():
                    seen = [text_of(each) for each in peer.got if str(each.topic) == topic]
                    assert bool(seen) == (user in may_read), (user, topic)
        assert up.runner.state()["mode"] == "freeze"


async def test_nobody_without_a_password_gets_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import aiomqtt

    monkeypatch.setenv("STUDIO_USER", "fillside")
    async with await _guarded(tmp_path) as server:
        for user in (None, "stranger"):
            with pytest.raises(aiomqtt.MqttError):
                async with Peer(server.port, user).listening():
                    pass
