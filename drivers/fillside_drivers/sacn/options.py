"""Options of a streaming ACN wire (ANSI E1.31-2018), and the drive of a head on it."""

from __future__ import annotations

import re
from collections.abc import Hashable
from ipaddress import IPv4Address
from typing import Annotated, Self

from pydantic import AfterValidator, Field, Strict, model_validator

from fillside_drivers.driver import OptionsModel
from fillside_drivers.slots import SlotDrive

PORT = 5568
"""The UDP port of E1.31, for multicast and by default for unicast."""

MULTICAST = "multicast"
"""The word in `to` for each universe's own multicast group."""

_HOST = re.compile(
    r"(?P<host>\[[0-9a-fA-F:.]+\]|[A-Za-z0-9_][A-Za-z0-9_.-]*|[0-9a-fA-F:]*:[0-9a-fA-F:.]*:[0-9a-fA-F.]*)"
)


def host_and_port(text: str) -> tuple[str, int]:
    """Parse a unicast destination into host and UDP port.

    >>> host_and_port("192.0.2.7"), host_and_port("node-7:5569"), host_and_port("[::1]:5570")
    (('192.0.2.7', 5568), ('node-7', 5569), ('::1', 5570))
    """
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]") or (":" in host and not host.endswith("]")):
        host, port = text, str(PORT)
    wrong = f'{text!r} is not a destination; write "192.0.2.7", "host:5568", "[::1]:5568" or "{MULTICAST}"'
    if not _HOST.fullmatch(host) or not re.fullmatch(r"[0-9]{1,5}", port) or not 1 <= int(port) <= 65535:
        raise ValueError(wrong)
    return host.strip("[]"), int(port)


def _destination(text: str) -> str:
    if text != MULTICAST:
        host_and_port(text)
    return text


def _interface(text: str) -> str:
    try:
        return str(IPv4Address(text))
    except ValueError:
        raise ValueError(
            f'{text!r} is not the IPv4 address of one of our interfaces, such as "192.0.2.2"'
        ) from None


def _name_fits(text: str) -> str:
    if len(text.encode()) > 63 or "\0" in text:
        raise ValueError("a source name has at most 63 octets of UTF-8")
    return text


def _universe_key(text: str) -> str:
    if not re.fullmatch(r"[1-9][0-9]{0,4}", text) or int(text) > 63999:
        raise ValueError(f"{text!r} is not a universe; they are numbered 1 to 63999")
    return text


Universe = Annotated[int, Field(ge=1, le=63999), Strict()]
Priority = Annotated[int, Field(ge=0, le=200), Strict()]
Destinations = Annotated[
    tuple[Annotated[str, AfterValidator(_destination)], ...], Field(min_length=1, max_length=64)
]
SourceName = Annotated[str, AfterValidator(_name_fits), Field(min_length=1)]


class UniverseOptions(OptionsModel):
    """``[drivers.NAME.universes.N]``: exceptions for one universe."""

    to: Destinations | None = None
    priority: Priority | None = None
    source_name: SourceName | None = None


class SacnOptions(OptionsModel):
    """``[drivers.NAME]`` with ``kind = "sacn"``.

    Attributes:
        to: destinations of the packets: hosts, each with its port or 5568, and ``"multicast"`` for the
            universe's own group.
        priority: 0..200; receivers obey the highest of several sources.
        interface: our address to send from (and to multicast on); by default the system chooses.
        ttl: number of routers a multicast packet may pass.
        source_name: name shown to people; by default the daemon's own.
        universes: exceptions, by universe number.
        sync_address: universe of the synchronization packets, 0 for none. Keep it 0 beside a hot standby:
            E1.31 does not define priorities together with synchronization.
        preview: mark packets as not for live output.
        discovery: announce our universes every 10 s; by default only when multicasting.
        listen: watch for other sources on our universes.
        yields: stand by on a universe while a source of higher priority sends it: send nothing there, and
            resume with the current light once it is gone.
    """

    to: Destinations = (MULTICAST,)
    priority: Priority = 100
    interface: Annotated[str, AfterValidator(_interface)] | None = None
    ttl: Annotated[int, Field(ge=1, le=255), Strict()] = 8
    source_name: SourceName | None = None
    universes: dict[Annotated[str, AfterValidator(_universe_key)], UniverseOptions] = Field(
        default_factory=dict
    )
    sync_address: Annotated[int, Field(ge=0, le=63999), Strict()] = 0
    preview: Annotated[bool, Strict()] = False
    discovery: Annotated[bool, Strict()] | None = None
    listen: Annotated[bool, Strict()] = True
    yields: Annotated[bool, Strict()] = False

    @model_validator(mode="after")
    def _hears_whom_it_yields_to(self) -> Self:
        if self.yields and not self.listen:
            raise ValueError("yields needs listen = true, or nobody is heard to yield to")
        return self

    def of(self, universe: int) -> UniverseOptions:
        """Return the options of one universe: its exceptions, completed from the general options."""
        own = self.universes.get(str(universe), UniverseOptions())
        return UniverseOptions(
            to=own.to or self.to,
            priority=self.priority if own.priority is None else own.priority,
            source_name=own.source_name or self.source_name,
        )


class SacnDrive(SlotDrive):
    """A head's place: universe 1..63999, slot 1..512."""

    universe: Universe

    def claims(self) -> tuple[Hashable, ...]:
        return tuple((self.universe, slot) for slot in super().claims())
