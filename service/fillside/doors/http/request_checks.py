"""Checks that every request passes before its handler: its Host, its Origin, and its form.

A page on another site can make a browser on this network send requests here, and a name whose address was
rebound to this machine makes that page look like the daemon's own. Two headers that a browser sets truthfully
stop both: the Host that it addresses, and the Origin of the page that sends.
"""

from __future__ import annotations

import logging
import re
import socket
from dataclasses import dataclass, field

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from fillside.background.side_jobs import SideJobs
from fillside.doors.http.connections import Gate
from fillside.doors.http.listening import Public, is_loopback
from fillside.doors.http.responses import (
    DEFAULT_HEADERS,
    http_error,
    internal_error,
    refusal_response,
    unguarded_refusal,
)
from fillside.orders.answers import Refusal

log = logging.getLogger(__name__)

DOOR = "http door"
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})
_HOST = re.compile(r"(?P<name>\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+)(?::(?P<port>\d{1,5}))?")


@dataclass(frozen=True)
class HostNames:
    """The host names under which the daemon answers."""

    extra: frozenset[str] = field(default_factory=frozenset)
    public: Public | None = None

    @classmethod
    def of_machine(cls, listen_host: str, public: Public | None = None) -> HostNames:
        """Return the names of loopback, the listening address and, beyond loopback, the machine's name."""
        if listen_host == "localhost" or is_loopback(listen_host):
            return cls(frozenset({_bracketed(listen_host)}), public)
        machine = socket.gethostname().lower()
        return cls(frozenset({_bracketed(listen_host), machine, f"{machine}.local"}), public)

    def accepts_host(self, host: str, local_address: str) -> bool:
        """Return true if a Host header names this daemon; `local_address` is this end of the connection."""
        if self.public is not None and host.lower() == self.public.authority:
            return True
        match = _HOST.fullmatch(host)
        if match is None:
            return False
        name = match["name"].lower()
        return name in LOOPBACK_NAMES or name in self.extra or name == _bracketed(local_address)

    def accepts_origin(self, origin: str, scheme: str, host: str) -> bool:
        """Return true if an Origin is the daemon's own, for a request by `scheme` to `host`."""
        origin_scheme, _, authority = origin.lower().partition("://")
        if self.public is not None and host.lower() == self.public.authority:
            scheme = self.public.scheme
        return origin_scheme == scheme and authority == host.lower()


def _bracketed(address: str) -> str:
    return f"[{address.lower()}]" if ":" in address else address.lower()


def check_host_and_origin(request: web.Request, names: HostNames) -> None:
    """Raise Refusal (forbidden) unless the request names this daemon and no page of another site sent it."""
    hosts = request.headers.getall("Host", [])
    local = request.transport.get_extra_info("sockname") if request.transport is not None else None
    if len(hosts) != 1 or not names.accepts_host(hosts[0], local[0] if isinstance(local, tuple) else ""):
        raise Refusal("forbidden", "this Host is not ours; use the address the daemon printed", "Host")
    for origin in request.headers.getall("Origin", []):
        if not names.accepts_origin(origin, request.scheme, hosts[0]):
            raise Refusal("forbidden", "a page of another origin may not speak here", "Origin")
    if request.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
        if request.method in ("GET", "HEAD") and request.headers.get("Sec-Fetch-Mode") == "navigate":
            return  # a link on another site may open the page; it cannot read or order anything
        raise Refusal("forbidden", "a page of another site may not speak here", "Sec-Fetch-Site")


FORWARDED = ("Forwarded", "X-Real-IP", "X-Client-IP", "Via")
FORWARDED_PREFIX = "X-Forwarded-"
PROTOCOL, TOKEN_PREFIX = "fillside.v1", "token."


def is_local(request: web.Request) -> bool:
    """Return true if the request comes from this machine; one forwarded by a proxy may come from anywhere.

    Some proxies add no header; `fillside run --require-token` is for those.
    """
    headers = request.headers
    forwarded = any(name in headers for name in FORWARDED) or any(
        name.lower().startswith(FORWARDED_PREFIX.lower()) for name in headers
    )
    return not forwarded and is_loopback(request.remote or "")


def token_of(request: web.Request) -> str | None:
    """Return the token of a request; None if there is none.

    A browser's WebSocket cannot send ``Authorization``; it lists the token beside its protocol instead, as
    ``new WebSocket(url, ["fillside.v1", "token." + token])``. Raises Refusal if it is not a Bearer token.
    """
    given = request.headers.get("Authorization")
    if given is not None:
        scheme, _, token = given.partition(" ")
        if scheme.lower() != "bearer" or not token.strip():
            raise Refusal("unauthorised", "Authorization is `Bearer TOKEN`", "Authorization")
        return token.strip()
    for protocol in request.headers.get("Sec-WebSocket-Protocol", "").split(","):
        if protocol.strip().startswith(TOKEN_PREFIX):
            return protocol.strip().removeprefix(TOKEN_PREFIX)
    return None


def check_is_json(request: web.Request) -> None:
    """Raise Refusal unless the content type is JSON, which a form on another site cannot send."""
    if request.content_type != "application/json":
        raise Refusal("bad_order", "orders want Content-Type: application/json", "Content-Type", status=415)
    if request.headers.get("Content-Encoding", "identity") != "identity":
        raise Refusal("bad_order", "orders come uncompressed", "Content-Encoding", status=415)


def guard(names: HostNames, side_jobs: SideJobs, gate: Gate) -> Middleware:
    """Return the middleware: checks before the handler, one shape of error after it, headers on everything.

    Each request first waits for its turn. An unexpected exception of a handler counts as a failure of the
    HTTP door.
    """

    async def respond(request: web.Request, handler: Handler) -> web.StreamResponse:
        try:
            check_host_and_origin(request, names)
            response = await handler(request)
            side_jobs.goes_on(DOOR)
        except Refusal as refusal:
            response = refusal_response(refusal)
        except web.HTTPException as error:
            response = http_error(request, error)
        except ConnectionError:
            raise  # the visitor has gone; aiohttp lets the connection go
        except Exception as error:
            log.exception("%s %s failed", request.method, request.path)
            side_jobs.failed(DOOR, error)
            response = internal_error()
        if not response.prepared:
            for name, value in DEFAULT_HEADERS.items():
                response.headers.setdefault(name, value)
        return response

    @web.middleware
    async def guarded(request: web.Request, handler: Handler) -> web.StreamResponse:
        async with gate.serving(request):
            return await respond(request, handler)

    return guarded


async def expect(request: web.Request) -> web.Response | None:
    """Meet the expectation 100-continue (RFC 9110, 10.1.1), and refuse any other."""
    if request.headers["Expect"].lower() != "100-continue":
        return unguarded_refusal(
            Refusal("bad_order", "only 100-continue can be expected", "Expect", status=417)
        )
    await request.writer.write(b"HTTP/1.1 100 Continue\r\n\r\n")
    # The interim response is not part of the final one, whose size is counted from here.
    request.writer.output_size = 0
    return None
