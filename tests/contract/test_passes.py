"""Contract: for every order there is, who may give it; and no burst of wrong tokens is looked at in full."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any, get_args

import pytest

from fillside.access.door import AT_ONCE, TRIES_WITHIN_S, WRONG_TRIES, Doorkeeper
from fillside.access.passes import MAY, May, Pass, check_may_look, check_may_operate, check_may_order
from fillside.access.tokens import Kept, TokenFile
from fillside.answers import Refusal
from fillside.calibration.orders import METER_ORDERS
from fillside.hold.orders import ORDERS

STRANGER = "192.0.2.7"
"""An address that RFC 5737 keeps for examples."""
WORDS = sorted({**ORDERS, **METER_ORDERS})
OF_A_METER = {"read", "sensor"}


def allowed(may: May, said: object) -> bool:
    try:
        check_may_order(Pass("anna", may), said)
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
    who = {may for may in MAY if allowed(may, order)}
    assert who == ({"operate", "meter"} if word in OF_A_METER else {"operate"})


@pytest.mark.parametrize(
    "said", [None, [], ["read"], "read", {}, {"do": None}, {"do": ["read"]}, {"Do": "read"}]
)
def test_what_is_no_order_opens_nothing(said: object) -> None:
    assert [may for may in MAY if allowed(may, said)] == ["operate"]


def test_looking_and_operating() -> None:
    def passes(check: Any, may: May) -> bool:
        try:
            check(Pass("anna", may))
        except Refusal:
            return False
        return True

    assert {may for may in get_args(May) if passes(check_may_look, may)} == {"operate", "view"}
    assert {may for may in get_args(May) if passes(check_may_operate, may)} == {"operate"}


class Counting(TokenFile):
    """A file in which no token is right, and which counts how often it is asked."""

    asked = 0

    def holder_of(self, token: str) -> Kept | None:
        self.asked += 1
        return None


async def test_wrong_tokens_that_come_all_at_once_are_counted_as_well(tmp_path: Path) -> None:
    """Those that waited for their turn count the tries anew; those in hand may pass the most."""
    tokens, now = Counting(tmp_path / "tokens.json"), [100.0]
    door = Doorkeeper(tokens, lambda: now[0])

    async def burst(address: str) -> list[str]:
        tries = (door.admit(f"fs-aaaaaaaa-{n:032d}", address, loopback=False) for n in range(40))
        found = await asyncio.gather(*tries, return_exceptions=True)
        return [error.code for error in found if isinstance(error, Refusal)]

    codes = await burst(STRANGER)
    assert len(codes) == 40
    assert WRONG_TRIES <= tokens.asked <= WRONG_TRIES + AT_ONCE - 1
    assert codes.count("unauthorised") == tokens.asked
    assert codes.count("too_many") == 40 - tokens.asked
    asked = tokens.asked
    now[0] += TRIES_WITHIN_S - 1
    assert set(await burst(STRANGER)) == {"too_many"}
    assert tokens.asked == asked
    assert "unauthorised" in await burst("192.0.2.8")
    now[0] += 2
    assert "unauthorised" in await burst(STRANGER)
