"""Contract: what the modes, trims, `only`, `keep`, `move`, `expose`, `camera` and `undo` do to the light."""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest

from contract.hold_studio import CHAIR, DESK, Studio, light, studio
from fillside.balance.report import Remedy
from fillside.hold.events import RemediesFound
from fillside.rig.tables.model import Rig

KEY, FILL, HAIR, HOUSE = range(4)


@pytest.fixture
def held() -> Studio:
    """A studio that has come up and rests: 2:1 at 660 lux, hair as bright as the key."""
    up = Studio(studio(balance={"relative": {"hair": 0.0}}))
    up.settle()
    return up


def test_a_first_start_follows_and_fades_up_from_out() -> None:
    up = Studio(studio())
    assert up.codes == (0, 0, 0, 0)
    took = up.settle()
    assert up.state["mode"] == "follow"
    # Up to the knee at 0.01 in 0.3 s, then a stop a second: the slowest head takes that long.
    slowest = max(head["output"] for head in up.state["heads"])
    assert took == pytest.approx(0.3 + math.log2(slowest / 0.01), abs=2 / 44)
    assert up.ratio_stops() == pytest.approx(1.0, abs=0.001)
    assert up.codes[HOUSE] == 0


def test_a_trim_changes_its_role_by_so_many_stops_and_no_other_code(held: Studio) -> None:
    before = held.codes
    lux = light(held.rig, before, CHAIR)["fill"]
    held.do("trim", role="fill", by=-1)
    held.settle()
    now = light(held.rig, held.codes, CHAIR)["fill"]
    assert math.log2(now / lux) == pytest.approx(-1, abs=0.02)
    assert [a == b for a, b in zip(before, held.codes, strict=True)] == [True, False, True, True]
    assert held.state["trims"] == {"fill": -1.0}


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("steps", [[-1.0], [-1 / 3] * 3, [0.7, -2.0, 0.1], [6.0], [-6.0, 2.5]])
def test_a_trim_to_nothing_gives_the_earlier_codes_back(bits: int, steps: list[float]) -> None:
    up = Studio(studio(bits=bits))
    up.settle()
    before = up.codes
    for by in steps:
        up.do("trim", role="key", by=by)
        up.wait(0.4)
    up.do("trim", role="key", to=0)
    up.settle()
    assert up.codes == before
    assert up.state["trims"] == {}


def test_thirds_of_a_stop_add_up(held: Studio) -> None:
    before = held.codes
    for _ in range(3):
        held.do("trim", role="fill", by="-1/3")
    held.do("trim", role="fill", by=1)
    held.settle()
    assert held.codes == before
    assert held.state["trims"] == {}


def test_trims_stay_within_six_stops(held: Studio) -> None:
    held.do("trim", role="key", by=-4)
    assert held.refusal("trim", role="key", by=-3).code == "out_of_range"
    held.do("trim", role="key", by=-2)
    assert held.state["trims"] == {"key": -6.0}


def test_a_role_goes_out_and_comes_back_to_its_codes(held: Studio) -> None:
    before = held.codes
    held.do("trim", role="hair", to="out")
    held.settle()
    assert held.codes == (before[KEY], before[FILL], 0, 0)
    assert held.state["trims"] == {"hair": "out"}
    assert held.refusal("trim", role="hair", by=1).code == "not_now"
    held.do("trim", role="hair", to=0)
    held.settle()
    assert held.codes == before


def test_freeze_notes_moves_and_a_new_balance_and_follow_acts_on_them(held: Studio) -> None:
    before = held.codes
    held.do("freeze")
    for order in (
        {"do": "move", "mark": "desk"},
        {"do": "balance", "ratio": "4:1"},
        {"do": "camera", "aperture": 5.6},
        {"do": "expose", "by": -1.5},
    ):
        assert "follow" in (held.do(order).note or "")
    held.settle()
    for _ in range(50):
        held.now += 0.02
        held.see(CHAIR)
    held.do("move", mark="desk")
    held.settle()
    assert held.codes == before
    held.do("follow")
    held.settle()
    assert held.ratio_stops(DESK) == pytest.approx(2.0, abs=0.001)
    assert held.state["subject"] == list(DESK)
    # ISO 2720: N^2 / t times one stop for f/5.6 over f/4, less the stop and a half.
    assert held.state["target"]["exposure_lux"] == pytest.approx(330 * 16 * 50 / 400 * 2**-0.5, rel=1e-9)


