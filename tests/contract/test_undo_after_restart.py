"""Contract: what can be taken back is so after a restart too, beside what the rig file says anew since."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import pytest

from contract.hold_studio import Studio, studio
from fillside.hold.memory.undo import OTHER_HEADS, UNREADABLE, stored_order
from fillside.orders.answers import Refusal
from fillside.rig.tables.model import Rig

ORDERS: tuple[dict[str, Any], ...] = (
    {"do": "balance", "ratio": "3:1", "relative": {"hair": -0.5}},
    {"do": "expose", "by": "-1/3"},
    {"do": "camera", "iso": 800},
    {"do": "trim", "role": "fill", "by": -1},
    {"do": "trim", "role": "hair", "to": "out"},
    {"do": "move", "mark": "desk"},
    {"do": "freeze"},
    {"do": "trim", "role": "key", "by": -0.5},
    {"do": "keep"},
    {"do": "dark"},
    {"do": "follow"},
    {"do": "only", "head": "key", "level": 0.3},
    {"do": "all"},
)
PARTS = ("mode", "alone", "shown", "subject", "balance", "camera", "trims", "target", "undo")


def busy(orders: tuple[dict[str, Any], ...] = ORDERS) -> Studio:
    up = Studio(studio())
    up.settle()
    for order in orders:
        up.do(order)
    up.settle()
    return up


@cache
def four_orders() -> Studio:
    """To be looked at alone."""
    return busy(ORDERS[:4])


def texts(up: Studio) -> list[str]:
    """What the daemon stores of the orders that can be taken back."""
    return [stored_order(up.hold.scene, order).text for order in up.hold.history.numbered.values()]


def restart(up: Studio, rig: Rig | None = None, undoable: list[Any] | None = None) -> Studio:
    body = json.loads(json.dumps(up.hold.remember().model_dump(mode="json"), allow_nan=False))
    body["undoable"] = texts(up) if undoable is None else undoable
    return Studio(up.rig if rig is None else rig, body, now=3.0)


def shown(up: Studio) -> dict[str, Any]:
    return {part: up.state[part] for part in PARTS}


def test_all_is_taken_back_as_without_a_restart() -> None:
    up = busy()
    back = restart(up)
    assert shown(back) == shown(up)
    assert back.state["notes"] == []
    for _ in ORDERS:
        assert back.do("undo").note == up.do("undo").note
        assert shown(back) == shown(up)
    up.settle()
    back.settle()
    assert back.codes == up.codes
    with pytest.raises(Refusal, match="nothing to undo"):
        back.do("undo")


def test_each_restart_in_between_knows_the_rest() -> None:
    up = busy(ORDERS[:4])
    for order in reversed(ORDERS[:4]):
        up = restart(up)
        assert up.do("undo").note is not None
        assert order["do"] not in (up.state["undo"] or "")
    assert restart(up).state["undo"] is None


def test_what_the_file_says_anew_is_not_taken_back() -> None:
    up = busy(
        (
            {"do": "balance", "ratio": "3:1"},
            {"do": "trim", "role": "fill", "by": -1},
            {"do": "balance", "ratio": "4:1"},
        )
    )
    back = restart(up, studio(balance={"ratio": "5:1"}))
    assert back.state["balance"]["ratio"] == 5.0
    assert back.state["undo"] == "trim fill -1 stop"
    back.do("undo")
    assert back.state["trims"] == {}
    assert back.state["balance"]["ratio"] == 5.0
    assert back.state["undo"] is None


def test_an_edited_start_of_the_subject_is_not_taken_back() -> None:
    up = busy(({"do": "move", "mark": "desk"}, {"do": "freeze"}))
    back = restart(up, studio(subject={"at": "desk"}))
    back.do("undo")
    assert back.state["mode"] == "follow"
    assert back.state["undo"] is None


def test_with_other_heads_nothing_is_taken_back_and_that_is_said() -> None:
    back = restart(four_orders(), studio(bits=8))
    assert back.state["undo"] is None
    assert OTHER_HEADS in back.state["notes"]
    assert back.state["balance"]["ratio"] == 3.0


@pytest.mark.parametrize(
    "bad",
    [
        None,
        7,
        b"\xff",
        "",
        "nonsense",
        "[]",
        '{"do": "trim", "before": {}}',
        '{"do": "trim fill -1", "before": {"exposure_stops": 1e300}, "untrimmed": %s}',
        '{"do": "trim fill -1", "before": {"exposure_stops": NaN}, "untrimmed": %s}',
        '{"do": "trim fill -1", "before": {"trims": {"fill": 99}}, "untrimmed": %s}',
        '{"do": "freeze", "before": {"mode": "dark"}, "untrimmed": %s}',
        '{"do": "balance", "before": {"balance": {"ratio": -3}}, "untrimmed": %s}',
        '{"do": "balance", "before": {"balance": {"colour": "red"}}, "untrimmed": %s}',
        '{"do": "camera", "before": {"camera": null}, "untrimmed": %s}',
        '{"do": "move", "before": {"place": null}, "untrimmed": %s}',
    ],
    ids=str,
)
def test_what_cannot_be_read_costs_what_lies_before_it_alone(bad: Any) -> None:
    up = four_orders()
    kept = texts(up)
    codes = json.dumps(json.loads(kept[0])["untrimmed"])
    bad = bad % codes if isinstance(bad, str) and "%s" in bad else bad
    back = restart(up, undoable=[kept[0], bad, kept[3]])
    assert UNREADABLE in back.state["notes"]
    assert back.state["undo"] == "trim fill -1 stop"
    assert back.do("undo").note == "undone: trim fill -1 stop"
    assert back.state["undo"] is None
    assert back.state["balance"]["ratio"] == 3.0
