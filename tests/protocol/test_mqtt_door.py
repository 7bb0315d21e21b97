"""Protocol: the MQTT door at a real Mosquitto: orders, answers, state, stale messages, trackers, meters."""

from __future__ import annotations

import asyncio
import itertools
import json
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from fillside.daemon.composition import Running
from fillside.doors.listener import DoorError
from fillside.doors.mqtt.connection import Connection, Inbox
from fillside.doors.mqtt.listener import MqttListener
from fillside.doors.mqtt.sensors import REST_S
from fillside.orders.model import LightOrder, MeterOrder
from fillside.rig.tables.doors import MqttDoor
from fillside.rig.tables.model import Rig
from protocol.broker import Broker, broker, needs_mosquitto, until
from protocol.peer import BASE, Peer, text_of
from protocol.relay import relay
from protocol.studio import running
from rigs import pair, sim, studio

pytestmark = needs_mosquitto


def door(port: int, more: str = "homie = false") -> str:
    return f"[doors.mqtt]\nport = {port}\n{more}\n"


async def opened(up: Running) -> None:
    await until(lambda: up.doors.figures["mqtt"].state == "ok")


async def settled(up: Running) -> None:
    await until(lambda: up.runner.state()["settled"], 20.0)


async def test_an_order_is_answered_with_what_came_of_it(tmp_path: Path) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port)) as up,
    ):
        await opened(up)
        done = await peer.answer(BASE + "do", {"do": "trim", "role": "fill", "by": -1})
        assert done["ok"] is True
        assert done["note"] == "fill trimmed -1 stop"
        assert done["state"]["trims"] == {"fill": -1.0}
        refused = await peer.answer(BASE + "do", {"do": "trim", "role": "fil", "by": -1})
        assert refused["error"]["code"] == "unknown_name"
        assert refused["error"]["where"] == "role"
        assert (await peer.answer(BASE + "do", b"\xff"))["error"]["code"] == "bad_order"
        assert (await peer.answer(BASE + "do", b"x" * 70_000))["error"]["code"] == "bad_order"
        assert up.runner.state()["trims"] == {"fill": -1.0}


async def test_a_daemon_that_stops_says_so(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Peer(server.port).listening() as peer:
        async with running(tmp_path, door(server.port)) as up:
            await opened(up)
            await until(lambda: peer.texts(BASE + "online") == ["true"])
        await until(lambda: peer.texts(BASE + "online") == ["true", "false"])


async def test_who_asks_is_answered_where_it_wants_with_its_own_mark(tmp_path: Path) -> None:
    """MQTT 5.0, 4.10: response topic and correlation data."""
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port)) as up,
    ):
        await opened(up)
        mine = {"ResponseTopic": "tablet/answers", "CorrelationData": b"\x00\x017"}
        await peer.answer(BASE + "do", {"do": "freeze"}, **mine)
        await until(lambda: bool(peer.texts("tablet/answers")))
        (message,) = [each for each in peer.got if str(each.topic) == "tablet/answers"]
        assert json.loads(text_of(message))["state"]["mode"] == "freeze"
        assert message.properties is not None
        assert message.properties.CorrelationData == b"\x00\x017"
        assert message.properties.MessageExpiryInterval <= 30
        await peer.say(BASE + "subject", "desk", ResponseTopic=BASE + "said/tracker")
        await until(lambda: bool(peer.texts(BASE + "said/tracker")))
        assert peer.last(BASE + "said/tracker") == {"ok": True, "note": "", "state": None}


@pytest.mark.parametrize("topic", ["do", "state", "online", "subject", "meter/x", "said"])
async def test_an_answer_is_never_sent_to_a_topic_that_we_hear_or_keep(tmp_path: Path, topic: str) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port)) as up,
    ):
        await opened(up)
        before = len(peer.texts(BASE + topic))
        await peer.answer(BASE + "do", {"do": "follow"}, ResponseTopic=BASE + topic)
        await peer.answer(BASE + "do", {"do": "freeze"})
        own = {"do": 2, "said": 2}.get(topic, 0)
        answers = [text for text in peer.texts(BASE + topic)[before:] if text.startswith('{"ok"')]
        assert len(answers) == (2 if topic == "said" else 0)
        assert topic not in ("do", "said") or len(peer.texts(BASE + topic)) == before + own
        assert up.doors.figures["mqtt"].received == 2


