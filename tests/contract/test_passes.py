"""Contract: for every order there is, who may give it; and no burst of wrong tokens is looked at in full."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any, get_args

import pytest

from fillside.access.authentication import HASHES_AT_ONCE, TRIES_WITHIN_S, WRONG_TRIES, Authenticator
from fillside.access.permissions import (
    RIGHTS,
    Permission,
    Right,
    check_may_look,
    check_may_operate,
    check_may_order,
)
from fillside.access.tokens import StoredToken, TokenFile
from fillside.orders.answers import Refusal
from fillside.orders.registry import ORDERS, kind_of

STRANGER = "192.0.2.7"
"""An address that RFC 5737 keeps for examples."""
WORDS = sorted(ORDERS)
OF_A_METER = {"read", "sensor", "event"}


def allowed(may: Right, said: object) -> bool:
    try:
        check_may_order(Permission("anna", may), kind_of(said))
    except Refusal as refusal:
        return refusal.code != "forbidden"
    return True


def test_the_table_has_every_kind_of_order() -> None:
    assert {"subject", "move", "dark", "read", "sensor", "undo", "identify", "trim", "calibrate"} <= set(
        WORDS
    )


@pytest.mark.parametrize("word", WORDS)
def test_each_order_is_for_those_alone_who_may_give_it(word: str) -> None:
    order = {"do": word, "to": [0.0, 0.0, 1.2], "role": "fill", "by": -1}
    who = {may for may in RIGHTS if allowed(may, order)}
    assert who == ({"operate", "meter"} if word in OF_A_METER else {"operate"})


@pytest.mark.parametrize(
    "said", [None, [], ["read"], "read", {}, {"do": None}, {"do": ["read"]}, {"Do": "read"}]
)
def test_what_is_no_order_opens_nothing(said: object) -> None:
    assert [may for may in RIGHTS if allowed(may, said)] == ["operate"]


def test_looking_and_operating() -> None:
    def passes(check: Any, may: Right) -> bool:
        try:
            check(Permission("anna", may))
        except Refusal:
            return False
        return True

    assert {may for may in get_args(Right) if passes(check_may_look, may)} == {"operate", "view"}
    assert {may for may in get_args(Right) if passes(check_may_operate, may)} == {"operate"}


class Counting(TokenFile):
    """A file in which no token is right, and which counts how often it is asked."""

    asked = 0

    def verify(self, token: str) -> StoredToken | None:
        self.asked += 1
        return None


async def test_wrong_tokens_that_come_all_at_once_are_counted_as_well(tmp_path: Path) -> None:
    """Those that waited for their turn count the tries anew; those in hand may pass the most."""
    tokens, now = Counting(tmp_path / "tokens.json"), [100.0]
    door = Authenticator(tokens, lambda: now[0])

    async def burst(address: str) -> list[str]:
        tries = (door.admit(f"fs-aaaaaaaa-{n:032d}", address, loopback=False) for n in range(40))
        found = await asyncio.gather(*tries, return_exceptions=True)
        return [error.code for error in found if isinstance(error, Refusal)]

    codes = await burst(STRANGER)
    assert len(codes) == 40
    assert WRONG_TRIES <= tokens.asked <= WRONG_TRIES + HASHES_AT_ONCE - 1
    assert codes.count("unauthorised") == tokens.asked
    assert codes.count("too_many") == 40 - tokens.asked
    asked = tokens.asked
    now[0] += TRIES_WITHIN_S - 1
    assert set(await burst(STRANGER)) == {"too_many"}
    assert tokens.asked == asked
    assert "unauthorised" in await burst("192.0.2.8")
    now[0] += 2
    assert "unauthorised" in await burst(STRANGER)


async def admitted(door: Authenticator, token: str) -> Permission | str:
    try:
        return await door.admit(token, STRANGER, loopback=False)
    except Refusal as refusal:
        return refusal.code


async def test_a_right_that_is_taken_away_in_the_file_is_gone_at_once(tmp_path: Path) -> None:
    """The same token, first for everything and then for looking: what was known of it counts no more."""
    tokens = TokenFile(tmp_path / "tokens.json")
    token = tokens.make("operate", "anna")
    door = Authenticator(TokenFile(tokens.path), lambda: 100.0)
    before = await door.admit(token, STRANGER, loopback=False)
    assert (before.may, door.still_good(before)) == ("operate", True)
    told = tokens.path.read_text("utf-8")
    changed = tokens.path.with_suffix(".new")
    changed.write_text(told.replace('"operate"', '"view"'), "utf-8")
    changed.replace(tokens.path)
    assert not door.still_good(before)
    after = await door.admit(token, STRANGER, loopback=False)
    assert (after.who, after.may) == ("anna", "view")


async def test_a_token_under_another_kind_s_name_opens_nothing(tmp_path: Path) -> None:
    tokens = TokenFile(tmp_path / "tokens.json")
    lasting, (once, _) = tokens.make("operate", "anna"), tokens.make_once("view", "phone")
    door = Authenticator(tokens, lambda: 100.0)
    assert await admitted(door, "once" + lasting.removeprefix("fs")) == "unauthorised"
    assert await admitted(door, "fs" + once.removeprefix("once")) == "unauthorised"
    for text in ("fs" + once.removeprefix("once"), "once" + lasting.removeprefix("fs")):
        with pytest.raises(Refusal) as refused:
            await door.change(text, STRANGER)
        assert refused.value.code == "unauthorised"
    assert await admitted(door, lasting) == Permission("anna", "operate")


async def test_tries_from_ever_more_addresses_are_not_kept_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past the most addresses all are forgotten, as one that was kept out shows."""
    monkeypatch.setattr("fillside.access.authentication.MOST_ADDRESSES", 3)
    tokens = Counting(tmp_path / "tokens.json")
    door = Authenticator(tokens, lambda: 100.0)

    async def wrong(address: str) -> str:
        with pytest.raises(Refusal) as refused:
            await door.admit(f"fs-aaaaaaaa-{'x' * 32}", address, loopback=False)
        return refused.value.code

    for _ in range(WRONG_TRIES):
        assert await wrong("192.0.2.1") == "unauthorised"
    assert await wrong("192.0.2.1") == "too_many"
    for last in (2, 3, 4):
        await wrong(f"192.0.2.{last}")
    assert await wrong("192.0.2.1") == "unauthorised"


async def test_tokens_known_again_are_not_kept_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A known token costs no hash; past the most all are forgotten, and it costs one again."""
    monkeypatch.setattr("fillside.access.authentication.MOST_CACHED", 2)

    class Hashed(TokenFile):
        asked = 0

        def verify(self, token: str) -> StoredToken | None:
            self.asked += 1
            return super().verify(token)

    tokens = Hashed(tmp_path / "tokens.json")
    first, *others = (tokens.make("view", f"phone {n}") for n in range(3))
    door = Authenticator(tokens, lambda: 100.0)
    for _ in range(3):
        await door.admit(first, STRANGER, loopback=False)
    assert tokens.asked == 1
    for token in (*others, first):
        await door.admit(token, STRANGER, loopback=False)
    assert tokens.asked == 4
