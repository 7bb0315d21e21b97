"""Contract: tokens let in whom they should, until they are revoked, and wrong ones are counted."""

from __future__ import annotations

import json
import os
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from fillside.access.authentication import THIS_MACHINE, TRIES_WITHIN_S, WRONG_TRIES, Authenticator
from fillside.access.permissions import RIGHTS, Permission, Right, check_may_look, check_may_order
from fillside.access.tokens import ONCE_WITHIN_S, TokenFile, TokenFileError
from fillside.orders.answers import Refusal
from fillside.orders.registry import kind_of

STRANGER = "192.0.2.7"
"""An address that RFC 5737 keeps for examples."""


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def tokens(tmp_path: Path) -> TokenFile:
    return TokenFile(tmp_path / "kept" / "tokens.json")


async def code_of(authenticator: Authenticator, token: str | None, *, loopback: bool = False) -> str:
    with pytest.raises(Refusal) as refused:
        await authenticator.admit(token, STRANGER, loopback)
    return refused.value.code


async def test_this_machine_needs_no_token_and_any_other_does(tokens: TokenFile) -> None:
    authenticator = Authenticator(tokens, Clock())
    assert await authenticator.admit(None, "127.0.0.1", loopback=True) == THIS_MACHINE
    assert await code_of(authenticator, None) == "unauthorised"
    assert await code_of(authenticator, "fs-aaaaaaaa-" + "x" * 32, loopback=True) == "unauthorised"


@pytest.mark.parametrize("may", RIGHTS)
async def test_a_token_says_who_and_what(tokens: TokenFile, may: Right) -> None:
    token = tokens.make(may, "anna")
    authenticator = Authenticator(TokenFile(tokens.path), Clock())
    for _ in range(2):
        assert await authenticator.admit(token, STRANGER, loopback=False) == Permission("anna", may)


async def test_a_revoked_token_is_out_at_once(tokens: TokenFile) -> None:
    token, other = tokens.make("view", "anna"), tokens.make("view", "ben")
    authenticator = Authenticator(TokenFile(tokens.path), Clock())
    await authenticator.admit(token, STRANGER, loopback=False)
    assert tokens.revoke(token.split("-")[1]) is not None
    assert tokens.revoke("nothere2") is None
    assert await code_of(authenticator, token) == "unauthorised"
    assert (await authenticator.admit(other, STRANGER, loopback=False)).who == "ben"


async def test_a_token_with_one_letter_changed_is_wrong(tokens: TokenFile) -> None:
    token = tokens.make("operate", "anna")
    changed = token[:-1] + ("A" if token[-1] != "A" else "B")
    assert await code_of(Authenticator(tokens, Clock()), changed) == "unauthorised"


async def test_after_too_many_wrong_ones_even_the_right_one_waits(tokens: TokenFile) -> None:
    token, clock = tokens.make("operate", "anna"), Clock()
    authenticator = Authenticator(tokens, clock)
    for _ in range(WRONG_TRIES):
        assert await code_of(authenticator, "nonsense") == "unauthorised"
    assert await code_of(authenticator, token) == "too_many"
    assert (await authenticator.admit(token, "192.0.2.8", loopback=False)).who == "anna"
    clock.now += TRIES_WITHIN_S + 1
    assert await code_of(authenticator, "nonsense") == "unauthorised"


def test_the_file_is_private_and_holds_no_secret(tokens: TokenFile) -> None:
    token = tokens.make("operate", "anna")
    assert stat.S_IMODE(tokens.path.stat().st_mode) == 0o600
    assert token.split("-", 2)[2] not in tokens.path.read_text()


def test_a_folder_made_for_the_file_is_private_as_well(tmp_path: Path) -> None:
    TokenFile(tmp_path / "state" / "kept" / "tokens.json").make("operate", "anna")
    assert stat.S_IMODE((tmp_path / "state" / "kept").stat().st_mode) == 0o700


async def test_an_address_that_is_kept_out_is_told_of_once(
    tokens: TokenFile, caplog: pytest.LogCaptureFixture
) -> None:
    authenticator = Authenticator(tokens, Clock())
    for tried in range(WRONG_TRIES + 5):
        await code_of(authenticator, "nonsense")
        told = [record.getMessage() for record in caplog.records if STRANGER in record.getMessage()]
        assert len(told) == (1 if tried >= WRONG_TRIES - 1 else 0)


@pytest.mark.parametrize("body", ["", "{", "{}", '{"tokens": [{"may": "rule"}]}', '{"tokens": 3}', "[]"])
async def test_a_file_that_cannot_be_read_lets_nobody_in(tokens: TokenFile, body: str) -> None:
    token = tokens.make("operate", "anna")
    tokens.path.write_text(body)
    with pytest.raises(TokenFileError, match="cannot read"):
        TokenFile(tokens.path).lasting()
    assert await code_of(Authenticator(TokenFile(tokens.path), Clock()), token) == "unauthorised"


@pytest.mark.parametrize(
    ("part", "value"),
    [
        ("may", "rule"),
        ("salt", "no!no!"),
        ("hash", "no!no!"),
        ("salt", "a"),
        ("made_at", "once"),
    ],
)
async def test_one_wrong_part_of_one_token_lets_nobody_in(tokens: TokenFile, part: str, value: str) -> None:
    """Whoever changed that may have changed more."""
    good, other = tokens.make("operate", "anna"), tokens.make("view", "ben")
    told = json.loads(tokens.path.read_text("utf-8"))
    told["tokens"][1][part] = value
    tokens.path.write_text(json.dumps(told), "utf-8")
    authenticator = Authenticator(TokenFile(tokens.path), Clock())
    for token in (good, other):
        assert await code_of(authenticator, token) == "unauthorised"