async def test_a_retained_order_is_not_obeyed(tmp_path: Path) -> None:
    async with broker(tmp_path) as server, Peer(server.port).listening() as peer:
        await peer.say(BASE + "do", {"do": "dark"}, retain=True)
        await peer.say(BASE + "subject", "desk", retain=True)
        async with relay(server.port) as wire, running(tmp_path, door(wire.port)) as up:
            await opened(up)
            await peer.answer(BASE + "do", {"do": "expose", "by": 0})
            assert up.runner.state()["mode"] == "follow"
            assert up.runner.state()["subject_seen"]["mark"] == "chair"
            wire.cut()
            await until(lambda: up.doors.figures["mqtt"].state == "lost")
            wire.mend()
            await opened(up)
            await peer.answer(BASE + "do", {"do": "expose", "by": 0})
            assert up.runner.state()["mode"] == "follow"
            assert up.doors.figures["mqtt"].received == 2


async def test_a_broker_that_has_gone_stands_in_the_state_of_the_other_doors(tmp_path: Path) -> None:
    """Whoever looks at the page or at `status` learns that orders, trackers and sensors are not heard."""
    async with (
        broker(tmp_path) as server,
        relay(server.port) as wire,
        running(tmp_path, door(wire.port, "")) as up,
    ):
        await opened(up)
        await until(lambda: up.doors.figures["homie"].state == "ok")
        assert up.runner.state()["jobs"] == []
        wire.cut()
        await until(lambda: len(up.runner.state()["jobs"]) == 2)
        homie, mqtt = up.runner.state()["jobs"]
        assert (homie["name"], mqtt["name"]) == ("homie door", "mqtt door")
        assert f"broker 127.0.0.1:{wire.port}: " in mqtt["says"]
        wire.mend()
        await opened(up)


async def test_what_was_said_while_the_door_was_cut_off_is_not_obeyed_later(tmp_path: Path) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        relay(server.port) as wire,
        running(tmp_path, door(wire.port)) as up,
    ):
        await opened(up)
        await until(lambda: peer.texts(BASE + "online")[-1:] == ["true"])
        wire.cut()
        await until(lambda: up.doors.figures["mqtt"].state == "lost")
        await until(lambda: peer.texts(BASE + "online")[-1:] == ["false"])
        await peer.say(BASE + "do", {"do": "dark"}, MessageExpiryInterval=60)
        await peer.say(BASE + "do", {"do": "dark"})
        wire.mend()
        await opened(up)
        await until(lambda: peer.texts(BASE + "online")[-1:] == ["true"])
        await peer.answer(BASE + "do", {"do": "expose", "by": 0})
        assert up.runner.state()["mode"] == "follow"


async def test_a_killed_daemon_is_said_to_be_gone_by_the_broker(tmp_path: Path) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        relay(server.port) as wire,
        running(tmp_path, door(wire.port, "")) as up,
    ):
        await opened(up)
        await until(lambda: up.doors.figures["homie"].state == "ok")
        wire.cut()
        await until(lambda: peer.texts(BASE + "online")[-1:] == ["false"])
        await until(lambda: peer.texts("homie/5/fillside-corner/$state")[-1:] == ["lost"])


async def test_the_state_is_retained_and_told_no_more_often_than_useful(tmp_path: Path) -> None:
    async with (
        broker(tmp_path) as server,
        running(tmp_path, door(server.port)) as up,
    ):
        await opened(up)
        await settled(up)
        async with Peer(server.port).listening() as peer:
            await until(lambda: bool(peer.texts(BASE + "state")) and peer.last(BASE + "state")["settled"])
            assert next(message.retain for message in peer.got if str(message.topic) == BASE + "state")
            quiet = len(peer.texts(BASE + "state"))
            for step in range(100):
                await peer.say(BASE + "subject", {"to": [0.004 * step, 0, 1.2]}, qos=0)
                await asyncio.sleep(0.02)
            told = len(peer.texts(BASE + "state")) - quiet
            assert 2 <= told <= 7
            await settled(up)
            await until(lambda: peer.last(BASE + "state") == up.runner.state(), 8.0)
            assert peer.texts(BASE + "said") == []
            assert up.runner.state()["subject_seen"]["source"] == "tracker"
            assert up.runner.state()["subject"][0] == pytest.approx(0.4, abs=0.05)


