"""Contract: what every request passes before anything answers it, asked of the guards themselves."""

from __future__ import annotations

from unittest.mock import Mock

import pytest
from aiohttp import web
from aiohttp.test_utils import make_mocked_request
from multidict import CIMultiDict

from fillside.doors.http.app import page_of
from fillside.doors.http.listening import is_loopback
from fillside.doors.http.request_checks import (
    FORWARDED,
    HostNames,
    check_host_and_origin,
    check_is_json,
    is_local,
    token_of,
)
from fillside.orders.answers import Refusal
from fillside.storage.records.journal import MOST_AT_ONCE

OURS = ("Host", "127.0.0.1:7420")
Headers = tuple[tuple[str, str], ...]


def request(*headers: tuple[str, str], method: str = "GET", remote: str = "127.0.0.1") -> web.Request:
    transport = Mock()
    transport.get_extra_info.side_effect = {
        "sockname": ("192.0.2.9", 7420),
        "peername": (remote, 50000),
    }.get
    return make_mocked_request(method, "/api/v1/do", CIMultiDict(headers), transport=transport)


def passes(*headers: tuple[str, str], method: str = "GET") -> bool:
    try:
        check_host_and_origin(request(*headers, method=method), HostNames(frozenset({"studio.local"})))
    except Refusal as refusal:
        return refusal.code != "forbidden"
    return True


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1:7420", "localhost:7420", "[::1]:7420", "studio.local", "Studio.Local:7420", "192.0.2.9"],
)
def test_our_names_pass(host: str) -> None:
    assert passes(("Host", host))


@pytest.mark.parametrize(
    "headers",
    [
        (),
        (OURS, OURS),
        (OURS, ("Host", "evil.example")),
        (("Host", "evil.example"),),
        (("Host", "192.0.2.10"),),
        (("Host", "localhost.evil.example"),),
        (("Host", "evil.example:7420@127.0.0.1"),),
        (("Host", "127.0.0.1:7420 "),),
        (("Host", ""),),
    ],
)
def test_a_host_that_is_not_ours_or_not_one_is_refused(headers: Headers) -> None:
    assert not passes(*headers)


@pytest.mark.parametrize(
    ("origins", "passed"),
    [
        ([], True),
        (["http://127.0.0.1:7420"], True),
        (["https://127.0.0.1:7420"], False),
        (["http://127.0.0.1:7421"], False),
        (["http://127.0.0.1"], False),
        (["http://localhost:7420"], False),
        (["null"], False),
        (["http://127.0.0.1:7420", "http://evil.example"], False),
        (["http://evil.example", "http://127.0.0.1:7420"], False),
    ],
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_every_origin_is_our_own_page_s(origins: list[str], passed: bool, method: str) -> None:
    assert passes(OURS, *(("Origin", origin) for origin in origins), method=method) is passed


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "OPTIONS"])
@pytest.mark.parametrize("site", ["none", "same-origin", "same-site", "cross-site"])
@pytest.mark.parametrize("mode", ["navigate", "cors", "no-cors", "websocket"])
def test_another_site_may_link_to_our_page_and_nothing_else(method: str, site: str, mode: str) -> None:
    """Fetch Metadata (W3C): `navigate` is a link that was followed; its answer is not shown to that site."""
    linked = mode == "navigate" and method in ("GET", "HEAD")
    expected = site in ("none", "same-origin") or linked
    assert passes(OURS, ("Sec-Fetch-Site", site), ("Sec-Fetch-Mode", mode), method=method) is expected


def test_this_machine_is_loopback_without_a_proxy() -> None:
    assert is_local(request(OURS))
    assert is_local(request(OURS, remote="::1"))
    assert is_local(request(OURS, remote="::ffff:127.0.0.1"))
    assert not is_local(request(OURS, remote="192.0.2.7"))
    assert not is_local(request(OURS, remote="::ffff:192.0.2.7"))


@pytest.mark.parametrize(
    "header", [*FORWARDED, "X-Forwarded-For", "x-forwarded-host", "X-Forwarded-Proto", "X-Forwarded-Server"]
)
def test_what_a_proxy_hands_on_is_not_this_machine_s(header: str) -> None:
    assert not is_local(request(OURS, (header.lower(), "127.0.0.1")))


@pytest.mark.parametrize("address", ["", "localhost", "127.0.0.1.evil.example", "0.0.0.0", "::", "fe80::1"])
def test_what_is_no_loopback_address(address: str) -> None:
    assert not is_loopback(address)


def test_where_a_token_stands() -> None:
    assert token_of(request(OURS)) is None
    assert token_of(request(OURS, ("Authorization", "bearer  abc "))) == "abc"
    assert token_of(request(OURS, ("Sec-WebSocket-Protocol", "fillside.v1, token.abc"))) == "abc"
    assert token_of(request(OURS, ("Sec-WebSocket-Protocol", "fillside.v1"))) is None
    for wrong in ("Basic abc", "Bearer", "Bearer ", "abc"):
        with pytest.raises(Refusal, match="Bearer"):
            token_of(request(OURS, ("Authorization", wrong)))


@pytest.mark.parametrize(
    ("headers", "passed"),
    [
        ((("Content-Type", "application/json"),), True),
        ((("Content-Type", "application/json; charset=utf-8"),), True),
        ((("Content-Type", "application/json"), ("Content-Encoding", "identity")), True),
        ((("Content-Type", "application/json"), ("Content-Encoding", "gzip")), False),
        ((("Content-Type", "text/plain"),), False),
        ((("Content-Type", "application/x-www-form-urlencoded"),), False),
        ((), False),
    ],
)
def test_an_order_is_plain_json_by_its_own_word(headers: Headers, passed: bool) -> None:
    if passed:
        check_is_json(request(OURS, *headers, method="POST"))
        return
    with pytest.raises(Refusal) as refused:
        check_is_json(request(OURS, *headers, method="POST"))
    assert (refused.value.code, refused.value.status) == ("bad_order", 415)


@pytest.mark.parametrize(
    ("query", "most", "before"),
    [
        ("", 100, None),
        ("?most=1&before=7", 1, 7),
        ("?most=999999999", MOST_AT_ONCE, None),
        (f"?most={MOST_AT_ONCE + 1}", MOST_AT_ONCE, None),
    ],
)
def test_a_list_is_asked_for_in_pages_of_bounded_length(query: str, most: int, before: int | None) -> None:
    assert page_of(make_mocked_request("GET", f"/api/v1/journal{query}")) == (most, before)


@pytest.mark.parametrize(
    "query", ["most=0", "most=-1", "before=0", "most=1.5", "most=", "most=9999999999999999"]
)
def test_a_page_that_is_no_number_is_refused(query: str) -> None:
    with pytest.raises(Refusal, match="whole number from 1"):
        page_of(make_mocked_request("GET", f"/api/v1/journal?{query}"))
