"""Reference: octets of MQTT 5.0 between a door's connection and a broker laid out by hand.

Source: OASIS MQTT Version 5.0, 3.1 to 3.3, 3.8 and 3.14, and the identifiers of its table 2-4 (2.2.2.2);
public codecs have the same, but 24, 31, 34 and 42 are from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

import aiomqtt
import pytest

from fillside.doors.mqtt.connection import Connection
from fillside.doors.mqtt.messages import ReceivedMessage
from fillside.rig.tables.doors import MqttDoor
from fillside_drivers.system import SYSTEM

TEXT = "0002" + b"ok".hex()
IN_A_MESSAGE = {
    "payload format": "01 01",
    "message expiry": "02 0000001e",
    "content type": "03" + TEXT,
    "response topic": "08 0004" + b"told".hex(),
    "correlation data": "09 0003 000137",
    "topic alias": "23 0001",
    "user property": "26" + TEXT + TEXT,
}
FROM_THE_BROKER = {
    "session expiry": "11 00000000",
    "server keep alive": "13 001e",
    "reason string": "1f" + TEXT,
    "receive maximum": "21 0014",
    "topic alias maximum": "22 0005",
    "user property": "26" + TEXT + TEXT,
    "maximum packet size": "27 00100000",
    "shared subscriptions": "2a 00",
}
"""Properties by their names: the identifier, and a value of its type."""


def octets(*laid: str) -> bytes:
    return bytes.fromhex("".join(laid))


def with_length(*laid: str) -> str:
    found = octets(*laid)
    assert len(found) < 128, "a length of one octet"
    return bytes([len(found)]).hex() + found.hex()


class Broker:
    """Says what it is given, once to a CONNECT and once to a SUBSCRIBE, and writes down what it hears."""

    def __init__(self, connack: str = "", message: str = "") -> None:
        self.heard: list[bytes] = []
        self.ended = asyncio.Event()
        self._answers = {
            1: [octets("20", with_length("00 00", with_length(connack)))],
            8: [
                octets("90 04 0001 00 00"),
                octets("30", with_length("0002", b"do".hex(), with_length(message), b"{}".hex())),
            ],
        }

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError):
            while not self.heard or self.heard[-1][0] != 0xE0:
                head = await reader.readexactly(2)
                self.heard.append(head + await reader.readexactly(head[1]))
                for answer in self._answers.get(head[0] >> 4, ()):
                    writer.write(answer)
        writer.close()
        self.ended.set()


@contextlib.asynccontextmanager
async def connected(broker: Broker) -> AsyncIterator[Connection]:
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    async with server, asyncio.timeout(30):
        table = MqttDoor(broker="127.0.0.1", port=server.sockets[0].getsockname()[1], keepalive_s=10)
        will = aiomqtt.Will("online", "false", qos=1, retain=True)
        yield Connection(table, "studio", will, SYSTEM)


async def one_message(broker: Broker) -> ReceivedMessage:
    """Connect, subscribe, take what comes, answer it, and leave."""
    found: list[ReceivedMessage] = []
    async with connected(broker) as connection:

        async def serve() -> None:
            await connection.subscribe({"do": 1})
            found.extend(await connection.receive())
            await connection.publish("said", "ok", correlation=found[0].correlation, expires_s=30)
            connection.stop.set()

        lost: list[Exception] = []

        def give_up(error: Exception) -> None:
            lost.append(error)
            connection.stop.set()

        connection.on_lost = give_up
        await connection.run(serve)
        assert not lost
        await broker.ended.wait()
    (message,) = found
    return message


async def test_what_a_door_says_to_the_octet() -> None:
    broker = Broker(message=IN_A_MESSAGE["correlation data"])
    await one_message(broker)
    assert [packet.hex() for packet in broker.heard] == [
        # CONNECT: version 5, clean start, a will that is retained with QoS 1, 10 s. Without 17 no session
        # outlives the connection, and without 24 the will is not delayed: a lost daemon shows at once.
        "10"
        + with_length(
            *("0004", b"MQTT".hex(), "05", "2e", "000a", "00", "0006", b"studio".hex()),
            *("00", "0006", b"online".hex(), "0005", b"false".hex()),
        ),
        # SUBSCRIBE with QoS 1, not our own, nothing retained.
        octets("82", "08", "0001", "00", "0002", b"do".hex(), "25").hex(),
        # PUBLISH with QoS 0: message expiry (2) of 30 s, correlation data (9).
        octets("30", "14", "0004", b"said".hex(), "0b", "02 0000001e", "09 0003 000137", b"ok".hex()).hex(),
        "e000",
    ]


async def test_what_a_door_hears_of_a_message() -> None:
    message = await one_message(Broker(message="".join(IN_A_MESSAGE.values())))
    assert (message.topic, message.payload, message.retained) == ("do", b"{}", False)
    assert (message.expires_s, message.answer_to, message.correlation) == (30, "told", b"\x00\x017")


@pytest.mark.parametrize("name", IN_A_MESSAGE)
async def test_each_property_of_a_message_alone(name: str) -> None:
    message = await one_message(Broker(message=IN_A_MESSAGE[name]))
    assert message.payload == b"{}"
    assert (message.expires_s is not None) == (name == "message expiry")
    assert (message.answer_to is not None) == (name == "response topic")
    assert (message.correlation is not None) == (name == "correlation data")


@pytest.mark.parametrize("name", FROM_THE_BROKER)
async def test_each_property_of_a_broker_alone(name: str) -> None:
    assert (await one_message(Broker(connack=FROM_THE_BROKER[name]))).topic == "do"


async def test_all_that_a_broker_may_say_of_itself() -> None:
    assert (await one_message(Broker(connack="".join(FROM_THE_BROKER.values())))).topic == "do"