@pytest.mark.parametrize(
    ("payload", "source", "mark"),
    [
        ("desk", "tracker", "desk"),
        ('"desk"', "tracker", "desk"),
        ({"to": [0.6, 0.3, 1.25]}, "tracker", "desk"),
        ([0.6, 0.3, 1.25], "tracker", "desk"),
        ({"mark": "desk"}, "tracker", "desk"),
        ("moon", "file", "chair"),
        ("", "file", "chair"),
        (b"\xff\xfe", "file", "chair"),
        ({"to": [0, 0, 99]}, "file", "chair"),
        ({"to": [0, 0]}, "file", "chair"),
        ('{"to": [0, 0, NaN]}', "file", "chair"),
        ({"do": "dark", "mark": "desk"}, "file", "chair"),
    ],
)
async def test_where_a_tracker_saw_the_subject(tmp_path: Path, payload: Any, source: str, mark: str) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port)) as up,
    ):
        await opened(up)
        await peer.say(BASE + "subject", payload, ResponseTopic="tracker")
        await until(lambda: bool(peer.texts("tracker")))
        assert ("error" in peer.last("tracker")) == (source == "file")
        assert up.runner.state()["subject_seen"]["source"] == source
        assert up.runner.state()["subject_seen"]["mark"] == mark
        assert up.runner.state()["mode"] == "follow"


async def test_a_broker_that_is_not_there_keeps_no_light_waiting(tmp_path: Path) -> None:
    server = Broker(tmp_path)
    async with running(tmp_path, door(server.port)) as up:
        await settled(up)
        await until(lambda: up.doors.figures["mqtt"].note != "not open yet")
        assert up.doors.figures["mqtt"].state == "lost"
        assert str(server.port) in up.doors.figures["mqtt"].note
        async with server:
            await until(lambda: up.doors.figures["mqtt"].state == "ok", 10.0)
        await until(lambda: up.doors.figures["mqtt"].state == "lost")


async def test_a_lost_broker_is_noticed_while_there_is_nothing_to_say(tmp_path: Path) -> None:
    will = aiomqtt.Will(BASE + "online", "false")
    async with broker(tmp_path) as server:
        door = MqttDoor(port=server.port)
        connection = Connection(door, "fillside-test", will)

        async def listen() -> None:
            await connection.receive()

        async def serve() -> None:
            connection.report_up()
            await connection.while_connected(listen)

        running = asyncio.create_task(connection.run(serve))
        await until(lambda: connection.figures.state == "ok")
        await server.kill()
        await until(lambda: connection.figures.state == "lost")
        connection.stop.set()
        await running


