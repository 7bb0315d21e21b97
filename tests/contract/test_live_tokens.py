"""Contract: who looks on with a token is told nothing more once that token is no longer good."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from fillside.access.tokens import TokenFile
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.listening import Listen
from fillside.runtime import live

POLICY_VIOLATION = 1008
"""RFC 6455, 7.4.1."""
WHY = "this token is no longer good"


@pytest.fixture
async def up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Running]:
    monkeypatch.setattr(live, "BEAT_S", 0.02)
    async with daemon(demo_studio(), Settings(tmp_path, tmp_path / "tokens.json", Listen(port=0))) as running:
        yield running


@pytest.fixture
def tokens(tmp_path: Path) -> TokenFile:
    """The file as another process has it."""
    return TokenFile(tmp_path / "tokens.json")


@asynccontextmanager
async def looking_on(up: Running, token: str | None) -> AsyncIterator[aiohttp.ClientWebSocketResponse]:
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    async with (
        aiohttp.ClientSession(headers=headers) as session,
        session.ws_connect(up.url + "/api/v1/live", autoclose=True) as socket,
    ):
        assert "full" in await socket.receive_json()
        yield socket


async def end_of(socket: aiohttp.ClientWebSocketResponse) -> tuple[Any, Any]:
    """The code and the reason with which a connection ends."""
    async with asyncio.timeout(10):
        while (message := await socket.receive()).type is aiohttp.WSMsgType.TEXT:
            assert "changed" in json.loads(message.data)
    assert message.type is aiohttp.WSMsgType.CLOSE
    return message.data, message.extra


async def test_a_revoked_token_ends_what_it_opened_and_nothing_else(up: Running, tokens: TokenFile) -> None:
    token, other = tokens.make("view", "anna"), tokens.make("view", "ben")
    async with (
        looking_on(up, token) as hers,
        looking_on(up, token) as hers_too,
        looking_on(up, other) as his,
        looking_on(up, None) as ours,
    ):
        tokens.revoke(token.split("-")[1])
        assert await end_of(hers) == (POLICY_VIOLATION, WHY)
        assert await end_of(hers_too) == (POLICY_VIOLATION, WHY)
        for socket in (his, ours):
            for _ in range(3):
                assert "changed" in await socket.receive_json(timeout=60)


@pytest.mark.parametrize("change", ["right", "secret", "gone", "garbage"])
async def test_a_file_that_is_changed_by_hand_counts_too(up: Running, tokens: TokenFile, change: str) -> None:
    token = tokens.make("operate", "anna")
    async with looking_on(up, token) as socket:
        body = json.loads(tokens.path.read_text("utf-8"))
        if change == "right":
            body["tokens"][0]["may"] = "meter"
        elif change == "secret":
            body["tokens"][0]["salt"] = "AAAAAAAAAAAAAAAAAAAAAA=="
        if change == "gone":
            tokens.path.unlink()
        else:
            new = tokens.path.with_suffix(".new")
            new.write_text("{" if change == "garbage" else json.dumps(body), "utf-8")
            new.replace(tokens.path)
        assert await end_of(socket) == (POLICY_VIOLATION, WHY)


async def test_nothing_is_told_after_that(up: Running, tokens: TokenFile) -> None:
    token = tokens.make("view", "anna")
    async with looking_on(up, token) as socket:
        tokens.revoke(token.split("-")[1])
        async with aiohttp.ClientSession() as session:
            answer = await session.post(up.url + "/api/v1/do", json={"do": "trim", "role": "fill", "to": -1})
            assert answer.status == 200
        async with asyncio.timeout(10):
            while (message := await socket.receive()).type is aiohttp.WSMsgType.TEXT:
                assert "trims" not in json.loads(message.data)["changed"]
        assert message.data == POLICY_VIOLATION


def test_a_token_that_is_revoked_is_seen_within_the_beat() -> None:
    """A few seconds were promised; between two texts there is no more than this."""
    assert live.BEAT_S <= 5.0
