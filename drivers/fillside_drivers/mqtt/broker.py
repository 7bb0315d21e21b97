"""A client for the broker described in the rig file, with its secrets and certificates loaded."""

from __future__ import annotations

import os
import socket
import ssl
from pathlib import Path
from typing import Any

import aiomqtt

from fillside_drivers.mqtt.broker_options import BrokerOptions
from fillside_drivers.plain_errors import why
from fillside_drivers.plain_files import LARGEST_TEXT_BYTES, MIB, check_plain, plain_bytes
from fillside_drivers.system import SYSTEM, System

LARGEST_AUTHORITIES_BYTES = 8 * MIB
"""Largest file of certificates; all authorities that a system trusts take half a megabyte."""


class BrokerError(Exception):
    """A secret or certificate named in the rig file is not available; `where` is the key at fault.

    The text names the source of a secret, never the secret.
    """

    def __init__(self, message: str, where: str) -> None:
        super().__init__(message)
        self.message, self.where = message, where


def client_for(
    options: BrokerOptions, *, identifier: str, system: System = SYSTEM, **more: Any
) -> aiomqtt.Client:
    """Return a client that is not connected yet and sends without delay.

    Its waits end after 5 s unless `timeout` is given.

    Raises:
        BrokerError: a secret or certificate is not available.
    """
    return system.mqtt_client(
        options.broker,
        options.port_number,
        username=secret(options.user_from, "user_from"),
        password=secret(options.password_from, "password_from"),
        identifier=identifier,
        timeout=more.pop("timeout", 5.0),
        keepalive=options.keepalive_s,
        tls_context=tls_context(options),
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        **more,
    )


def secret(place: str | None, where: str) -> str | None:
    """Fetch a secret from its source in the rig file; raise BrokerError if that fails."""
    if place is None:
        return None
    kind, _, name = place.partition(":")
    if kind == "env":
        if name not in os.environ:
            raise BrokerError(f"{where} names the variable {name}, which is not set", where)
        return os.environ[name]
    try:
        return plain_bytes(Path(name).expanduser(), LARGEST_TEXT_BYTES).decode("utf-8").strip()
    except (OSError, UnicodeDecodeError, RuntimeError) as error:
        reason = "it is no text" if isinstance(error, UnicodeDecodeError) else why(error)
        raise BrokerError(f"{where} names the file {name}, which cannot be read: {reason}", where) from error


class _ClosedWhenRefused(ssl.SSLSocket):
    """A socket that closes after a failed handshake; the client library does not close it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def tls_context(options: BrokerOptions) -> ssl.SSLContext | None:
    """Return the TLS context of the connection, or None without TLS; raise BrokerError for bad files."""
    if not options.tls:
        return None
    for path in filter(None, (options.ca_file, options.certificate_file, options.key_file)):
        try:
            check_plain(path, LARGEST_AUTHORITIES_BYTES)
        except OSError as error:
            raise BrokerError(f"a certificate file cannot be used: {path}: {why(error)}", "tls") from error
    try:
        context = ssl.create_default_context(cafile=options.ca_file)
        context.sslsocket_class = _ClosedWhenRefused
        if options.ca_file is not None:
            # Python 3.13 and later check each certificate against the whole profile of RFC 5280, which small
            # private authorities seldom meet (`openssl req -x509` omits the key usage). Naming a file states
            # whom to trust; chain, dates and name are still checked.
            context.verify_flags &= ~ssl.VERIFY_X509_STRICT
        if options.certificate_file is not None:
            context.load_cert_chain(options.certificate_file, options.key_file)
    except (OSError, ssl.SSLError) as error:
        raise BrokerError(f"a certificate file cannot be used: {why(error)}", "tls") from error
    return context


_REFUSALS = {
    1: "it does not speak this version of MQTT",
    2: "it does not take our identifier",
    3: "it takes nobody at the moment",
    4: "it does not take this user name and password",
    5: "this user is not authorised there",
    7: "the connection broke off",
    132: "it does not speak this version of MQTT",
    133: "it does not take our identifier",
    134: "it does not take this user name and password",
    135: "this user is not authorised there",
    136: "it takes nobody at the moment",
    137: "it is too busy",
    138: "it has banned this client",
    141: "the connection was silent for too long",
    142: "another client came under our identifier",
    151: "it sets us a quota, which is used up",
}
"""Return codes of brokers and of the client library: MQTT 3.1.1, table 3.1; MQTT 5.0, table 2-6."""


def broker_failure(error: BaseException) -> str:
    """Explain, in a clause to follow the broker's address, why it cannot be reached or was lost."""
    if isinstance(error, aiomqtt.MqttCodeError):
        number = getattr(error.rc, "value", error.rc)
        return _REFUSALS.get(number if isinstance(number, int) else 0, why(error))
    text = str(error)
    if isinstance(error, aiomqtt.MqttError) and text in _OF_THE_CLIENT:
        return _OF_THE_CLIENT[text]
    return why(error)


_OF_THE_CLIENT = {
    "Operation timed out": "no answer in time; is it switched on, and in this network?",
    "Disconnected during message iteration": "the connection broke off",
}
