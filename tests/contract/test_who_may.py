"""Contract: every route, tried by every kind of visitor; exactly those come in that are promised."""

from __future__ import annotations

import asyncio
import json
import stat
from collections.abc import AsyncIterator
from itertools import count
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from fillside.access.authentication import WRONG_TRIES
from fillside.access.tokens import TokenFile
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.app import ROUTES
from fillside.doors.http.listening import Listen
from fillside.doors.http.openapi import plain_path

JSON = {"Content-Type": "application/json"}
FROM_ELSEWHERE = {"X-Forwarded-For": "192.0.2.7"}
"""A proxy's header makes a request one that may come from anywhere."""
VISITORS = ("this machine", "nobody", "wrong", "revoked", "once", "view", "meter", "operate")
LOOKERS, ORDERERS = ("this machine", "view", "operate"), ("this machine", "operate")
PROMISED: dict[str, tuple[str, ...]] = {
    "GET /api/v1/state": LOOKERS,
    "GET /api/v1/readings": LOOKERS,
    "GET /api/v1/calibrations": LOOKERS,
    "GET /api/v1/comparison": LOOKERS,
    "GET /api/v1/takes": LOOKERS,
    "GET /api/v1/places": LOOKERS,
    "GET /api/v1/plan": LOOKERS,
    "POST /api/v1/do": ORDERERS,
    "GET /api/v1/journal": ORDERERS,
    "POST /api/v1/invitation": ORDERERS,
    "POST /api/v1/key": ("once",),
    "GET /api/v1/live": LOOKERS,
    "GET /api/openapi.json": VISITORS,
    "GET /metrics": LOOKERS,
    "GET /health": VISITORS,
    "GET /": VISITORS,
    "GET /page/{path}": VISITORS,
    "GET /manual": VISITORS,
    "GET /manual/{name}": VISITORS,
}
BODIES = {"POST /api/v1/do": {"do": "follow"}, "POST /api/v1/invitation": {}}
_ports = count(2)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("who")


@pytest.fixture(scope="module")
async def up(folder: Path) -> AsyncIterator[Running]:
    async with daemon(demo_studio(), Settings(folder, folder / "tokens.json", Listen(port=0))) as running:
        yield running


def token_of(visitor: str, tokens: TokenFile) -> str | None:
    if visitor == "wrong":
        return "fs-aaaaaaaa-" + "x" * 32
    if visitor == "once":
        return tokens.make_once("view", "phone")[0]
    if visitor == "revoked":
        token = tokens.make("operate", "gone")
        tokens.revoke(token.split("-")[1])
        return token
    if visitor in ("view", "meter", "operate"):
        return tokens.make(visitor, f"{visitor} token")  # type: ignore[arg-type]
    return None


async def asked(url: str, visitor: str, token: str | None, method: str, path: str, said: Any = None) -> int:
    """One request's status; each comes from an address of its own, since wrong tries count by address."""
    headers = {} if visitor == "this machine" else dict(FROM_ELSEWHERE)
    if token is not None:
        headers["Authorization"] = f"Bearer {token}"
    number = next(_ports)
    connector = aiohttp.TCPConnector(local_addr=(f"127.1.{number // 250}.{number % 250 + 1}", 0))
    body = None if said is None else json.dumps(said)
    async with (
        aiohttp.ClientSession(connector=connector) as session,
        session.request(method, url + path, headers={**headers, **JSON}, data=body) as response,
    ):
        return response.status


def files_in(folder: Path) -> list[tuple[Path, int, bytes]]:
    """Every file with its mode and what is in it."""
    return [
        (path, stat.S_IMODE(path.stat().st_mode), path.read_bytes())
        for path in folder.rglob("*")
        if path.is_file()
    ]


def test_the_table_has_every_route() -> None:
    assert {f"{route.method} {plain_path(route.path)}" for route in ROUTES} == set(PROMISED)


