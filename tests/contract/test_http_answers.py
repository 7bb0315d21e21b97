"""Contract: answers that are asked for again, without a body, or by other methods (RFC 9110)."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator

import aiohttp
import pytest

from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.app import ROUTES
from fillside.doors.http.listening import Listen

JSON = {"Content-Type": "application/json"}


@pytest.fixture(scope="module")
async def up(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Running]:
    folder = tmp_path_factory.mktemp("answers")
    async with daemon(demo_studio(), Settings(folder, folder / "tokens.json", Listen(port=0))) as running:
        async with running.runner.live.join() as reader:
            while not running.runner.light.settled:
                await reader.next()
        yield running


@pytest.fixture(scope="module")
async def client() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession() as session:
        yield session


async def do(up: Running, client: aiohttp.ClientSession, **order: object) -> None:
    async with client.post(up.url + "/api/v1/do", data=json.dumps(order), headers=JSON) as response:
        assert response.status == 200


@pytest.mark.parametrize("path", ["/api/v1/state", "/api/openapi.json", "/"])
async def test_what_is_as_it_was_is_not_sent_again(
    up: Running, client: aiohttp.ClientSession, path: str
) -> None:
    async with client.get(up.url + path) as response:
        tag = response.headers["ETag"]
        assert "no-cache" in response.headers["Cache-Control"]
        assert await response.read()
    for known in (tag, f'"other", {tag}', f"W/{tag}", "*"):
        async with client.get(up.url + path, headers={"If-None-Match": known}) as response:
            assert response.status == 304
            assert response.headers["ETag"] == tag
            assert await response.read() == b""
    async with client.get(up.url + path, headers={"If-None-Match": '"other"'}) as response:
        assert response.status == 200


async def test_a_state_that_changed_has_another_tag(up: Running, client: aiohttp.ClientSession) -> None:
    async with client.get(up.url + "/api/v1/state") as response:
        before = response.headers["ETag"]
    await do(up, client, do="freeze")
    async with client.get(up.url + "/api/v1/state", headers={"If-None-Match": before}) as response:
        assert response.status == 200
        assert (await response.json())["mode"] == "freeze"
        assert response.headers["ETag"] != before
    await do(up, client, do="follow")


async def test_what_may_not_be_kept_says_so(up: Running, client: aiohttp.ClientSession) -> None:
    for path in ("/api/v1/journal", "/metrics", "/health", "/nothing"):
        async with client.get(up.url + path) as response:
            assert response.headers["Cache-Control"] == "no-store"


async def test_head_is_get_without_the_body(up: Running, client: aiohttp.ClientSession) -> None:
    for path in ("/api/v1/state", "/api/v1/places", "/api/openapi.json", "/health", "/"):
        async with client.get(up.url + path) as whole, client.head(up.url + path) as head:
            assert head.status == 200
            assert await head.read() == b""
            for name in ("Content-Type", "Content-Length", "ETag", "Cache-Control"):
                assert head.headers.get(name) == whole.headers.get(name), (path, name)


async def test_options_says_what_is_allowed_and_nothing_to_other_origins(
    up: Running, client: aiohttp.ClientSession
) -> None:
    for route in ROUTES:
        path = up.url + route.path.split("{")[0]
        if "{" in route.path:
            path += "index.html"
        async with client.options(path) as response:
            assert response.status == 204
            assert route.method in response.headers["Allow"].split(",")
            assert not [name for name in response.headers if name.startswith("Access-Control")]
    preflight = {"Origin": "http://evil.example", "Access-Control-Request-Method": "POST"}
    async with client.options(up.url + "/api/v1/do", headers=preflight) as response:
        assert response.status == 403
        assert not [name for name in response.headers if name.startswith("Access-Control")]


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "HEAD"])
async def test_other_methods_do_not_order(up: Running, client: aiohttp.ClientSession, method: str) -> None:
    async with client.request(
        method, up.url + "/api/v1/do", data=b'{"do": "dark"}', headers=JSON
    ) as response:
        assert response.status == 405
        assert response.headers["Allow"] == "POST"
    assert up.runner.state()["mode"] == "follow"


async def test_the_journal_comes_in_pages(up: Running, client: aiohttp.ClientSession) -> None:
    for stops in (0.1, 0.2, 0.3):
        await do(up, client, do="trim", role="fill", to=stops)

    async def page(query: str) -> list[dict[str, object]]:
        async with client.get(f"{up.url}/api/v1/journal?{query}") as response:
            assert response.status == 200
            entries: list[dict[str, object]] = (await response.json())["entries"]
            return entries

    newest = await page("most=2")
    assert [entry["said"] for entry in newest] == [
        {"do": "trim", "role": "fill", "to": 0.3},
        {"do": "trim", "role": "fill", "to": 0.2},
    ]
    assert newest[0]["who"] == "this machine"
    older = await page(f"most=1&before={newest[-1]['id']}")
    assert older[0]["said"] == {"do": "trim", "role": "fill", "to": 0.1}


@pytest.mark.parametrize("what", ["journal", "readings", "calibrations", "takes"])
@pytest.mark.parametrize("query", ["most=0", "most=-1", "most=1.5", "most=", "before=x", "most=" + "9" * 40])
async def test_pages_that_are_none(up: Running, client: aiohttp.ClientSession, what: str, query: str) -> None:
    async with client.get(f"{up.url}/api/v1/{what}?{query}") as response:
        assert response.status == 400
        assert (await response.json())["error"]["where"] in ("most", "before")
