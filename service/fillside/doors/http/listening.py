"""Listening: the address, the certificate, and a socket bound early.

The socket is bound before any lamp is touched, so that a daemon whose port is taken stops before it disturbs
the light; requests are answered only once there is a state to show. So nothing here needs the HTTP library.
"""

from __future__ import annotations

import errno
import ipaddress
import re
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path

from fillside.system_errors import why
from fillside_drivers.plain_files import check_plain
from fillside_drivers.system import SYSTEM, System

BACKLOG = 1024
RECEIVE_BUFFER, SEND_BUFFER = 32 * 1024, 128 * 1024
"""The system's buffers per connection, doubled by Linux: an order has 64 KiB at most, and answers to a
visitor who takes none would otherwise grow to megabytes."""
_PUBLIC = re.compile(r"(https?)://((?:\[[0-9a-f:.]+\]|[a-z0-9._-]+)(?::\d{1,5})?)/?", re.IGNORECASE)
_LISTEN = re.compile(r"(?:\[(?P<six>[^\]]+)\]|(?P<four>[^:\[\]]*)):(?P<port>\d{1,5})")


def is_loopback(address: str) -> bool:
    """Return true if an IP address is a loopback address.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("::ffff:127.0.0.1"), is_loopback("10.0.0.1")
    (True, True, True, False)
    """
    try:
        found = ipaddress.ip_address(address.split("%", maxsplit=1)[0])
    except ValueError:
        return False
    mapped = getattr(found, "ipv4_mapped", None)
    return (mapped or found).is_loopback


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