async def test_a_broker_that_lets_us_hear_nothing_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mosquitto grants every subscription and then delivers nothing; others refuse it, MQTT 5.0, 3.9.3."""
    will = aiomqtt.Will(BASE + "online", "false")
    connection = Connection(MqttDoor(), "fillside-test", will)

    async def refuse(topics: list[Any]) -> list[ReasonCode]:
        return [ReasonCode(PacketTypes.SUBACK, "Not authorized") for _ in topics]

    monkeypatch.setattr(connection.client, "subscribe", refuse)
    with pytest.raises(aiomqtt.MqttError, match="does not let us hear fillside/corner/do: Not authorized"):
        await connection.subscribe({BASE + "do": 1})


async def test_messages_keep_the_time_at_which_they_came() -> None:
    now = [10.0]
    inbox = Inbox(5, lambda: now[0])
    for topic in ("a", "b", "c"):
        inbox.put_nowait(aiomqtt.Message(topic, b"", 0, False, 0, None))
        now[0] += 1
    first = await inbox.get()
    assert (str(first.topic), inbox.taken_s) == ("a", 10.0)
    assert [(at_s, str(message.topic)) for at_s, message in inbox.drain()] == [(11.0, "b"), (12.0, "c")]
    assert inbox.empty()


async def test_a_wrong_password_is_said_and_no_secret_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    passwords = tmp_path / "passwords"
    made = await asyncio.create_subprocess_exec(
        "mosquitto_passwd", "-b", "-c", str(passwords), "studio", "right-one"
    )
    assert await made.wait() == 0
    monkeypatch.setenv("STUDIO_USER", "studio")
    monkeypatch.setenv("STUDIO_PASSWORD", "wrong-one")
    who = 'user_from = "env:STUDIO_USER"\npassword_from = "env:STUDIO_PASSWORD"'
    async with broker(tmp_path, f"password_file {passwords}", anonymous=False) as server:
        async with running(tmp_path, door(server.port, who)) as up:
            await until(lambda: "not authori" in up.doors.figures["mqtt"].note.lower())
            assert "wrong-one" not in up.doors.figures["mqtt"].note + json.dumps(up.runner.state())
        monkeypatch.setenv("STUDIO_PASSWORD", "right-one")
        async with running(tmp_path, door(server.port, who)) as up:
            await opened(up)
    assert "wrong-one" not in caplog.text


async def test_a_secret_that_is_not_there_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(
        DoorError, match="user_from names the variable NO_SUCH_VARIABLE_HERE, which is not set"
    ):
        async with running(tmp_path, door(1, 'user_from = "env:NO_SUCH_VARIABLE_HERE"')):
            pass


async def test_a_networked_meter_reads_the_head_that_is_alone(tmp_path: Path) -> None:
    tables = "homie = false\nmeters = { sensor = { at = 'chair', receptor = 'flat', facing = 'head' } }"
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port, tables)) as up,
    ):
        await opened(up)
        await settled(up)
        await peer.say(BASE + "meter/sensor", "640", ResponseTopic="sensor")
        await peer.answer(BASE + "do", {"do": "only", "head": "key", "level": 1.0})
        assert peer.texts("sensor") == []
        assert (await peer.answer(BASE + "meter/sensor", "640"))["error"]["code"] == "not_now"
        await settled(up)
        await asyncio.sleep(REST_S)
        assert (await peer.answer(BASE + "meter/sensor", "640"))["ok"] is True
        told = len(peer.texts(BASE + "said"))
        await peer.say(BASE + "meter/sensor", "641")
        wrong = {"value": -640, "head": "key", "level": 1.0}
        assert (await peer.answer(BASE + "meter/sensor", wrong))["error"]["code"] == "out_of_range"
        assert len(peer.texts(BASE + "said")) == told + 1


async def test_an_order_that_takes_long_keeps_no_other_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with (
        broker(tmp_path) as server,
        Peer(server.port).listening() as peer,
        running(tmp_path, door(server.port)) as up,
    ):
        await opened(up)
        go_on = asyncio.Event()
        do = up.runner.do

        async def slow(order: LightOrder | MeterOrder, visitor: Any, source: Any) -> str:
            if order.do == "read":
                await go_on.wait()
                return "read"
            return await do(order, visitor, source)

        monkeypatch.setattr(up.runner, "do", slow)
        monkeypatch.setattr("fillside.doors.mqtt.listener.MOST_UNDER_WAY", 50)
        for _ in range(60):
            await peer.say(BASE + "do", {"do": "read", "value": 640})
        await until(lambda: len(peer.texts(BASE + "said")) == 10)
        assert {json.loads(text)["error"]["code"] for text in peer.texts(BASE + "said")} == {"too_many"}
        go_on.set()
        await until(lambda: len(peer.texts(BASE + "said")) == 60)
        go_on.clear()
        await peer.say(BASE + "do", {"do": "read", "value": 640})
        assert (await peer.answer(BASE + "do", {"do": "dark"}))["state"]["mode"] == "dark"


class Noting:
    """A studio that notes by how much each order asks for more."""

    def __init__(self) -> None:
        self.asked: list[float] = []

    async def do(self, order: LightOrder | MeterOrder, visitor: Any, source: Any) -> str:
        self.asked.append(source["by"])
        return ""

    def state(self) -> dict[str, Any]:
        return {}


async def test_an_order_is_obeyed_in_the_next_turn_and_others_of_that_turn_after_it_one_by_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    noting: Any = Noting()
    rig = Rig.model_validate(
        studio("corner", heads=pair(intensity=1000, drive={"driver": "wire"}), drivers=sim("wire"))
    )
    listener = MqttListener(rig, MqttDoor(), noting, "one")

    async def answer(*_: object) -> None:
        """Answer nobody."""

    monkeypatch.setattr(listener, "_answer", answer)
    job = asyncio.create_task(listener._listen())
    await asyncio.sleep(0)
    for first in (0, 5):
        for by in range(first, first + 5):
            order = json.dumps({"do": "expose", "by": by / 10}).encode()
            listener.connection._take(aiomqtt.Message(BASE + "do", order, 1, False, 0, None))
        done = []
        for _ in range(10):
            await asyncio.sleep(0)
            done.append(len(noting.asked) - first)
        assert (done[0], done[-1]) == (1, 5)
        assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(done))
    assert noting.asked == [by / 10 for by in range(10)]
    assert listener.connection.figures.received == 10
    job.cancel()
    await asyncio.gather(job, return_exceptions=True)