@pytest.mark.parametrize("trimmed_before", [0.0, -1.0])
def test_trims_in_freeze_act_at_once_and_undo_exactly(held: Studio, trimmed_before: float) -> None:
    held.do("trim", role="fill", to=trimmed_before)
    held.settle()
    frozen, untrimmed_lux = held.codes, light(held.rig, held.codes, CHAIR)["fill"] * 2**-trimmed_before
    held.do("freeze")
    held.do("move", mark="desk")
    held.do("trim", role="fill", by="-1/2")
    held.settle()
    now = light(held.rig, held.codes, CHAIR)["fill"]
    assert math.log2(now / untrimmed_lux) == pytest.approx(trimmed_before - 0.5, abs=0.02)
    assert held.codes[KEY] == frozen[KEY]
    held.do("trim", role="fill", by="1/2")
    held.settle()
    assert held.codes == frozen


def test_freezing_in_a_fade_keeps_the_levels_of_that_moment(held: Studio) -> None:
    held.do("balance", ratio="8:1")
    held.wait(0.5)
    held.do("trim", role="hair", to="out")
    held.wait(0.3)
    halfway = held.codes
    held.do("freeze")
    held.settle()
    assert held.codes == halfway
    held.do("trim", role="fill", by=1)
    held.settle()
    held.do("undo")
    held.settle()
    assert held.codes == halfway


def test_freezing_on_the_way_up_leaves_no_head_below_its_floor() -> None:
    up = Studio(studio(floor=0.2))
    up.wait(0.1)
    assert 0 < up.state["heads"][KEY]["output"] < 0.2
    up.do("freeze")
    up.settle()
    assert all(head["output"] >= 0.2 for head in up.state["heads"][:3])


def test_dark_puts_all_out_and_the_work_light_up_until_follow_or_freeze(held: Studio) -> None:
    before = held.codes
    held.do("dark")
    held.settle()
    assert held.codes == (0, 0, 0, 65535)
    held.do("follow")
    held.settle()
    assert held.codes == before


def test_freeze_after_dark_brings_back_the_levels_before_dark(held: Studio) -> None:
    held.do("freeze")
    held.do("trim", role="key", by=-2)
    held.settle()
    before = held.codes
    held.do("dark")
    held.do("move", mark="desk")
    held.settle()
    held.do("freeze")
    held.settle()
    assert held.codes == before
    held.do("follow")
    held.settle()
    assert held.ratio_stops(DESK) == pytest.approx(1.0 - 2.0, abs=0.01)


def test_a_trim_in_the_dark_shows_when_the_light_is_back(held: Studio) -> None:
    before = held.codes
    held.do("dark")
    held.settle()
    dark = held.codes
    held.do("trim", role="fill", by=-1)
    held.settle()
    assert held.codes == dark
    held.do("freeze")
    held.settle()
    assert held.codes[KEY] == before[KEY]
    assert held.codes[FILL] < before[FILL]
    held.do("trim", role="fill", to=0)
    held.settle()
    assert held.codes == before


WAYS = ("follow", "freeze", "dark")


@pytest.mark.parametrize(("first", "second", "third"), list(itertools.product(WAYS, repeat=3)))
def test_any_modes_in_any_order_come_back_to_the_same_balance(
    held: Studio, first: str, second: str, third: str
) -> None:
    before = held.codes
    for mode in (first, second, third):
        held.do(mode)
        held.settle()
        assert held.state["mode"] == mode
        assert held.codes == ((0, 0, 0, 65535) if mode == "dark" else before)
    held.do("follow")
    held.settle()
    assert held.codes == before


@pytest.mark.parametrize("mode", WAYS)
def test_only_shows_one_head_below_its_floor_and_all_ends_it(held: Studio, mode: str) -> None:
    held.do(mode)
    held.settle()
    before = held.codes
    held.do("only", head="fill", level=0.01)
    held.settle()
    assert held.codes == (0, round(0.01 * 65535), 0, 0)
    assert held.state["alone"] == "fill"
    held.do("only", head="key", level=1.0)
    held.settle()
    assert held.codes == (65535, 0, 0, 0)
    held.do("all")
    held.settle()
    assert held.codes == before
    assert held.state["alone"] is None


def test_what_is_ordered_while_one_head_is_alone_shows_after_all(held: Studio) -> None:
    before = held.codes
    held.do("only", head="key")
    held.settle()
    assert held.codes == (before[KEY], 0, 0, 0)
    held.do("trim", role="fill", by=-1)
    held.do("freeze")
    held.settle()
    assert held.codes == (before[KEY], 0, 0, 0)
    held.do("all")
    held.settle()
    assert held.codes[KEY] == before[KEY]
    lux = [light(held.rig, codes, CHAIR)["fill"] for codes in (before, held.codes)]
    assert math.log2(lux[1] / lux[0]) == pytest.approx(-1, abs=0.02)


