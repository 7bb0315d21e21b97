"""Contract: tokens let in whom they should, until they are revoked, and wrong ones are counted."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Any

import pytest

from fillside.access.door import HERE, TRIES_WITHIN_S, WRONG_TRIES, Doorkeeper
from fillside.access.passes import MAY, May, Pass, check_may_look, check_may_order
from fillside.access.tokens import TokenFile, TokenFileError
from fillside.answers import Refusal

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


async def code_of(doorkeeper: Doorkeeper, token: str | None, *, loopback: bool = False) -> str:
    with pytest.raises(Refusal) as refused:
        await doorkeeper.admit(token, STRANGER, loopback)
    return refused.value.code


async def test_this_machine_needs_no_token_and_any_other_does(tokens: TokenFile) -> None:
    doorkeeper = Doorkeeper(tokens, Clock())
    assert await doorkeeper.admit(None, "127.0.0.1", loopback=True) == HERE
    assert await code_of(doorkeeper, None) == "unauthorised"
    assert await code_of(doorkeeper, "fs-aaaaaaaa-" + "x" * 32, loopback=True) == "unauthorised"


@pytest.mark.parametrize("may", MAY)
async def test_a_token_says_who_and_what(tokens: TokenFile, may: May) -> None:
    token = tokens.make(may, "anna")
    doorkeeper = Doorkeeper(TokenFile(tokens.path), Clock())
    for _ in range(2):
        assert await doorkeeper.admit(token, STRANGER, loopback=False) == Pass("anna", may)


async def test_a_revoked_token_is_out_at_once(tokens: TokenFile) -> None:
    token, other = tokens.make("view", "anna"), tokens.make("view", "ben")
    doorkeeper = Doorkeeper(TokenFile(tokens.path), Clock())
    await doorkeeper.admit(token, STRANGER, loopback=False)
    assert tokens.revoke(token.split("-")[1]) is not None
    assert tokens.revoke("nothere2") is None
    assert await code_of(doorkeeper, token) == "unauthorised"
    assert (await doorkeeper.admit(other, STRANGER, loopback=False)).who == "ben"


async def test_a_token_with_one_letter_changed_is_wrong(tokens: TokenFile) -> None:
    token = tokens.make("operate", "anna")
    changed = token[:-1] + ("A" if token[-1] != "A" else "B")
    assert await code_of(Doorkeeper(tokens, Clock()), changed) == "unauthorised"


async def test_after_too_many_wrong_ones_even_the_right_one_waits(tokens: TokenFile) -> None:
    token, clock = tokens.make("operate", "anna"), Clock()
    doorkeeper = Doorkeeper(tokens, clock)
    for _ in range(WRONG_TRIES):
        assert await code_of(doorkeeper, "nonsense") == "unauthorised"
    assert await code_of(doorkeeper, token) == "too_many"
    assert (await doorkeeper.admit(token, "192.0.2.8", loopback=False)).who == "anna"
    clock.now += TRIES_WITHIN_S + 1
    assert await code_of(doorkeeper, "nonsense") == "unauthorised"


def test_the_file_is_private_and_holds_no_secret(tokens: TokenFile) -> None:
    token = tokens.make("operate", "anna")
    assert stat.S_IMODE(tokens.path.stat().st_mode) == 0o600
    assert token.split("-", 2)[2] not in tokens.path.read_text()


@pytest.mark.parametrize("body", ["", "{", "{}", '{"tokens": [{"may": "rule"}]}', '{"tokens": 3}', "[]"])
async def test_a_file_that_cannot_be_read_lets_nobody_in(tokens: TokenFile, body: str) -> None:
    token = tokens.make("operate", "anna")
    tokens.path.write_text(body)
    with pytest.raises(TokenFileError, match="cannot read"):
        TokenFile(tokens.path).kept()
    assert await code_of(Doorkeeper(TokenFile(tokens.path), Clock()), token) == "unauthorised"


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
def test_what_each_may_order(may: May, said: Any, passes: bool) -> None:
    holder = Pass("anna", may)
    if passes:
        check_may_order(holder, said)
    else:
        with pytest.raises(Refusal, match="anna may") as refused:
            check_may_order(holder, said)
        assert refused.value.status == 403


def test_only_a_meter_may_not_look() -> None:
    for may in ("operate", "view"):
        check_may_look(Pass("anna", may))
    with pytest.raises(Refusal, match="nothing else"):
        check_may_look(Pass("probe", "meter"))
