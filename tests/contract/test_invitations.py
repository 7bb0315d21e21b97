"""Contract: letting a phone in by an address that is good once, and reading who ordered what."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import time
from collections.abc import AsyncIterator
from urllib.parse import urlsplit

import aiohttp
import pytest

from fillside.access.tokens import TokenFile
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.address import Listen
from fillside.doors.http.invitation import Entrance, own_addresses
from journeys.forking import run

ELSEWHERE = {"X-Forwarded-For": "192.0.2.7"}


@pytest.fixture(scope="module")
def tokens(tmp_path_factory: pytest.TempPathFactory) -> TokenFile:
    return TokenFile(tmp_path_factory.mktemp("invited") / "tokens.json")


@pytest.fixture(scope="module")
async def up(tokens: TokenFile) -> AsyncIterator[Running]:
    """A daemon that other machines reach, as one with a token does."""
    tokens.make("operate", "anna")
    where = Settings(tokens.path.parent / "data", tokens.path, Listen("0.0.0.0", 0))
    async with daemon(demo_studio(), where) as running:
        yield running


@pytest.fixture(scope="module")
async def alone(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Running]:
    folder = tmp_path_factory.mktemp("alone")
    async with daemon(demo_studio(), Settings(folder, folder / "tokens.json", Listen(port=0))) as running:
        yield running


async def cli(url: str, *words: str) -> subprocess.CompletedProcess[str]:
    environ = {**os.environ, "TZ": "UTC"}
    return await asyncio.to_thread(lambda: run(*words, "--url", url, environ=environ))


on_a_network = pytest.mark.skipif(not own_addresses(), reason="this machine is on no network")


@on_a_network
async def test_a_phone_gets_a_key_of_its_own(up: Running, tokens: TokenFile) -> None:
    done = await cli(up.url, "phone", "--name", "tablet", "--json")
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert 0 < said["until"] - time.time() <= 600
    assert urlsplit(said["url"]).hostname in own_addresses()
    assert said["url"] in said["urls"]
    once = said["url"].partition("#token=")[2]
    async with aiohttp.ClientSession(headers={"Authorization": f"Bearer {once}", **ELSEWHERE}) as session:
        async with session.get(up.url + "/api/v1/state") as response:
            assert response.status == 401
        async with session.post(up.url + "/api/v1/key") as response:
            assert response.status == 200
            key = await response.json()
        async with session.post(up.url + "/api/v1/key") as response:
            assert response.status == 401
    assert key["may"] == "operate"
    assert "tablet, invited by this machine" in {line.name for line in tokens.lasting()}
    async with (
        aiohttp.ClientSession(headers={"Authorization": f"Bearer {key['token']}", **ELSEWHERE}) as session,
        session.post(up.url + "/api/v1/do", json={"do": "follow"}) as response,
    ):
        assert response.status == 200
    await asyncio.wrap_future(up.store.write(lambda connection: None))
    done = await cli(up.url, "journal", "--json")
    told = json.loads(done.stdout)
    assert [entry["said"]["do"] for entry in told[-3:]] == ["invite", "key", "follow"]
    assert told[-1]["who"] == "tablet, invited by this machine"
    assert once not in done.stdout
    assert key["token"] not in done.stdout


@on_a_network
async def test_a_code_is_drawn_beside_the_address(up: Running) -> None:
    done = await cli(up.url, "phone", "--may", "view")
    assert done.returncode == 0, done.stderr
    assert "▄" in done.stdout
    assert "/#token=once-" in done.stdout
    assert "works once" in done.stdout


async def test_a_daemon_for_its_own_machine_says_what_to_do(alone: Running) -> None:
    done = await cli(alone.url, "phone")
    assert done.returncode == 1
    assert "--listen 0.0.0.0:7420" in done.stderr
    assert "fillside token new" in done.stderr
    assert len(done.stderr.splitlines()) == 1


async def test_invitations_that_are_none(up: Running) -> None:
    wrong = (
        {"may": "meter"},
        {"may": "rule"},
        {"name": "x" * 65},
        {"name": "a\nb"},
        {"name": " "},
        [],
        {"x": 1},
    )
    async with aiohttp.ClientSession() as session:
        for said in wrong:
            async with session.post(up.url + "/api/v1/invitation", json=said) as response:
                assert response.status == 400, said
                assert (await response.json())["error"]["code"] == "bad_order"


@pytest.mark.parametrize(
    ("listen", "addresses"),
    [
        (Listen("127.0.0.1", 7420), []),
        (Listen("::1", 7420), []),
        (Listen("192.0.2.5", 7420), ["https://192.0.2.5:99"]),
        (Listen("2001:db8::5", 7420), ["https://[2001:db8::5]:99"]),
        (Listen("studio.example", 7420), ["https://studio.example:99"]),
    ],
)
def test_addresses_to_open(listen: Listen, addresses: list[str]) -> None:
    assert Entrance(listen, 99, "https").addresses() == addresses


async def test_the_journal_for_people(up: Running) -> None:
    await cli(up.url, "trim", "fill", "-1/2")
    await cli(up.url, "trim", "nobody", "1")
    done = await cli(up.url, "journal", "--most", "2")
    assert done.returncode == 0, done.stderr
    heading, done_line, refused = done.stdout.splitlines()
    assert heading.split() == ["when", "who", "from", "what", "came", "of", "it"]
    assert "this machine" in done_line
    assert "trim fill -0.5 stop" in done_line
    assert "refused: " in refused
