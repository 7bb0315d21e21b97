"""Contract: a role may be wished out, as a black background: its heads give no light; spill is told."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

import rigs
from contract.hold_studio import CHAIR, Studio, assert_no_flash
from fillside.balance.solution import BalanceSolver, solve_rig
from fillside.balance.target import target_from_rig
from fillside.cli.group import run
from fillside.cli.render.state import state_lines
from fillside.metering.routine.checks import ExpectedBalance
from fillside.orders.parsing import parse_order
from fillside.orders.registry import phrase_of
from fillside.planning.plan import plan_rig
from fillside.rig.problems import RigError
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig_text
from fillside.sheet.texts import balance_lines
from fillside_drivers.registry import kinds

WALL = (0.0, 1.5, 1.4)
CANDELAS, EXPOSURE_LUX = 3000.0, 400.0
BACK = ("left", "right")
OUT = {"background": "out"}
FIXED = {"curve": "fixed"}
WANTED = 'give stops of the other roles, as { hair = -0.5 }, or "out"'


def text(relative: dict[str, Any] | None, *, back: tuple[str, ...] = BACK, **wall: Any) -> str:
    """Key, fill and hair at the chair, and heads on a wall behind it: points that shine all round."""
    common = {
        "intensity": CANDELAS,
        "modifier": {"diameter": 0.0, "spread": 0.0},
        "dimming": rigs.dimming(0.05),
    }
    heads = [*rigs.pair(aim=CHAIR, **common), rigs.head_at("hair", [0.4, 1.3, 2.3], aim=CHAIR, **common)]
    for name, x in zip(BACK, (-1.0, 1.0), strict=True):
        if name in back:
            at = [x, 0.9, 2.0]
            heads.append(rigs.head_at(name, at, role="background", aim=WALL, **{**common, **wall}))
    for i, head in enumerate(heads):
        if head["dimming"] != FIXED:
            head["drive"] = {"driver": "wire", "universe": 1, "slot": 1 + 2 * i, "bits": 16}
    balance = {"ratio": "2:1", "exposure": EXPOSURE_LUX} | (
        {} if relative is None else {"relative": relative}
    )
    return rigs.toml(rigs.studio(heads=heads, drivers=rigs.sacn("wire"), balance=balance))


def status(*words: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        run(list(words))
    return int(stopped.value.code or 0)


def rig(relative: dict[str, Any] | None, **more: Any) -> Rig:
    return load_rig_text(text(relative, **more), kinds=kinds())


def outputs(one: Rig) -> dict[str, float]:
    return {head.name: head.output for head in solve_rig(one).report.heads}


def spill_stops(one: Rig, lit: dict[str, float]) -> float:
    """The light on the wall, facing the camera, against the exposure: inverse square and cosine alone."""
    lux = 0.0
    for head in one.heads:
        way = [a - b for a, b in zip(head.position, WALL, strict=True)]
        lux += lit[head.name] * CANDELAS * max(0.0, -way[1]) / math.hypot(*way) ** 3
    return math.log2(lux / EXPOSURE_LUX)


def test_a_background_wished_out_is_out_and_the_rest_is_as_without_it() -> None:
    black, without = outputs(rig(OUT)), outputs(rig(None, back=()))
    assert black["left"] == black["right"] == 0
    assert {name: black[name] for name in without} == without
    # By stops it never goes below its floor.
    assert outputs(rig({"background": -12}))["left"] > 0


def test_what_the_others_spill_there_is_told_and_is_no_error() -> None:
    one = rig(OUT)
    report = solve_rig(one).report
    assert report.target.relative["background"] is None
    assert report.achieved.relative["background"] == pytest.approx(spill_stops(one, outputs(one)), abs=1e-3)
    assert report.limits == ()
    assert report.worst_error_stops < 0.05


def test_a_hair_light_may_be_wished_out_as_well() -> None:
    one = rig({"hair": "out", "background": 1})
    found = outputs(one)
    assert found["hair"] == 0
    assert found["left"] > 0
    held = solve_rig(one).report.achieved
    assert held.ratio == pytest.approx(2.0, rel=0.01)
    assert held.relative["background"] == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize(
    ("wish", "says"),
    [
        ({"background": "of"}, f'background: cannot be the text "of"; {WANTED}'),
        ({"background": True}, f"background: cannot be true; {WANTED}"),
        ({"background": -13}, "background: must be at least -12, not -13"),
        ({"fill": "out"}, 'role "fill" is held by ratio and exposure; leave it out'),
    ],
)
def test_what_is_no_wish_is_refused_in_one_line(wish: dict[str, Any], says: str) -> None:
    with pytest.raises(RigError) as caught:
        rig(wish)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_head_that_is_always_on_cannot_be_wished_out() -> None:
    with pytest.raises(RigError, match='left cannot be dimmed, so background cannot be "out"; give it stops'):
        rig(OUT, dimming=FIXED)
    up = Studio(rig({"background": 1}, dimming=FIXED))
    refused = up.refusal("balance", relative=OUT)
    assert (refused.code, refused.where) == ("not_now", "relative.background")


@pytest.fixture
def held() -> Studio:
    up = Studio(rig({"background": 1}))
    up.settle()
    return up


def heads_of(up: Studio) -> dict[str, float]:
    return {head["name"]: head["output"] for head in up.state["heads"]}


def test_an_order_fades_it_out_and_another_brings_it_back(held: Studio) -> None:
    before = held.codes
    assert heads_of(held)["left"] > 0
    answer = held.do("balance", relative=OUT)
    assert answer.note is None
    assert held.settle() > 0.5
    assert heads_of(held)["left"] == heads_of(held)["right"] == 0
    state = held.state
    assert state["balance"]["relative"] == {"hair": 0.0, "background": "out"}
    assert state["target"]["relative"]["background"] is None
    assert state["achieved"]["relative"]["background"] == pytest.approx(
        spill_stops(held.rig, heads_of(held)), abs=1e-3
    )
    assert state["ticks"]["balance"] is True
    assert state["limits"] == []
    held.do("balance", relative={"background": "+1"})
    held.settle()
    assert held.codes == before
    assert_no_flash(held.rig, held.frames)


def test_it_stays_out_while_the_subject_moves_and_after_a_restart(held: Studio) -> None:
    held.do("balance", relative=OUT)
    held.settle()
    held.do("move", to=[0.3, -0.2, 1.25])
    held.settle()
    assert heads_of(held)["left"] == 0
    again = Studio(held.rig, held.hold.remember().model_dump(mode="json"), held.now)
    again.settle()
    assert again.codes == held.codes
    assert again.state["balance"]["relative"]["background"] == "out"


def test_undo_brings_it_back(held: Studio) -> None:
    before = held.codes
    held.do("balance", relative=OUT)
    held.settle()
    held.do("undo")
    held.settle()
    assert held.codes == before


def test_a_trim_does_not_light_it_and_says_why(held: Studio) -> None:
    held.do("trim", role="background", by=1)
    held.do("balance", relative=OUT)
    held.settle()
    assert heads_of(held)["left"] == 0
    refused = held.refusal("trim", role="background", by=1)
    assert (refused.code, refused.where) == ("not_now", "role")
    assert refused.message == "background is out in the balance; give it stops there to bring it back"
    held.do("trim", role="background", to="out")


def test_frozen_levels_that_light_it_are_told(held: Studio) -> None:
    held.do("freeze")
    held.do("balance", relative=OUT)
    held.settle()
    assert heads_of(held)["left"] > 0
    (limit,) = held.state["limits"]
    assert (limit["at"], limit["says"]) == (
        "freeze",
        "the levels are frozen: background is to be out, but is lit",
    )
    assert held.state["ticks"]["balance"] is False
    held.do("follow")
    held.settle()
    assert heads_of(held)["left"] == 0
    assert held.state["limits"] == []


def test_keep_leaves_it_out_unless_it_is_lit(held: Studio) -> None:
    held.do("balance", relative=OUT)
    held.settle()
    held.do("trim", role="fill", by=-1)
    held.settle()
    held.do("keep")
    held.settle()
    assert held.state["balance"]["relative"]["background"] == "out"
    assert heads_of(held)["left"] == 0
    held.do("balance", relative={"background": 1})
    held.settle()
    held.do("freeze")
    held.do("balance", relative=OUT)
    held.do("keep")
    assert held.state["balance"]["relative"]["background"] == pytest.approx(1, abs=0.05)


def test_the_line_up_reads_no_black_background() -> None:
    def read(relative: dict[str, Any]) -> list[str]:
        return [check.what for check in ExpectedBalance(rig(relative), None, CHAIR).checks(background=True)]

    assert "background" in read({"background": 1})
    assert "background" not in read(OUT)


def test_it_is_worded(held: Studio, tmp_path: Any, capsys: pytest.CaptureFixture[str]) -> None:
    assert phrase_of(parse_order({"do": "balance", "relative": OUT})) == "balance background out"
    held.do("balance", relative=OUT)
    held.settle()
    (line,) = [line for line in state_lines(held.state) if line.strip().startswith("background")]
    assert line.split()[:2] == ["background", "out"]
    path = tmp_path / "rig.toml"
    path.write_text(text(OUT))
    assert status("plan", str(path)) == 0
    assert "wanted out" in capsys.readouterr().out
    assert status("solve", str(path)) == 0
    assert (
        "out"
        in next(
            line for line in capsys.readouterr().out.splitlines() if line.strip().startswith("background")
        ).split()
    )


def test_the_sheet_says_what_is_out() -> None:
    one = rig(OUT)
    lines = list(balance_lines(one, plan_rig(one).marks[0]))
    held = spill_stops(one, outputs(one))
    said = f"background: out; {held:+.2f} stop against the exposure by the other heads and the room"
    assert said in lines


def test_the_command_orders_it(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[Any] = []
    monkeypatch.setattr("fillside.cli.commands.orders.give", lambda order, *_: given.append(order))
    assert status("balance", "--relative", "background=out", "--relative", "hair=-1/2") == 0
    assert given == [{"do": "balance", "relative": {"background": "out", "hair": -0.5}}]


def test_one_solver_takes_other_wishes_in_turn() -> None:
    one = rig(None)
    solver = BalanceSolver(scene(one))
    target = target_from_rig(one)

    def lit(**relative: float | None) -> list[bool]:
        codes = solver.solve(CHAIR, replace(target, relative=relative)).codes
        return [code > 0 for code in codes]

    for _ in range(2):
        assert lit(background=None) == [True, True, True, False, False]
        assert lit(hair=None) == [True, True, False, True, True]
        assert lit(hair=None, background=None) == [True, True, False, False, False]
        assert lit() == [True] * 5
