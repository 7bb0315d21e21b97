"""The `[doors]` table of a rig file: ways in beside HTTP. A door without a table stays closed."""

from __future__ import annotations

import ipaddress
import re
from functools import cached_property
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from fillside.rig.fields import Flag, InconsistencyError, Name, Point, Table, Whole
from fillside_drivers.mqtt.broker_options import BrokerOptions

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
Address = ipaddress.IPv4Address | ipaddress.IPv6Address

_LISTEN = re.compile(r"(?:\[(?P<six>[^\[\]]+)\]|(?P<four>[0-9.]+)):(?P<port>[0-9]{1,5})")


class MeterTable(Table):
    """A lux sensor that reports over the broker: its place, direction and unit."""

    at: Name | Point | None = Field(
        default=None, description="a mark, or [x, y, z] in metres; left out: where the subject is"
    )
    unit: Literal["lux", "fc", "ev100"] = Field(
        default="lux", description="the unit of a number that it sends alone"
    )
    receptor: Literal["flat", "dome"] = Field(default="flat", description="the shape of its receptor")
    facing: Name = Field(default="head", description='"head", "camera", or the name of a head')


class MqttDoor(BrokerOptions):
    """``[doors.mqtt]``: the broker, the Homie description, and the meters that report there."""

    homie: Flag = Field(default=True, description="true: describe the rig by the Homie convention 5 as well")
    homie_domain: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")] = Field(
        default="homie", description="the first level of its topics, such as homie"
    )
    meters: dict[Name, MeterTable] = Field(
        default_factory=dict, description='by name, as sensor = { at = "chair" }'
    )


class OscDoor(Table):
    """``[doors.osc]``: Open Sound Control over UDP. OSC has no passwords, so access goes by address."""

    listen: str = Field(
        default="127.0.0.1:9000", description='address and port, such as "127.0.0.1:9000" or "[::1]:9000"'
    )
    allow: tuple[str, ...] = Field(
        default=(), description='who else may speak here, as ["192.0.2.0/24"]; this machine always may'
    )

    answer_port: Annotated[Whole, Field(ge=1, le=65535)] | None = Field(
        default=None, description="the port for answers; left out: the port that a message came from"
    )

    @model_validator(mode="after")
    def _guarded(self) -> Self:
        host, _ = _listen(self.listen)
        if not self._allowed and not host.is_loopback:
            raise InconsistencyError(
                "listen",
                f"{host} is reached from other machines, and OSC knows no passwords: "
                'say who may speak, as allow = ["192.0.2.0/24"], or listen on 127.0.0.1',
            )
        return self

    @property
    def address(self) -> tuple[str, int]:
        """The host and port to listen on."""
        host, port = _listen(self.listen)
        return str(host), port

    def admits(self, host: str) -> bool:
        """Return True if packets from an address are accepted.

        >>> OscDoor(listen="192.0.2.1:9000", allow=("192.0.2.0/24",)).admits("192.0.2.77")
        True
        """
        try:
            found = _unmapped(ipaddress.ip_address(host.partition("%")[0]))
        except ValueError:
            return False
        return found.is_loopback or any(
            found in network for network in self._allowed if network.version == found.version
        )

    @cached_property
    def _allowed(self) -> tuple[Network, ...]:
        return tuple(_network(text, place) for place, text in enumerate(self.allow))


def _unmapped(address: Address) -> Address:
    """Return the IPv4 address of an IPv4-mapped IPv6 address, any other address unchanged."""
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address


def _listen(text: str) -> tuple[Address, int]:
    match = _LISTEN.fullmatch(text)
    try:
        host = ipaddress.ip_address((match["six"] or match["four"]) if match else "")
    except ValueError:
        host = None
    if match is None or host is None or not 0 < int(match["port"]) <= 65535:
        raise InconsistencyError("listen", f'"{text}" is not an address and a port such as 127.0.0.1:9000')
    return host, int(match["port"])


def _network(text: str, place: int) -> Network:
    try:
        return ipaddress.ip_network(text)
    except ValueError as error:
        raise InconsistencyError(
            "allow", f"number {place + 1} is not such as 192.0.2.0/24: {error}"
        ) from None


class DoorsTable(Table):
    """The doors beside HTTP."""

    mqtt: MqttDoor | None = Field(
        default=None, description="the table [doors.mqtt]: orders and state over a broker"
    )
    osc: OscDoor | None = Field(default=None, description="the table [doors.osc]: orders over UDP")