async def test_too_many_invitations_are_refused_as_such(
    tokens: TokenFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fillside.access.tokens.MOST_ONE_TIME_TOKENS", 1)
    authenticator = Authenticator(tokens, Clock())
    await authenticator.invite("view", "phone")
    with pytest.raises(Refusal) as refused:
        await authenticator.invite("view", "phone")
    assert refused.value.code == "too_many"


@pytest.mark.parametrize(
    ("may", "said", "passes"),
    [
        ("operate", {"do": "dark"}, True),
        ("operate", {"do": "read"}, True),
        ("view", {"do": "dark"}, False),
        ("view", {"do": "read"}, False),
        ("meter", {"do": "read"}, True),
        ("meter", {"do": "dark"}, False),
        ("meter", ["read"], False),
        ("meter", {"do": ["read"]}, False),
    ],
)
def test_what_each_may_order(may: Right, said: Any, passes: bool) -> None:
    holder = Permission("anna", may)
    if passes:
        check_may_order(holder, kind_of(said))
    else:
        with pytest.raises(Refusal, match=f"^anna may {LIMITS[may]}$") as refused:
            check_may_order(holder, kind_of(said))
        assert refused.value.code == "forbidden"


LIMITS = {"view": "look and not order", "meter": "hand in readings and nothing else"}


def test_only_a_meter_may_not_look() -> None:
    for may in ("operate", "view"):
        check_may_look(Permission("anna", may))
    with pytest.raises(Refusal, match="nothing else"):
        check_may_look(Permission("probe", "meter"))


async def test_a_token_for_once_is_changed_one_time_and_opens_nothing_itself(tokens: TokenFile) -> None:
    once, until = tokens.make_once("view", "phone")
    assert tokens.lasting() == ()
    authenticator = Authenticator(TokenFile(tokens.path), Clock())
    assert await code_of(authenticator, once, loopback=True) == "unauthorised"
    lasting, holder = await authenticator.change(once, STRANGER)
    assert holder == Permission("phone", "view")
    assert await authenticator.admit(lasting, STRANGER, loopback=False) == Permission("phone", "view")
    with pytest.raises(Refusal, match="used before"):
        await authenticator.change(once, STRANGER)
    assert [line.once_until for line in tokens.lasting()] == [None]
    assert until > tokens.lasting()[0].made_at


async def test_a_lasting_token_is_not_for_changing(tokens: TokenFile) -> None:
    lasting = tokens.make("operate", "anna")
    authenticator = Authenticator(tokens, Clock())
    for wrong in (lasting, lasting.replace("fs-", "once-", 1), "once-aaaaaaaa-" + "x" * 32, ""):
        with pytest.raises(Refusal, match="used before"):
            await authenticator.change(wrong, STRANGER)
    with pytest.raises(Refusal, match="send the token"):
        await authenticator.change(None, STRANGER)


@pytest.mark.parametrize(("later_s", "good"), [(ONCE_WITHIN_S - 1, True), (ONCE_WITHIN_S + 1, False)])
def test_a_token_for_once_is_good_for_ten_minutes(tmp_path: Path, later_s: float, good: bool) -> None:
    clock = Clock()
    tokens = TokenFile(tmp_path / "tokens.json", clock)
    once, until = tokens.make_once("operate", "phone")
    assert until == clock.now + 600
    clock.now += later_s
    assert (tokens.exchange(once) is not None) is good


async def test_wrong_tokens_for_once_are_counted_like_any(tokens: TokenFile) -> None:
    once, _ = tokens.make_once("operate", "phone")
    authenticator = Authenticator(tokens, Clock())
    for _ in range(WRONG_TRIES):
        with pytest.raises(Refusal, match="used before"):
            await authenticator.change("once-aaaaaaaa-" + "x" * 32, STRANGER)
    with pytest.raises(Refusal, match="too many"):
        await authenticator.change(once, STRANGER)
    assert (await authenticator.change(once, "192.0.2.8"))[1].who == "phone"


def test_two_at_a_time_change_one_token_only_once(tokens: TokenFile) -> None:
    once, _ = tokens.make_once("operate", "phone")
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _: TokenFile(tokens.path).exchange(once), range(4)))
    assert sum(each is not None for each in found) == 1
    assert len(tokens.lasting()) == 1


def test_makers_at_the_same_time_lose_nothing(tokens: TokenFile) -> None:
    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(lambda n: TokenFile(tokens.path).make("view", str(n)), range(8)))
    assert sorted(line.name for line in tokens.lasting()) == sorted(str(n) for n in range(8))
    assert all(TokenFile(tokens.path).verify(token) is not None for token in made)
    assert {stat.S_IMODE(path.stat().st_mode) for path in tokens.path.parent.iterdir()} == {0o600}


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser may give files away")
def test_what_the_superuser_makes_belongs_to_the_services_user(tokens: TokenFile) -> None:
    tokens.path.parent.mkdir()
    os.chown(tokens.path.parent, 61184, 61184)
    tokens.make("operate", "anna")
    assert {path.stat().st_uid for path in tokens.path.parent.iterdir()} == {61184}
