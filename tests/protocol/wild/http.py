"""Wild HTTP: orders, questions, headers, requests torn in their octets, and frames of a WebSocket.

What is whole goes over one kept connection; what may break it gets one of its own, whose end is announced, so
that nobody waits for the rest of a torn request.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from fillside.doors.http.app import ROUTES
from fillside.doors.http.openapi import plain_path
from protocol.wild.light import Light, code_of, strict, studio
from protocol.wild.matter import json_of, spoiled, text, torn, value
from protocol.wild.orders import body
from protocol.wild.trial import Kind

PATHS = (
    *(plain_path(route.path) for route in ROUTES),
    "/api/v1/nothing",
    "/page/../../etc/passwd",
    "/page/%2e%2e/x",
)
METHODS = ("GET", "GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "get", "X" * 300)
QUERIES = ("most", "before", "wander", "most[]", "")
HEADERS: dict[str, tuple[str, ...]] = {
    "Host": (
        "",
        "evil.example",
        "127.0.0.1:99999",
        "[::1",
        "localhost\t",
        "127.0.0.1, 127.0.0.1",
        "a" * 9000,
    ),
    "Origin": ("null", "http://evil.example", "http://127.0.0.1", "x"),
    "Content-Type": (
        "text/plain",
        "application/json; charset=utf-16",
        "application/json;",
        "",
        "multipart/form-data",
    ),
    "Content-Encoding": ("gzip", "deflate", "br", "identity", "x"),
    "Content-Length": ("0", "-1", "99999999999", "1e3", "+5", "0x10", "5, 5"),
    "Transfer-Encoding": ("chunked", "gzip, chunked", "identity", "x"),
    "Authorization": ("Bearer", "Bearer x", "Basic eDp4", "Bearer \xff", "Bearer " + "x" * 5000),
    "If-None-Match": ("*", '"x"', "W/", '"' * 50),
    "Accept": ("*/*;q=nan", "application/openmetrics-text; version=x", ",,,", "x" * 2000),
    "Sec-Fetch-Site": ("cross-site", "same-origin", "\x80"),
    "X-Forwarded-For": ("192.0.2.1", "::", ""),
    "Expect": ("100-continue", "x"),
    "Range": ("bytes=0-1", "bytes=9-1", "x=1"),
    "Upgrade": ("websocket", "h2c"),
    "Cookie": ("a=b; a", "\x80=\xff"),
    "Connection": ("close", "upgrade", "keep-alive, x"),
}
OPENING = (
    b"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)
CLOSE = bytes([0x88, 0x80, 0, 0, 0, 0])
ANSWERED_WITHIN_S = 20.0
PATIENCE_S = 0.04


@dataclass(frozen=True)
class Asked:
    """The octets of a request; `alone` is one that needs a connection of its own."""

    octets: bytes
    alone: bool
    orders: bool = False


def request(method: str, path: str, said: bytes = b"", **headers: str) -> bytes:
    lines = {"Host": "127.0.0.1", **headers}
    if said or method == "POST":
        lines = {"Content-Type": "application/json", "Content-Length": str(len(said)), **lines}
    head = "".join(f"{name.replace('_', '-')}: {is_}\r\n" for name, is_ in lines.items())
    return f"{method} {path} HTTP/1.1\r\n{head}\r\n".encode("latin-1", "replace") + said


def _order(rng: random.Random) -> Asked:
    return Asked(request("POST", "/api/v1/do", body(rng)), alone=False, orders=True)


def _long_order(rng: random.Random) -> Asked:
    said = b'{"do": "' + b"x" * rng.choice((65_000, 65_536, 70_000, 400_000)) + b'"}'
    return Asked(request("POST", "/api/v1/do", said), alone=True, orders=True)


def _other_post(rng: random.Random) -> Asked:
    said = json_of(rng, spoiled(rng, {"may": "view", "name": "phone"}) if rng.random() < 0.8 else value(rng))
    return Asked(request("POST", rng.choice(("/api/v1/invitation", "/api/v1/key")), said), alone=False)


def _question(rng: random.Random) -> Asked:
    path = (
        rng.choice(PATHS) if rng.random() < 0.8 else "/" + quote(text(rng).encode("utf-8", "surrogatepass"))
    )
    query = "&".join(
        f"{rng.choice(QUERIES)}={quote(str(value(rng)).encode('utf-8', 'surrogatepass'))[:3000]}"
        for _ in range(rng.choice((0, 0, 1, 1, 2)))
    )
    method = rng.choice(METHODS)
    whole = request(method, path + ("?" + query if query else ""), Connection="close")
    return Asked(whole, alone=True, orders=path == "/api/v1/do")


def _headed(rng: random.Random) -> Asked:
    names = rng.choices(sorted(HEADERS), k=rng.choice((1, 1, 2, 3)))
    more = {name: rng.choice(HEADERS[name]) for name in names}
    if rng.random() < 0.1:
        more |= {text(rng).strip() or "x": text(rng)}
    route = rng.choice((("POST", "/api/v1/do"), ("GET", "/api/v1/state"), ("GET", "/metrics"), ("GET", "/")))
    said = body(rng) if route[0] == "POST" else b""
    return Asked(request(*route, said, **more), alone=True, orders=True)


def _torn(rng: random.Random) -> Asked:
    whole = request("POST", "/api/v1/do", rng.choice((b'{"do": "follow"}', body(rng))))
    return Asked(torn(rng, whole) if rng.random() < 0.9 else rng.randbytes(200), alone=True, orders=True)


def _frames(rng: random.Random) -> Asked:
    """RFC 6455, 5.2: any opcode, any length, masked or not, and often less than was announced."""
    frames = [
        bytes([rng.randrange(256), rng.randrange(256)]) + rng.randbytes(rng.randrange(40))
        for _ in range(rng.randrange(4))
    ]
    return Asked(OPENING + b"".join(frames) + CLOSE, alone=True)


WAYS: tuple[tuple[Callable[[random.Random], Asked], int], ...] = (
    (_order, 780),
    (_headed, 70),
    (_torn, 60),
    (_question, 50),
    (_frames, 20),
    (_other_post, 18),
    (_long_order, 2),
)


class Requests:
    """Requests at the door's own socket."""

    def __init__(self, light: Light) -> None:
        self._light = light
        self._port = int(light.up.url.rpartition(":")[2])
        self._kept: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    def make(self, rng: random.Random) -> Asked:
        ways, weights = zip(*WAYS, strict=True)
        made: Asked = rng.choices(ways, weights)[0](rng)
        return made

    async def feed(self, made: Asked) -> str:
        self._light.begin()
        async with asyncio.timeout(ANSWERED_WITHIN_S):
            found = await (self._alone(made.octets) if made.alone else self._on_the_kept(made.octets))
        if found:
            judge(*found)
        became = self._light.end()
        assert made.orders or became == "refused", "what is no order was obeyed"
        if became == "refused" and found and found[0] < 400:
            return "answered"
        return became

    async def _on_the_kept(self, octets: bytes) -> tuple[int, dict[str, str], bytes]:
        """The answer on the connection that is kept, made again where it was ended."""
        if self._kept is None:
            self._kept = await asyncio.open_connection("127.0.0.1", self._port)
        reader, writer = self._kept
        try:
            writer.write(octets)
            status, headers = head_of(await reader.readuntil(b"\r\n\r\n"))
            said = await reader.readexactly(int(headers["content-length"]))
        except (ConnectionError, asyncio.IncompleteReadError):
            self.close()
            return await self._on_the_kept(octets)
        if headers.get("connection") == "close":
            self.close()
        return status, headers, said

    async def _alone(self, octets: bytes) -> tuple[int, dict[str, str], bytes] | None:
        """The first answer on a connection of its own; None where there is none."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port, limit=2**22)
        writer.write(octets)
        answer = b""
        with contextlib.suppress(ConnectionError):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(PATIENCE_S):
                    while part := await reader.read(65536):
                        answer += part
            # What was torn waits for its rest, and a connection that is kept for another request.
            writer.write_eof()
            answer += await reader.read(-1)
        writer.close()
        head, found, rest = answer.partition(b"\r\n\r\n")
        if not found:
            assert answer == b"", answer[:200]
            return None
        status, headers = head_of(head)
        length = headers.get("content-length")
        return status, headers, rest if length is None else rest[: int(length)]

    async def check(self) -> None:
        await self._light.check()

    def close(self) -> None:
        if self._kept is not None:
            self._kept[1].close()
            self._kept = None


def head_of(octets: bytes) -> tuple[int, dict[str, str]]:
    first, *lines = octets.decode("latin-1").strip().split("\r\n")
    pairs = (line.partition(":") for line in lines)
    return int(first.split(" ")[1]), {name.lower(): is_.strip() for name, _, is_ in pairs}


def judge(status: int, headers: dict[str, str], said: bytes) -> None:
    """An answer is no fault of ours; one that refuses says so in the shape of every door."""
    assert status < 500 or (status == 503 and b'"ready"' in said), (status, said[:300])
    if "json" in headers.get("content-type", "") and said:
        answer = strict(said)
        if status >= 400 and status != 503:
            code_of(answer)
    else:
        assert status < 400 or not said, f"{status} in another shape: {said[:200]!r}"


@asynccontextmanager
async def requests(folder: Path) -> AsyncIterator[Kind]:
    async with studio(folder) as light:
        kind = Requests(light)
        yield kind
        kind.close()
