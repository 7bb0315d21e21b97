"""Contract: behind a proxy on this machine nobody is taken for the machine, and our own page works there."""

from __future__ import annotations

import http.client
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from fillside.access.tokens import TokenFile
from fillside.cli import group
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.app import ROUTES
from fillside.doors.http.listening import Listen, ListenError, Public

PUBLIC = "https://light.example"
PROXIED = {"Host": "light.example", "Origin": PUBLIC, "Sec-Fetch-Site": "same-origin"}


@pytest.fixture(scope="module")
def tokens(tmp_path_factory: pytest.TempPathFactory) -> TokenFile:
    return TokenFile(tmp_path_factory.mktemp("proxy") / "tokens.json")


@pytest.fixture(scope="module")
def token(tokens: TokenFile) -> str:
    return tokens.make("operate", "tablet")


@pytest.fixture(scope="module")
async def up(tokens: TokenFile, token: str) -> AsyncIterator[Running]:
    where = Settings(
        tokens.path.parent / "data", tokens.path, Listen(port=0), public=Public.parse(PUBLIC + "/")
    )
    async with daemon(demo_studio(), where) as running:
        yield running


async def ask(
    up: Running, path: str, token: str | None = None, body: Any = None, **headers: str
) -> tuple[int, Any]:
    if token is not None:
        headers["Authorization"] = f"Bearer {token}"
    if body is not None:
        headers["Content-Type"] = "application/json"
    method, data = ("GET", None) if body is None else ("POST", json.dumps(body))
    async with (
        aiohttp.ClientSession(headers=headers) as session,
        session.request(method, up.url + path, data=data) as response,
    ):
        text = await response.text()
        return response.status, json.loads(text) if "json" in response.content_type else text


async def test_this_machine_too_is_asked_for_a_token(up: Running, token: str) -> None:
    for route in ROUTES:
        if route.needs != "nothing":
            path, body = route.path, {} if route.method == "POST" else None
            assert (await ask(up, path, body=body))[0] == 401, path
    for path in ("/api/v1/state", "/metrics"):
        assert (await ask(up, path, token))[0] == 200
    assert (await ask(up, "/api/v1/do", token, {"do": "follow"}))[0] == 200


async def test_what_needs_nothing_needs_nothing_there_either(up: Running) -> None:
    assert (await ask(up, "/health"))[0] in (200, 503)
    assert (await ask(up, "/", Host="light.example"))[0] == 200


async def test_our_page_works_at_the_public_address(up: Running, token: str) -> None:
    assert (await ask(up, "/api/v1/do", token, {"do": "follow"}, **PROXIED))[0] == 200
    headers = {**PROXIED, "Authorization": f"Bearer {token}"}
    async with (
        aiohttp.ClientSession(headers=headers) as session,
        session.ws_connect(up.url + "/api/v1/live") as socket,
    ):
        assert "full" in await socket.receive_json()


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://light.example"},
        {"Origin": "https://evil.example"},
        {"Origin": "https://light.example:444"},
        {"Host": "evil.example"},
        {"Host": "light.example:444"},
        {"Host": "127.0.0.1"},
        {"Sec-Fetch-Site": "cross-site"},
    ],
)
async def test_a_page_of_another_origin_may_not_speak_there(
    up: Running, token: str, headers: dict[str, str]
) -> None:
    status, answer = await ask(up, "/api/v1/do", token, {"do": "follow"}, **{**PROXIED, **headers})
    assert status == 403
    assert answer["error"]["code"] == "forbidden"


async def test_a_phone_is_invited_to_the_public_address(up: Running, token: str) -> None:
    status, answer = await ask(up, "/api/v1/invitation", token, {"name": "phone"})
    assert status == 200
    assert answer["addresses"] == [PUBLIC]


async def test_asking_everybody_wants_a_token_that_somebody_has(tmp_path: Path) -> None:
    where = Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0), require_token=True)
    with pytest.raises(ListenError, match=r"everybody is to be asked for a token.*fillside token new"):
        async with daemon(demo_studio(), where):
            pass


async def test_a_token_required_is_required_of_this_machine(tmp_path: Path) -> None:
    tokens = TokenFile(tmp_path / "tokens.json")
    token = tokens.make("view", "wall")
    async with daemon(
        demo_studio(), Settings(tmp_path, tokens.path, Listen(port=0), require_token=True)
    ) as up:
        assert (await ask(up, "/api/v1/state"))[0] == 401
        assert (await ask(up, "/api/v1/state", token))[0] == 200
        assert (await ask(up, "/api/v1/state", token, Host="light.example"))[0] == 403


@pytest.mark.parametrize(
    "text", ["light.example", "ftp://light.example", "https://", "https://a/b", "https://a b"]
)
def test_a_public_address_is_scheme_and_host(text: str) -> None:
    with pytest.raises(ListenError, match=r"such as https://light\.example"):
        Public.parse(text)


class Answer:
    """What a daemon says to one who has no token that it takes."""

    status = 401

    def read(self) -> bytes:
        return b'{"error": {"code": "unauthorised", "message": "a token is needed here", "where": ""}}'


def test_a_command_says_how_to_hand_in_a_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    given: list[str | None] = []

    def request(_: Any, method: str, path: str, body: Any, headers: dict[str, str]) -> None:
        given.append(headers.get("Authorization"))

    def status(*more: str) -> tuple[object, str]:
        with pytest.raises(SystemExit) as ended:
            group.run(["status", *more])
        return ended.value.code, capsys.readouterr().err

    monkeypatch.setattr(http.client.HTTPConnection, "request", request)
    monkeypatch.setattr(http.client.HTTPConnection, "getresponse", lambda _: Answer())
    monkeypatch.delenv("FILLSIDE_TOKEN", raising=False)
    hint = "a token is needed here, and --token TOKEN or FILLSIDE_TOKEN hands it in"
    assert status() == (1, f"fillside: {hint}\n")
    kept = tmp_path / "token"
    kept.write_text("fs-aaaaaaaa-secret\n")
    assert status("--token", f"file:{kept}") == (1, "fillside: a token is needed here\n")
    assert given == [None, "Bearer fs-aaaaaaaa-secret"]
    code, said = status("--token", f"file:{tmp_path / 'none'}")
    assert code == 2
    assert "none cannot be read: " in said