def test_dark_ends_only(held: Studio) -> None:
    held.do("only", head="key", level=0.5)
    held.do("dark")
    held.settle()
    assert held.codes == (0, 0, 0, 65535)


@pytest.mark.parametrize("mode", ["follow", "freeze"])
def test_keep_makes_the_light_the_balance_and_changes_no_code(held: Studio, mode: str) -> None:
    held.do("trim", role="fill", by="-2/3")
    held.do("trim", role="hair", by=1)
    held.do("trim", role="key", by="1/3")
    held.settle()
    held.do(mode)
    before, shown = held.codes, held.state["achieved"]
    note = held.do("keep").note or ""
    assert "kept 4:1, read as key:fill, at " in note
    held.settle()
    assert held.codes == before
    state = held.state
    assert state["trims"] == {}
    assert state["balance"]["ratio"] == pytest.approx(shown["ratio"], rel=1e-9)
    assert state["balance"]["exposure_lux"] == pytest.approx(shown["exposure_lux"], rel=1e-9)
    held.do("follow")
    held.do("move", mark="chair")
    held.settle()
    assert held.codes == before
    lux = light(held.rig, before, CHAIR)
    assert state["balance"]["ratio"] == pytest.approx(lux["key"] / lux["fill"], rel=1e-9)
    assert state["balance"]["relative"]["hair"] == pytest.approx(math.log2(lux["hair"] / lux["key"]))


@pytest.mark.parametrize("role", ["key", "fill", "hair"])
@pytest.mark.parametrize("by", [-2.0, -1.0, -0.5, 0.5, 1.0, 1.5])
def test_a_trim_is_met_by_its_role_alone_and_moves_what_is_aimed_at(role: str, by: float) -> None:
    """The ratio is key over fill, the hair light counts against the key."""
    up = Studio(studio(balance={"ratio": "2:1", "exposure": 300.0, "relative": {"hair": -0.5}}))
    up.settle()
    before = light(up.rig, up.codes, CHAIR)
    up.do("trim", role=role, by=by)
    up.settle()
    after = light(up.rig, up.codes, CHAIR)
    moved = {name: math.log2(after[name] / before[name]) for name in ("key", "fill", "hair")}
    assert moved == pytest.approx({"key": 0.0, "fill": 0.0, "hair": 0.0, role: by}, abs=0.005)
    target, by_ratio = up.state["target"], {"key": by, "fill": -by}.get(role, 0.0)
    assert target["ratio_stops"] == pytest.approx(1.0 + by_ratio, abs=0.005)
    assert target["ratio"] == pytest.approx(2.0 * 2.0**by_ratio, rel=0.005)
    against_key = {"key": -by, "hair": by}.get(role, 0.0)
    assert target["relative"]["hair"] == pytest.approx(-0.5 + against_key, abs=0.005)


def test_a_role_that_is_put_out_is_said_to_be_out(held: Studio) -> None:
    note = held.do("trim", role="hair", to="out").note
    assert note is not None
    assert note.startswith("hair is out")


def test_the_state_names_the_mark_at_which_the_subject_is(held: Studio) -> None:
    for order, mark in (
        ({"mark": "desk"}, "desk"),
        ({"to": [0.1, 0.1, 1.2]}, None),
        ({"to": list(CHAIR)}, "chair"),
    ):
        held.do("move", **order)
        assert held.state["subject_seen"]["mark"] == mark


def test_keep_counts_the_background_against_the_exposure_that_is_kept() -> None:
    """Key and fill a stop down: the background, as bright as before, is a stop more over what is kept."""
    table = studio(balance={"exposure": 300.0}).dump()
    table["heads"][2]["role"] = "background"
    table["balance"]["relative"] = {"background": 0.0}
    held = Studio(Rig.model_validate(table))
    held.settle()
    for role in ("key", "fill"):
        held.do("trim", role=role, by=-1)
    held.settle()
    before, was = held.codes, held.state["achieved"]["relative"]["background"]
    held.do("keep")
    held.settle()
    assert held.codes == before
    assert held.state["balance"]["relative"]["background"] == pytest.approx(was + 1, abs=0.01)
    held.do("follow")
    held.do("move", mark="chair")
    held.settle()
    assert held.codes == before


