"""Contract: a restart begins with the codes of before, and what was edited in the file since wins and is
said."""

from __future__ import annotations

import json
from typing import Any

import pytest

from contract.hold_studio import CHAIR, DESK, Studio, assert_no_flash, studio
from fillside.hold.memory.hold_memory import HoldMemory
from fillside.rig.tables.model import Rig

KEY, FILL, HAIR, HOUSE = range(4)


def stopped(up: Studio) -> Any:
    """What was remembered, as it comes back from being stored as JSON."""
    return json.loads(json.dumps(up.hold.remember().model_dump(mode="json"), allow_nan=False))


def restart(up: Studio, rig: Rig | None = None) -> Studio:
    return Studio(up.rig if rig is None else rig, stopped(up), now=3.0)


def busy() -> Studio:
    up = Studio(studio(balance={"relative": {"hair": -1.0}}))
    up.settle()
    for order in (
        {"do": "balance", "ratio": "3:1", "relative": {"hair": -0.5}},
        {"do": "expose", "by": "-1/3"},
        {"do": "camera", "iso": 800},
        {"do": "trim", "role": "fill", "by": -1},
        {"do": "trim", "role": "hair", "to": "out"},
        {"do": "move", "mark": "desk"},
    ):
        up.do(order)
    up.settle()
    return up


LASTS = ("mode", "alone", "subject", "balance", "camera", "trims", "target", "achieved")


@pytest.mark.parametrize(
    "more",
    [
        [],
        [{"do": "freeze"}],
        [{"do": "freeze"}, {"do": "trim", "role": "key", "by": -1}],
        [{"do": "dark"}],
        [{"do": "freeze"}, {"do": "dark"}],
        [{"do": "only", "head": "key", "level": 0.3}],
        [{"do": "keep"}],
        [{"do": "expose", "to": 400}],
    ],
    ids=str,
)
def test_a_settled_studio_comes_back_as_it_was(more: list[dict[str, Any]]) -> None:
    up = busy()
    for order in more:
        up.do(order)
    up.settle()
    back = restart(up)
    assert back.codes == up.codes
    back.settle()
    assert back.codes == up.codes
    assert {part: back.state[part] for part in LASTS} == {part: up.state[part] for part in LASTS}
    for word in ("all", "follow"):
        up.do(word)
        back.do(word)
    up.settle()
    back.settle()
    assert back.codes == up.codes
    assert back.state["notes"] == []


def test_trims_come_off_exactly_after_a_restart() -> None:
    up = Studio(studio(bits=8))
    up.settle()
    before = up.codes
    up.do("trim", role="fill", by="-2/3")
    up.settle()
    up.do("freeze")
    back = restart(up)
    back.do("trim", role="fill", to=0)
    back.settle()
    assert back.codes == before


@pytest.mark.parametrize("after_s", [0.05, 0.5, 2.0])
def test_a_restart_in_a_fade_goes_on_from_there(after_s: float) -> None:
    up = busy()
    up.do("balance", ratio="1:2")
    up.wait(after_s)
    back = restart(up)
    assert back.codes == up.codes
    assert back.frames[0][1] == up.codes
    up.settle()
    back.settle()
    assert back.codes == up.codes
    assert_no_flash(back.rig, back.frames)


def test_a_tracked_place_is_remembered() -> None:
    up = busy()
    for _ in range(200):
        up.now += 0.02
        up.see((0.2, 0.1, 1.2))
    up.settle()
    assert restart(up).state["subject"] == pytest.approx([0.2, 0.1, 1.2])


def test_an_edited_ratio_wins_and_is_said_and_the_rest_stays() -> None:
    up = busy()
    edited = studio(balance={"ratio": "4:1", "relative": {"hair": -1.0}})
    back = restart(up, edited)
    state = back.state
    assert state["balance"]["ratio"] == 4.0
    assert state["balance"]["relative"] == {"hair": -0.5}
    assert state["balance"]["exposure_stops"] == pytest.approx(-1 / 3)
    assert state["camera"]["iso"] == 800
    assert state["trims"] == {"fill": -1.0, "hair": "out"}
    assert any("balance.ratio" in note for note in state["notes"])
    assert back.codes == up.codes


def test_an_edited_role_and_exposure_win() -> None:
    up = busy()
    state = restart(up, studio(balance={"exposure": 300.0, "relative": {"hair": 1.0}})).state
    assert state["balance"]["relative"] == {"hair": 1.0}
    assert state["target"]["exposure_lux"] < 300.0
    assert state["balance"]["exposure_lux"] == 300.0
    assert state["balance"]["ratio"] == 3.0
    assert len(state["notes"]) == 2


def test_an_edited_start_of_the_subject_wins_and_one_that_is_the_same_does_not() -> None:
    up = busy()
    assert restart(up, studio(balance={"relative": {"hair": -1.0}})).state["subject"] == list(DESK)
    back = restart(up, studio(balance={"relative": {"hair": -1.0}}, subject={"at": "chair"}))
    assert back.state["subject"] == list(CHAIR)
    assert any("subject.at" in note for note in back.state["notes"])


def test_other_heads_and_wires_keep_what_is_theirs() -> None:
    up = busy()
    up.do("trim", role="hair", to=0)
    up.settle()
    narrow = studio(bits=8, balance={"relative": {"hair": -1.0}})
    back = restart(up, narrow)
    assert [round(code / 257) for code in up.codes] == list(back.codes)
    fewer = narrow.model_copy(update={"heads": narrow.heads[:2]})
    back = restart(up, fewer)
    assert len(back.codes) == 2
    assert back.state["trims"] == {"fill": -1.0}
    back.settle()


@pytest.mark.parametrize(
    "stored",
    [{}, {"version": 2}, {"version": 1}, [], "?", 7, {"version": 1, "mode": "bright"}],
)
def test_what_cannot_be_read_is_a_first_start_and_said(stored: Any) -> None:
    back = Studio(studio(), stored)
    assert back.codes == (0, 0, 0, 0)
    assert back.state["notes"]
    back.settle()
    assert back.ratio_stops() == pytest.approx(1.0, abs=0.001)


def test_what_is_remembered_survives_json() -> None:
    up = busy()
    up.do("dark")
    remembered = up.hold.remember()
    assert HoldMemory.model_validate_json(remembered.model_dump_json()) == remembered
