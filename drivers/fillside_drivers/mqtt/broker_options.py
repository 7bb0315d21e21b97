"""Options of a connection to an MQTT broker: address, encryption and credentials.

The same keys occur in ``[drivers.NAME]`` of a driver that uses a broker and in ``[doors.mqtt]``. This module
does not need the client library.
"""

from __future__ import annotations

import re
from typing import Annotated, Self

from pydantic import AfterValidator, Field, Strict, model_validator

from fillside_drivers.driver import OptionsModel

Whole = Annotated[int, Strict()]


def _secret_place(text: str) -> str:
    if not re.fullmatch(r"(env:[A-Za-z_][A-Za-z0-9_]*|file:.+)", text):
        raise ValueError("a secret stands elsewhere: env:NAME or file:PATH, never in the rig file")
    return text


SecretPlace = Annotated[str, AfterValidator(_secret_place)]


class BrokerOptions(OptionsModel):
    """Address, encryption and credentials of a connection to a broker.

    Attributes:
        broker: host name or address of the broker.
        port: its port; by default 1883, or 8883 with TLS.
        tls: encrypt the connection and check the broker's certificate.
        ca_file: certificates to check it against; by default the system's.
        certificate_file, key_file: our own certificate, if the broker requires one.
        user_from, password_from: source of the user name and the password: ``env:NAME`` or ``file:PATH``.
        keepalive_s: longest silence before the connection counts as broken [s].
    """

    broker: Annotated[str, Field(min_length=1, max_length=255)] = "127.0.0.1"
    port: Annotated[Whole, Field(ge=1, le=65535)] | None = None
    tls: Annotated[bool, Strict()] = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    user_from: SecretPlace | None = None
    password_from: SecretPlace | None = None
    keepalive_s: Annotated[Whole, Field(ge=2, le=3600)] = 10

    @model_validator(mode="after")
    def _tls_is_whole(self) -> Self:
        if not self.tls and (self.ca_file or self.certificate_file or self.key_file):
            raise ValueError("certificates are only used with tls = true")
        if self.key_file and not self.certificate_file:
            raise ValueError("key_file needs certificate_file")
        if self.password_from and not self.user_from:
            raise ValueError("password_from needs user_from")
        return self

    @property
    def port_number(self) -> int:
        return self.port or (8883 if self.tls else 1883)

    @property
    def address(self) -> str:
        """Host and port, for people."""
        return f"{self.broker}:{self.port_number}"
