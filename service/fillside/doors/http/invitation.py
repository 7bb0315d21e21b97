"""Invitations for other devices: an address to open, and a single-use token."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from fillside.access.authentication import Authenticator
from fillside.access.permissions import Permission
from fillside.doors.http.listening import Listen, Public
from fillside.doors.http.responses import JsonBody
from fillside.orders.answers import Refusal


class InvitationRequest(JsonBody):
    """A request for a single-use token; `name` is its owner, `may` its permission."""

    may: Annotated[Literal["operate", "view"], Field(description="the permission of the token")] = "operate"
    name: Annotated[str, Field(max_length=64, description="the owner of the token")] = "phone"


class InvitationPayload(JsonBody):
    """A single-use token, valid until `until` (Unix time), and the addresses of the daemon."""

    token: str
    until: float
    addresses: list[str]


EXAMPLE_ADDRESSES = {socket.AF_INET: "192.0.2.1", socket.AF_INET6: "2001:db8::1"}
"""Addresses that RFC 5737 and RFC 3849 reserve for examples: used to look up a route;
nothing is sent to them."""


@dataclass(frozen=True)
class Entrance:
    """The addresses at which the daemon can be reached; `port` is the one actually bound."""

    listen: Listen
    port: int
    scheme: str = "http"
    public: Public | None = None

    def addresses(self) -> list[str]:
        """Return the addresses for other machines, the likeliest first; none if the
        daemon listens on loopback."""
        if self.public is not None:
            return [self.public.url]
        if self.listen.loopback:
            return []
        every = self.listen.host in ("0.0.0.0", "::")
        hosts = own_addresses(self.listen.host == "::") if every else [self.listen.host]
        return [f"{self.scheme}://{_in_url(host)}:{self.port}" for host in hosts]


def own_addresses(with_six: bool = False) -> list[str]:
    """Return the addresses of this machine on its networks, IPv4 first."""
    found = [_own_address(socket.AF_INET), _own_address(socket.AF_INET6) if with_six else None]
    return [address for address in found if address is not None]


def _own_address(family: socket.AddressFamily) -> str | None:
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((EXAMPLE_ADDRESSES[family], 9))
        except OSError:
            return None
        address: str = probe.getsockname()[0]
        return address


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


async def invite(
    body: Any, holder: Permission, authenticator: Authenticator, entrance: Entrance
) -> InvitationPayload:
    """Make an invitation.

    Raises Refusal: bad_order for a malformed request, not_now if no other device can connect.
    """
    try:
        request = InvitationRequest.model_validate(body)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise Refusal("bad_order", f"an invitation is such as {{}}: {first['msg'].lower()}", where) from None
    if not request.name.isprintable() or not request.name.strip():
        raise Refusal("bad_order", "a name has printable characters", "name")
    addresses = entrance.addresses()
    if entrance.listen.loopback and entrance.public is None:
        raise Refusal(
            "not_now",
            "this daemon listens to its own machine alone; start it with --listen 0.0.0.0:7420, after "
            "`fillside token new --may operate`",
        )
    token, until = await authenticator.invite(request.may, f"{request.name}, invited by {holder.who}"[:100])
    return InvitationPayload(token=token, until=until, addresses=addresses)