def test_keep_still_follows_the_camera(held: Studio) -> None:
    held.do("trim", role="key", by=-1)
    held.do("trim", role="fill", by=-1)
    held.settle()
    held.do("keep")
    kept = held.state["balance"]["exposure_lux"]
    held.do("camera", iso=800)
    assert held.state["balance"]["exposure_lux"] == pytest.approx(kept / 2, rel=1e-9)


def test_undo_of_keep_brings_the_trims_back_and_changes_no_code(held: Studio) -> None:
    held.do("trim", role="fill", by=-1)
    held.settle()
    before = held.codes
    held.do("keep")
    held.do("undo")
    held.settle()
    assert held.codes == before
    assert held.state["trims"] == {"fill": -1.0}
    assert held.state["balance"]["ratio"] == 2.0


def test_keep_leaves_out_what_is_out_and_needs_a_balance_to_keep(held: Studio) -> None:
    held.do("trim", role="hair", to="out")
    held.settle()
    held.do("keep")
    assert held.state["trims"] == {"hair": "out"}
    held.do("trim", role="fill", to="out")
    held.settle()
    assert held.refusal("keep").code == "not_now"
    held.do("dark")
    assert held.refusal("keep").code == "not_now"


def test_a_move_is_exact_and_at_the_speed_of_orders(held: Studio) -> None:
    for _ in range(100):
        held.now += 0.02
        held.see((0.3, 0.1, 1.2))
    held.do("move", to=list(DESK))
    assert held.state["subject"] == list(DESK)
    took = held.settle()
    assert held.ratio_stops(DESK) == pytest.approx(1.0, abs=0.001)
    assert 0.3 < took < 1.5


@pytest.mark.parametrize(
    "place",
    [[0, 0, -0.01], [0, 0, 4.01], [15.1, 0, 1.2], [0, 15.01, 1.2], [0.62, -0.85, 1.83], [0, 0, math.nan]],
)
@pytest.mark.parametrize("word", ["move", "subject"])
def test_nobody_can_be_where_nobody_can_be(held: Studio, word: str, place: list[float]) -> None:
    assert held.refusal(word, to=place).code == "out_of_range"


def test_places_near_a_lamp_are_refused_after_many_good_reports(held: Studio) -> None:
    for x in (0.0, 0.2, 0.4, 0.55):
        held.now += 0.02
        held.see((x, -0.85 * x / 0.6, 1.2 + 0.6 * x / 0.6))
    assert held.refusal("subject", to=[0.6, -0.85, 1.76]).code == "out_of_range"


def test_names_that_are_not_there_are_refused_with_the_nearest(held: Studio) -> None:
    for order, hint in (
        ({"do": "trim", "role": "fil", "by": 1}, "fill"),
        ({"do": "move", "mark": "dest"}, "desk"),
        ({"do": "only", "head": "kay"}, "key"),
        ({"do": "balance", "relative": {"hare": 1}}, "hair"),
    ):
        refusal = held.refusal(order)
        assert refusal.code == "unknown_name"
        assert f'"{hint}"' in refusal.message
    assert held.refusal("trim", role="work", by=1).code == "unknown_name"


def test_exposure_goes_by_stops_and_to_lux_and_back_to_the_camera(held: Studio) -> None:
    target = 330 * 4.0**2 / (0.02 * 400)
    held.do("expose", by="1/3")
    held.do("expose", by=-1)
    assert held.state["target"]["exposure_lux"] == pytest.approx(target * 2 ** (1 / 3 - 1), rel=1e-9)
    held.do("expose", to=500)
    assert held.state["target"]["exposure_lux"] == 500
    note = held.do("camera", aperture=2.8).note
    assert "lux" in (note or "")
    held.do("expose", to="camera")
    # f/2.8 is a name for 2^(3/2), one stop from f/4.
    assert held.state["target"]["exposure_lux"] == pytest.approx(target / 2, rel=1e-9)
    assert held.refusal("expose", to=200_001).code == "out_of_range"
    held.do("expose", by=5)
    assert held.refusal("expose", by=2).code == "out_of_range"


def test_a_shutter_replaces_a_shutter_angle_and_the_reverse(held: Studio) -> None:
    lux = held.state["target"]["exposure_lux"]
    held.do("camera", shutter_angle=180, fps=25)
    assert held.state["target"]["exposure_lux"] == pytest.approx(lux)
    held.do("camera", shutter="1/100")
    assert held.state["target"]["exposure_lux"] == pytest.approx(2 * lux)
    held.do("undo")
    assert held.refusal("camera", shutter="1/x").code == "bad_order"
    assert held.state["target"]["exposure_lux"] == pytest.approx(lux)


