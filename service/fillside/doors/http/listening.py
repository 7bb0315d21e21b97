"""Listening: the address, the certificate, a socket bound early, and requests served late.

The socket is bound before any lamp is touched, so that a daemon whose port is taken stops before it disturbs
the light; requests are answered only once there is a state to show.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import re
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError

from fillside.doors.http.connections import Gate
from fillside.doors.http.request_checks import is_loopback
from fillside.doors.http.responses import unguarded_refusal
from fillside.orders.answers import Refusal
from fillside.system_errors import why
from fillside_drivers.plain_files import check_plain
from fillside_drivers.system import SYSTEM, System

SHUTDOWN_S = 1.0
LINGERING_S = 2.0
"""The time for which the rest of an unwanted body is read, so that its sender gets the answer."""
IDLE_S = 30.0
BACKLOG = 1024
RECEIVE_BUFFER, SEND_BUFFER = 32 * 1024, 128 * 1024
"""The system's buffers per connection, doubled by Linux: an order has 64 KiB at most, and answers to a
visitor who takes none would otherwise grow to megabytes."""
MOST_HEADERS = 64
_PUBLIC = re.compile(r"(https?)://((?:\[[0-9a-f:.]+\]|[a-z0-9._-]+)(?::\d{1,5})?)/?", re.IGNORECASE)
_LISTEN = re.compile(r"(?:\[(?P<six>[^\]]+)\]|(?P<four>[^:\[\]]*)):(?P<port>\d{1,5})")


def _is_own_fault(record: logging.LogRecord) -> bool:
    """Return true if a record is about a fault of Fillside; broken requests are only answered."""
    error = record.exc_info[1] if record.exc_info else None
    return not isinstance(error, HttpProcessingError | web.RequestPayloadError | ConnectionError)


wire_log = logging.getLogger("fillside.http")
wire_log.addFilter(_is_own_fault)


class ListenError(Exception):
    """Listening is not possible; the text is one clear line."""


@dataclass(frozen=True)
class Listen:
    """The address to listen on; port 0 means any free one.

    >>> Listen.parse("127.0.0.1:7420")
    Listen(host='127.0.0.1', port=7420)
    >>> Listen.parse("[::1]:0").host
    '::1'
    """

    host: str = "127.0.0.1"
    port: int = 7420

    @classmethod
    def parse(cls, text: str) -> Listen:
        match = _LISTEN.fullmatch(text)
        if match is None or int(match["port"]) > 65535:
            raise ListenError(f"{text!r} is not an address such as 127.0.0.1:7420")
        return cls(match["six"] or match["four"] or "0.0.0.0", int(match["port"]))

    @property
    def loopback(self) -> bool:
        return self.host == "localhost" or is_loopback(self.host)


@dataclass(frozen=True)
class Public:
    """The address of a proxy in front of the daemon, as visitors use it.

    >>> Public.parse("https://light.example/").url
    'https://light.example'
    """

    scheme: str
    authority: str

    @classmethod
    def parse(cls, text: str) -> Public:
        match = _PUBLIC.fullmatch(text)
        if match is None:
            raise ListenError(f"{text!r} is not an address such as https://light.example")
        return cls(match[1].lower(), match[2].lower())

    @property
    def url(self) -> str:
        return f"{self.scheme}://{self.authority}"


@dataclass(frozen=True)
class Tls:
    """A certificate, its key, and the context that uses them."""

    certificate: Path
    key: Path
    context: ssl.SSLContext

    def renew(self) -> None:
        """Reload the files for new connections; call this between two handshakes.

        Raises ListenError with one clear line, and then changes nothing.
        """
        _load(ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), self.certificate, self.key)
        _load(self.context, self.certificate, self.key)


def tls_of(certificate: Path | None, key: Path | None) -> Tls | None:
    """Load a certificate and its key; None without either. Raises ListenError with one clear line."""
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise ListenError("--certificate and --key go together")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    _load(context, certificate, key)
    return Tls(certificate, key, context)


def scheme_of(tls: Tls | None) -> str:
    return "http" if tls is None else "https"


def _load(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    for path in (certificate, key):
        try:
            check_plain(path)
        except OSError as error:
            raise ListenError(f"{path}: cannot be read: {why(error)}") from error
    try:
        # Without this, a key with a password would prompt at the terminal, which a daemon lacks.
        context.load_cert_chain(certificate, key, password=lambda: "")
    except (ssl.SSLError, ValueError) as error:
        reason = str(getattr(error, "reason", "") or "").replace("_", " ").lower()
        raise ListenError(
            f"{certificate} and {key} are no certificate and its key without a password, both PEM"
            + (f" ({reason})" if reason else "")
        ) from error


def bind(listen: Listen, system: System = SYSTEM) -> socket.socket:
    """Bind a listening socket. Raises ListenError with one clear line."""
    try:
        found = socket.getaddrinfo(listen.host, listen.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except OSError as error:
        raise ListenError(f"cannot listen on {listen.host}: {why(error)}") from error
    family, kind, proto, _, address = found[0]
    bound = system.socket(family, kind, proto)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        bound.bind(address)
        bound.listen(BACKLOG)
    except OSError as error:
        bound.close()
        reason = why(error)
        if error.errno == errno.EADDRINUSE:
            reason = "something else listens there; stop it or give another --listen HOST:PORT"
        raise ListenError(f"cannot listen on {listen.host}:{listen.port}: {reason}") from error
    return bound


def url_of(bound: socket.socket, scheme: str = "http") -> str:
    """Return the address for a browser on this machine."""
    host, port = bound.getsockname()[:2]
    if host in ("0.0.0.0", "::"):
        host = "127.0.0.1"
    return f"{scheme}://[{host}]:{port}" if ":" in host else f"{scheme}://{host}:{port}"


class _RequestProtocol(web.RequestHandler):
    """aiohttp's protocol, except that an unreadable request gets a refusal of the usual shape."""

    __slots__ = ()

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """Answer an unreadable request; the library would quote it on several lines."""
        answer = super().handle_error(request, status, exc, message)
        if status < 500:
            refusal = Refusal("bad_order", "this is no HTTP request that can be read", status=status)
            answer = unguarded_refusal(refusal)
            answer.force_close()
        return answer


@asynccontextmanager
async def serving(
    app: web.Application, bound: socket.socket, gate: Gate, tls: ssl.SSLContext | None = None
) -> AsyncIterator[None]:
    """Answer requests at `bound` while inside, on the connections that `gate` admits."""
    options: dict[str, Any] = {
        "access_log": None,
        "logger": wire_log,
        "keepalive_timeout": IDLE_S,
        "lingering_time": LINGERING_S,
        "max_headers": MOST_HEADERS,
    }
    runner = web.AppRunner(app, handle_signals=False, shutdown_timeout=SHUTDOWN_S, **options)
    await runner.setup()
    loop, server = asyncio.get_running_loop(), runner.server
    assert server is not None, "it was just set up"
    try:
        async with gate.open(bound, lambda: _RequestProtocol(server, loop=loop, **options), tls):
            yield
    finally:
        await runner.cleanup()
