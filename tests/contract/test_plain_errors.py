"""Contract: nobody is shown an error number, nor the text of a library meant for its makers."""

from __future__ import annotations

import asyncio
import errno
import os
import re
import socket
import sqlite3
import ssl
from pathlib import Path

import aiomqtt
import pytest

from fillside import system_errors as of_service
from fillside_drivers.mqtt.broker import broker_failure
from fillside_drivers.plain_errors import why

RAW = re.compile(r"[Ee]rrno|\[|\]|\(_|0x|Error\b")
NUMBERS = sorted(number for number in errno.errorcode if number != errno.EOVERFLOW)


@pytest.mark.parametrize("number", NUMBERS, ids=errno.errorcode.get)
def test_every_error_of_the_system_is_a_clause_without_its_number(number: int) -> None:
    error = OSError(number, os.strerror(number), "/a/path")
    for said in (why(error), why(RuntimeError(str(error))), of_service.why(error)):
        assert said
        assert not RAW.search(said), said
        assert str(number) not in said
        assert said[0] == said[0].lower()
        assert not said.endswith(".")


def test_those_that_people_meet_say_what_to_look_at() -> None:
    """Each text is another than the system's own, and says more."""
    on_the_network = "ECONNREFUSED ETIMEDOUT EHOSTUNREACH ENETUNREACH EADDRINUSE EADDRNOTAVAIL"
    for name in [*on_the_network.split(), "EACCES", "ENOENT", "ENOSPC", "EROFS", "EIO"]:
        number = getattr(errno, name)
        assert os.strerror(number).lower() not in why(OSError(number, os.strerror(number))).lower()
    refused = why(OSError(errno.ECONNREFUSED, "Connect call failed ('127.0.0.1', 1883)"))
    assert refused == "nothing listens there; is it started, and is the port right?"


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (socket.gaierror(socket.EAI_NONAME, "Name or service not known"), "no machine of that name"),
        (TimeoutError(), "no answer in time"),
        (
            ssl.SSLError(1, "[SSL: WRONG_VERSION_NUMBER] wrong version number (_ssl.c:1006)"),
            "no secure connection",
        ),
        (aiomqtt.MqttError("[Errno 111] Connection refused"), "nothing listens there"),
        (aiomqtt.MqttError("[Errno -2] Name or service not known"), "no machine of that name"),
        (aiomqtt.MqttError("Operation timed out"), "no answer in time"),
        (aiomqtt.MqttCodeError(5), "not authorised"),
        (aiomqtt.MqttCodeError(7, "Could not publish message"), "the connection broke off"),
    ],
    ids=str,
)
def test_a_broker_that_is_not_reached(error: Exception, said: str) -> None:
    assert said in broker_failure(error)
    assert not RAW.search(broker_failure(error))


def test_a_certificate_that_is_not_trusted_is_said_to_be() -> None:
    text = "[SSL: CERTIFICATE_VERIFY_FAILED] certificate verify failed: self-signed certificate (_ssl.c:1006)"
    for error in (ssl.SSLCertVerificationError(1, text), aiomqtt.MqttError(text)):
        assert why(error) == "its certificate is not trusted: self-signed certificate"


def test_a_database_that_cannot_be_written(tmp_path: Path) -> None:
    """The texts are SQLite's own, as its library raises them."""
    path = tmp_path / "kept.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE kept (body)")
    connection.execute("PRAGMA query_only = ON")
    with pytest.raises(sqlite3.OperationalError) as refused:
        connection.execute("INSERT INTO kept VALUES (1)")
    connection.close()
    assert of_service.why(refused.value) == "the folder or the file may not be written to"
    with pytest.raises(sqlite3.OperationalError) as missing:
        sqlite3.connect(tmp_path / "none" / "kept.db")
    assert of_service.why(missing.value).startswith("the file cannot be opened")


async def test_a_port_where_nothing_listens_is_said_so() -> None:
    """The loop's own text has the number and the address in it."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        with pytest.raises(ConnectionRefusedError) as refused:
            await asyncio.open_connection(*taken.getsockname())
    assert "Errno" in str(refused.value)
    assert why(refused.value).startswith("nothing listens there")