def test_a_shutter_angle_needs_a_frame_rate(held: Studio) -> None:
    assert held.refusal("camera", shutter_angle=180).code == "bad_order"


def test_a_ratio_is_read_in_its_terms(held: Studio) -> None:
    held.do("balance", ratio="3:1", read_as="key+fill:fill")
    held.settle()
    assert held.ratio_stops() == pytest.approx(1.0, abs=0.001)
    held.do("balance", ratio="2 stops")
    held.settle()
    assert held.ratio_stops() == pytest.approx(2.0, abs=0.001)
    assert held.state["balance"]["ratio"] == pytest.approx(5.0)
    assert held.refusal("balance", ratio="1:1").code == "out_of_range"
    assert held.refusal("balance", ratio="much").code == "bad_order"


def test_what_cannot_be_reached_is_said_and_remedies_are_asked_for(held: Studio) -> None:
    note = held.do("expose", by=5).note or ""
    assert "full light" in note
    assert held.hold.remedy_question(held.now) is None
    held.settle()
    question = held.hold.remedy_question(held.now)
    assert question is not None
    assert question.subject == CHAIR


def test_remedies_are_asked_for_where_a_tracked_subject_stays_and_not_while_it_walks() -> None:
    up = Studio(studio(balance={"exposure": 1e5}, hold={"pace": "quick"}))
    up.settle()
    first = up.hold.remedy_question(up.now)
    assert first is not None
    for step in range(90):
        assert up.hold.still_asks(first) == (math.dist(up.hold.subject, first.subject) <= 0.1)
        up.see((0.02 * step, 0.0, 1.2))
        up.wait(1 / 30)
        assert step < 8 or up.hold.remedy_question(up.now) is None
    assert not up.hold.still_asks(first)
    end = up.now
    while (question := up.hold.remedy_question(up.now)) is None:
        up.see((1.78, 0.0, 1.2))
        up.wait(1 / 30)
    assert up.now - end == pytest.approx(1.0, abs=0.2)
    assert question.subject[0] == pytest.approx(1.78, abs=0.02)
    assert up.hold.still_asks(question)


def test_remedies_are_shown_at_the_place_they_were_found_for() -> None:
    up = Studio(studio(balance={"exposure": 1e5}, hold={"pace": "quick"}))
    up.settle()
    question = up.hold.remedy_question(up.now)
    assert question is not None
    found = Remedy(do="Take off the lens cap.", change={"camera.nd_stops": 0}, leaves_stops=0.0)
    up.event(RemediesFound(question, (found,)))
    assert [each["do"] for each in up.state["remedies"]] == [found.do]
    assert up.hold.remedy_question(up.now) is None
    for step in range(20):
        up.see((0.02 * step, 0.0, 1.2))
        up.wait(1 / 30)
    assert up.state["remedies"] == []


ORDERS: list[dict[str, Any]] = [
    {"do": "trim", "role": "fill", "by": -1},
    {"do": "trim", "role": "hair", "to": "out"},
    {"do": "balance", "ratio": "5:1"},
    {"do": "expose", "by": -1},
    {"do": "camera", "iso": 1600},
    {"do": "move", "mark": "desk"},
    {"do": "freeze"},
    {"do": "dark"},
    {"do": "only", "head": "hair", "level": 0.3},
    {"do": "keep"},
]


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order["do"])
def test_undo_takes_an_order_back(held: Studio, order: dict[str, Any]) -> None:
    held.do("trim", role="key", by="-1/3")
    held.settle()
    before, state = held.codes, held.state
    held.do(order)
    held.wait(0.7)
    assert held.state["undo"].startswith(order["do"])
    held.do("undo")
    held.settle()
    assert held.codes == before
    for part in ("mode", "alone", "balance", "camera", "trims", "subject", "undo"):
        assert held.state[part] == state[part]


def test_undo_goes_back_step_by_step_to_the_beginning(held: Studio) -> None:
    before = held.codes
    for order in ORDERS[:-1]:
        held.do(order)
        held.wait(0.2)
    for _ in ORDERS[:-1]:
        held.do("undo")
    held.settle()
    assert held.codes == before
    assert held.refusal("undo").code == "not_now"


def test_orders_that_change_nothing_leave_nothing_to_undo(held: Studio) -> None:
    for order in ({"do": "follow"}, {"do": "all"}, {"do": "trim", "role": "fill", "to": 0}):
        held.do(order)
    assert held.state["undo"] is None