@pytest.mark.parametrize("visitor", VISITORS)
@pytest.mark.parametrize("route", PROMISED)
async def test_exactly_the_promised_come_in(up: Running, folder: Path, route: str, visitor: str) -> None:
    method, path = route.split(" ")
    token = token_of(visitor, TokenFile(folder / "tokens.json"))
    status = await asked(up.url, visitor, token, method, path.split("{")[0], BODIES.get(route))
    if visitor in PROMISED[route]:
        assert status not in (401, 403)
    else:
        known = visitor in ("view", "meter", "operate", "this machine") and route != "POST /api/v1/key"
        assert status == (403 if known else 401)


@pytest.mark.parametrize("visitor", VISITORS)
async def test_only_a_meter_beside_the_orderers_hands_in_readings(
    up: Running, folder: Path, visitor: str
) -> None:
    token = token_of(visitor, TokenFile(folder / "tokens.json"))
    said = {"do": "read", "value": "nonsense"}
    status = await asked(up.url, visitor, token, "POST", "/api/v1/do", said)
    assert (status not in (401, 403)) == (visitor in (*ORDERERS, "meter"))


async def test_a_meter_is_answered_without_the_state(up: Running, folder: Path) -> None:
    token = token_of("meter", TokenFile(folder / "tokens.json"))
    said = {"do": "read", "head": "key", "value": 500, "level": 1.0}
    headers = {**FROM_ELSEWHERE, **JSON, "Authorization": f"Bearer {token}"}
    async with (
        aiohttp.ClientSession(headers=headers) as session,
        session.post(up.url + "/api/v1/do", data=json.dumps(said)) as response,
    ):
        answer = await response.json()
    assert response.status == 200, answer
    assert answer["state"] is None


@pytest.mark.parametrize("route", [r for r, who in PROMISED.items() if who != VISITORS])
async def test_wrong_tokens_are_soon_not_looked_at_any_more(up: Running, folder: Path, route: str) -> None:
    method, path = route.split(" ")
    number = next(_ports)
    connector = aiohttp.TCPConnector(local_addr=(f"127.2.0.{number % 250 + 1}", 0))
    headers = {"Authorization": "Bearer fs-aaaaaaaa-" + "x" * 32, **JSON}
    async with aiohttp.ClientSession(connector=connector, headers=headers) as session:
        found = []
        for _ in range(WRONG_TRIES + 1):
            async with session.request(method, up.url + path) as response:
                found.append(response.status)
    assert found == [*[401] * WRONG_TRIES, 429]


async def test_no_secret_is_told_or_kept(up: Running, folder: Path) -> None:
    tokens = TokenFile(folder / "tokens.json")
    token, once = tokens.make("operate", "anna"), tokens.make_once("operate", "phone")[0]
    await asked(up.url, "operate", token, "POST", "/api/v1/do", {"do": "follow"})
    await asked(up.url, "once", once, "POST", "/api/v1/key")
    await asked(up.url, "wrong", token + "x", "GET", "/api/v1/state")
    up.runner.save()
    await asyncio.wrap_future(up.store.write(lambda connection: None))
    secrets = [text.split("-", 2)[2].encode("ascii") for text in (token, once)]
    for path, mode, body in files_in(folder):
        assert not any(secret in body for secret in secrets), path
        assert mode == 0o600, path
    shown = json.dumps(up.runner.state()).encode("ascii")
    assert not any(secret in shown for secret in secrets)


async def test_no_secret_is_in_a_refusal_or_the_log(
    up: Running, folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    secret = "S" * 32
    connector = aiohttp.TCPConnector(local_addr=("127.3.0.1", 0))
    async with aiohttp.ClientSession(connector=connector) as session:
        for headers in (
            {"Authorization": f"Bearer fs-aaaaaaaa-{secret}"},
            {"Authorization": f"Basic {secret}"},
            {"Sec-WebSocket-Protocol": f"fillside.v1, token.{secret}"},
        ):
            for path in ("/api/v1/state", "/api/v1/live", "/nothing"):
                async with session.get(up.url + path, headers=headers) as response:
                    assert secret not in await response.text()
    assert secret not in caplog.text
