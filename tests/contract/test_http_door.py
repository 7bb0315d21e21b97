"""Contract: the HTTP door. Who gets in, what is refused and how, and that no rejected input moves a lamp."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from fillside.access.tokens import TokenFile
from fillside.daemon.composition import Running, Settings, daemon
from fillside.demo.play import demo_studio
from fillside.doors.http.app import ROUTES
from fillside.doors.http.listening import Listen, ListenError
from fillside.doors.http.request_checks import HostNames
from fillside.doors.http.responses import STATUS_OF_CODE

ORDER = {"do": "expose", "by": 0.1}
JSON = {"Content-Type": "application/json"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("door")


@pytest.fixture(scope="module")
async def up(folder: Path) -> AsyncIterator[Running]:
    async with daemon(demo_studio(), Settings(folder, folder / "tokens.json", Listen(port=0))) as running:
        yield running


@pytest.fixture(scope="module")
async def client() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession() as session:
        yield session


def wanted(up: Running) -> Any:
    state = up.runner.state()
    return {part: state[part] for part in ("balance", "trims", "mode", "subject", "last_order")}


async def post(client: aiohttp.ClientSession, up: Running, body: Any, **headers: str) -> tuple[int, Any]:
    data = body if isinstance(body, bytes) else json.dumps(body).encode("ascii")
    async with client.post(up.url + "/api/v1/do", data=data, headers={**JSON, **headers}) as response:
        return response.status, await response.json()


async def test_an_order_answers_with_what_came_of_it(up: Running, client: aiohttp.ClientSession) -> None:
    status, answer = await post(client, up, {"do": "trim", "role": "fill", "by": -0.5})
    assert status == 200
    assert answer["ok"] is True
    assert answer["state"]["trims"]["fill"] == -0.5
    assert (await post(client, up, {"do": "undo"}))[0] == 200


async def test_a_tracker_is_answered_without_the_state(up: Running, client: aiohttp.ClientSession) -> None:
    answer = await post(client, up, {"do": "subject", "to": [0.05, 0.0, 1.2]})
    assert answer == (200, {"ok": True, "note": "", "state": None})
    assert up.runner.state()["subject_seen"]["source"] == "tracker"
    async with client.get(up.url + "/api/v1/state") as response:
        assert (await response.json())["subject_seen"]["source"] == "tracker"


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (b"", "bad_order"),
        (b"\xff", "bad_order"),
        (b"[]", "bad_order"),
        (b"3", "bad_order"),
        (b'{"do": "expose", "by": NaN}', "bad_order"),
        ({"do": "flash"}, "bad_order"),
        ({"do": "trim", "role": "fill", "by": 1, "\x85\x9b": 1}, "bad_order"),
        (b'{"\x7f\xc2\x85": 1, "\x7f\xc2\x85": 2}', "bad_order"),
        ({"do": "trim", "role": "fill"}, "bad_order"),
        ({"do": "trim", "role": "fil", "by": 1}, "unknown_name"),
        ({"do": "move", "mark": "moon"}, "unknown_name"),
        ({"do": "move", "to": [0, 0, 99]}, "out_of_range"),
        ({"do": "trim", "role": "fill", "by": 100}, "out_of_range"),
        ({"do": "camera", "iso": 5e-324}, "out_of_range"),
    ],
)
async def test_a_refusal_has_one_shape_and_changes_nothing(
    up: Running, client: aiohttp.ClientSession, body: Any, code: str
) -> None:
    before = wanted(up)
    status, answer = await post(client, up, body)
    assert status == STATUS_OF_CODE[code]
    assert set(answer) == {"error"}
    assert set(answer["error"]) == {"code", "message", "where"}
    assert answer["error"]["code"] == code
    assert answer["error"]["message"]
    assert (answer["error"]["message"] + answer["error"]["where"]).isprintable()
    assert wanted(up) == before


@pytest.mark.parametrize(
    "headers",
    [
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "multipart/form-data; boundary=x"},
        {"Content-Type": ""},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Host": "rebound.example"},
        {"Host": "rebound.example:7420"},
        {"Host": "127.0.0.1.evil.example"},
        {"Host": "192.0.2.1"},
        {"Host": "localhost@evil.example"},
        {"Content-Encoding": "gzip"},
    ],
)
async def test_no_other_site_can_order(
    up: Running, client: aiohttp.ClientSession, headers: dict[str, str]
) -> None:
    before = wanted(up)
    status, answer = await post(client, up, ORDER, **headers)
    assert status in (403, 415)
    assert answer["error"]["code"] in ("forbidden", "bad_order")
    assert wanted(up) == before


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "[::1]", "LOCALHOST"])
async def test_our_own_names_are_ours(up: Running, client: aiohttp.ClientSession, host: str) -> None:
    port = up.url.rsplit(":", 1)[1]
    headers = {"Host": f"{host}:{port}", "Origin": f"http://{host}:{port}", "Sec-Fetch-Site": "same-origin"}
    assert (await post(client, up, {"do": "follow"}, **headers))[0] == 200


async def test_every_route_refuses_a_foreign_host(up: Running, client: aiohttp.ClientSession) -> None:
    for route in ROUTES:
        path = route.path.split("{")[0] + ("index.html" if "{" in route.path else "")
        async with client.request(
            route.method, up.url + path, headers={"Host": "rebound.example", **JSON}
        ) as response:
            assert response.status == 403, route.path


async def test_another_sites_page_cannot_look_on(up: Running, client: aiohttp.ClientSession) -> None:
    with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
        await client.ws_connect(up.url + "/api/v1/live", headers={"Origin": "http://evil.example"})
    assert refused.value.status == 403


async def test_live_tells_the_state_and_then_what_changes(up: Running, client: aiohttp.ClientSession) -> None:
    async with asyncio.timeout(10), client.ws_connect(up.url + "/api/v1/live") as live:
        state = (await live.receive_json())["full"]
        assert state["rig"] == "pottery"
        await post(client, up, {"do": "freeze"})
        while state["mode"] != "freeze":
            said = await live.receive_json()
            assert set(said) == {"changed"}
            state.update(said["changed"])
        await post(client, up, {"do": "follow"})


async def test_headers_that_keep_a_page_in_its_place(up: Running, client: aiohttp.ClientSession) -> None:
    for path in ("/health", "/api/v1/state", "/nothing-here"):
        async with client.get(up.url + path) as response:
            policy = response.headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert response.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing", 404),
        ("GET", "/api/v1/do", 405),
        ("POST", "/api/v1/state", 405),
        ("GET", "/api/v1/live", 426),
        ("GET", "/page/../../daemon.py", 404),
        ("GET", "/page/%2e%2e/daemon.py", 404),
        ("GET", "/page/%2fetc%2fpasswd", 404),
        ("GET", "/%00", 404),
        ("GET", "/manual/zebra", 404),
        ("GET", "/manual/../daemon.py", 404),
        ("GET", "/manual/wires.md", 404),
        ("POST", "/manual", 405),
    ],
)
async def test_what_is_not_there_says_so_in_the_same_shape(
    up: Running, client: aiohttp.ClientSession, method: str, path: str, status: int
) -> None:
    async with client.request(method, up.url + path) as response:
        assert response.status == status
        assert set((await response.json())["error"]) == {"code", "message", "where"}


@pytest.mark.parametrize("path", ["/manual", "/manual/wires"])
async def test_the_manual_is_served_as_the_page_is(
    up: Running, client: aiohttp.ClientSession, path: str
) -> None:
    async with client.get(up.url + path) as first, client.get(up.url + "/") as page:
        assert first.status == 200
        assert first.headers["Content-Type"] == page.headers["Content-Type"] == "text/html; charset=utf-8"
        assert "Wires" in await first.text()
        for name in ("Content-Security-Policy", "Cache-Control", "X-Frame-Options"):
            assert first.headers[name] == page.headers[name]
    async with client.get(up.url + path, headers={"If-None-Match": first.headers["ETag"]}) as again:
        assert again.status == 304
    async with client.head(up.url + path) as head:
        assert (head.status, await head.read()) == (200, b"")


async def test_an_endless_order_is_cut_off(up: Running, client: aiohttp.ClientSession) -> None:
    status, answer = await post(client, up, b'{"do": "' + b"x" * 200_000 + b'"}')
    assert status == 413
    assert answer["error"]["code"] == "bad_order"


async def test_raw_garbage_gets_no_5xx_and_no_line_in_the_log(
    up: Running, caplog: pytest.LogCaptureFixture
) -> None:
    post = b"POST /api/v1/do HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
    port = int(up.url.rsplit(":", 1)[1])
    for raw, status in (
        (b"\r\n\r\n", None),
        (b"GET / HTTP/9.9\r\n\r\n", 400),
        (b"GET /" + b"x" * 5000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n", 404),
        (b"get / HTTP/1.1\r\n\r\n", 400),
        (b"\x16\x03\x01\x02\x00", None),
        (b"GET /\xff HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\nExpect: a sandwich\r\n\r\n", 417),
        (post + b"Connection: close\r\nContent-Length: 3\r\nContent-Encoding: gzip\r\n\r\n{ }", 415),
    ):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(raw)
        if status is None:
            writer.write_eof()
        head, _, body = (await asyncio.wait_for(reader.read(), 10)).partition(b"\r\n\r\n")
        writer.close()
        if status is None:
            assert not head.startswith((b"HTTP/1.1 5", b"HTTP/1.0 5"))
            continue
        assert int(head.split(b" ")[1]) == status, head
        assert b"X-Content-Type-Options: nosniff" in head
        [(error, said)] = json.loads(body).items()
        assert error == "error"
        assert said["message"].isprintable()
        assert len(said["where"]) <= 80
    assert not [record for record in caplog.records if record.levelname == "ERROR"]


async def test_every_order_is_in_the_journal_with_who_and_from_where(
    up: Running, client: aiohttp.ClientSession
) -> None:
    from fillside.storage.records.journal import latest_entries

    journal = up.runner._record._journal
    journal._refusals.clear()  # what other tests had refused within this minute is another row
    await post(client, up, {"do": "trim", "role": "nobody", "by": 1})
    await asyncio.wrap_future(up.store.write(lambda connection: None))
    entry = latest_entries(up.store, 1)[0]
    assert entry["said"] == {"do": "trim", "role": "nobody", "by": 1}
    assert (entry["who"], entry["door"], entry["address"]) == ("this machine", "http", "127.0.0.1")
    assert (entry["outcome"], entry["times"], entry["last_at"]) == ("unknown_name", 1, None)
    for stops in (2, 3):
        await post(client, up, {"do": "trim", "role": "nobody", "by": stops})
    journal._counted_at = 0.0
    up.runner._turn()
    await asyncio.wrap_future(up.store.write(lambda connection: None))
    again = latest_entries(up.store, 1)[0]
    assert again == {**entry, "times": 3, "last_at": again["last_at"]}
    await post(client, up, {"do": "trim", "role": "nobody", "by": 4})
    up.runner.save()
    await asyncio.wrap_future(up.store.write(lambda connection: None))
    assert latest_entries(up.store, 1)[0]["times"] == 4


async def test_a_daemon_keeps_its_data_within_their_bounds(up: Running) -> None:
    assert "thinning" in {task.get_name() for task in asyncio.all_tasks()}


async def test_a_browser_names_its_token_beside_the_protocol(
    up: Running, client: aiohttp.ClientSession, folder: Path
) -> None:
    token = TokenFile(folder / "tokens.json").make("view", "page")
    forwarded = {"X-Forwarded-For": "192.0.2.7"}
    protocols = ("fillside.v1", f"token.{token}")
    async with client.ws_connect(up.url + "/api/v1/live", protocols=protocols, headers=forwarded) as live:
        assert live.protocol == "fillside.v1"
        assert "full" in await live.receive_json()


def test_names_beyond_loopback_are_the_machines_own() -> None:
    names = HostNames.of_machine("0.0.0.0")
    machine = socket.gethostname().lower()
    assert names.accepts_host(f"{machine}:7420", "192.0.2.5")
    assert names.accepts_host("192.0.2.5:7420", "192.0.2.5")
    assert not names.accepts_host("192.0.2.6:7420", "192.0.2.5")
    assert (
        not HostNames.of_machine("127.0.0.1").accepts_host(f"{machine}:7420", "127.0.0.1")
        or machine == "localhost"
    )


@pytest.mark.parametrize(
    "text", ["", "7420", "localhost", "127.0.0.1:", "127.0.0.1:99999", "[::1:80", "a b:c"]
)
def test_addresses_that_are_none(text: str) -> None:
    with pytest.raises(ListenError, match="is not an address"):
        Listen.parse(text)
