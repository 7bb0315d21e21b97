"""Contract: wires and heads that fail, disobey and come back: what is shown, and what the light does."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest

from contract.hold_studio import (
    CANDELAS,
    CHAIR,
    DESK,
    FILL_AT,
    Studio,
    assert_no_flash,
    light,
    output,
    steepest_stops_per_s,
    studio,
)
from fillside.hold.events import (
    DriverChanged,
    Event,
    HeadAnswers,
    HeadBack,
    HeadDisobeys,
    HeadLate,
    HeadLost,
)

KEY, FILL, HAIR, HOUSE = range(4)


def come_up(**tables: Any) -> Studio:
    up = Studio(studio(**tables))
    up.settle()
    up.frames = [(up.now, up.codes)]
    return up


def head(up: Studio, name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(h for h in up.state["heads"] if h["name"] == name)
    return found


def test_drivers_and_heads_are_shown_with_since_when() -> None:
    up = come_up()
    began = up.state["drivers"]["stage"]["since"]
    up.wait(5.0)
    up.event(DriverChanged("stage", "late", "the machine is busy", ('another source "south" is on 7',)))
    late = up.now
    assert up.state["drivers"]["stage"] == {
        "state": "late",
        "since": late,
        "note": "the machine is busy",
        "notices": ['another source "south" is on 7'],
    }
    assert (head(up, "key")["state"], head(up, "key")["since"]) == ("late", late)
    assert (head(up, "fill")["state"], head(up, "fill")["since"]) == ("ok", began)
    up.wait(3.0)
    up.event(DriverChanged("stage", "late", "still busy"))
    assert up.state["drivers"]["stage"]["since"] == late
    assert up.state["drivers"]["stage"]["notices"] == []
    up.event(DriverChanged("stage", "lost", "no way there"))
    assert (head(up, "key")["state"], head(up, "key")["works"]) == ("lost", False)
    assert head(up, "key")["since"] == up.now


OWN = {
    "ok": HeadBack("fill"),
    "late": HeadLate("fill"),
    "disobeying": HeadDisobeys("fill", 9),
    "lost": HeadLost("fill"),
}
WORSE = {
    ("ok", "ok"): "ok",
    ("ok", "late"): "late",
    ("ok", "disobeying"): "disobeying",
    ("ok", "lost"): "lost",
    ("late", "ok"): "late",
    ("late", "late"): "late",
    ("late", "disobeying"): "disobeying",
    ("late", "lost"): "lost",
    ("lost", "ok"): "lost",
    ("lost", "late"): "lost",
    ("lost", "disobeying"): "lost",
    ("lost", "lost"): "lost",
}


@pytest.mark.parametrize(("both", "shown"), WORSE.items())
def test_of_a_head_and_its_driver_the_worse_counts(both: tuple[Any, str], shown: str) -> None:
    up = come_up()
    up.event(HeadDisobeys("fill"))
    up.event(OWN[both[1]])
    up.event(DriverChanged("side", both[0]))
    assert head(up, "fill")["state"] == shown
    assert head(up, "fill")["works"] == (shown != "lost")
    assert head(up, "key")["state"] == "ok"


def test_a_head_that_disobeys_is_shown_with_the_level_it_says_and_nothing_moves() -> None:
    up = come_up()
    before = up.codes
    up.event(HeadDisobeys("fill", 13107))
    since = up.now
    assert up.hold.wake_in(up.now) is None
    assert up.codes == before
    shown = head(up, "fill")
    assert (shown["state"], shown["since"], shown["says_level"]) == ("disobeying", since, 0.2)
    assert shown["works"]
    up.wait(9.0)
    up.event(HeadDisobeys("fill", 0))
    assert (head(up, "fill")["since"], head(up, "fill")["says_level"]) == (since, 0.0)
    up.event(HeadBack("fill"))
    assert (head(up, "fill")["state"], head(up, "fill")["says_level"]) == ("ok", None)
    assert up.codes == before


def test_what_a_lamp_answers_and_has_confirmed_is_shown_and_a_lost_wire_confirms_nothing() -> None:
    up = come_up()
    assert (head(up, "fill")["answers"], head(up, "fill")["confirmed"]) == (None, None)
    up.event(HeadAnswers("fill", "changes", True))
    assert (head(up, "fill")["answers"], head(up, "fill")["confirmed"]) == ("changes", True)
    up.event(HeadLate("fill"))
    assert any("fill" in note and "answered" in note for note in up.state["notes"])
    up.event(DriverChanged("side", "lost"))
    assert (head(up, "fill")["answers"], head(up, "fill")["confirmed"]) == ("changes", False)


@pytest.mark.parametrize("mode", ["follow", "freeze"])
def test_what_a_head_that_disobeys_says_counts_in_what_is_achieved_and_is_named(mode: str) -> None:
    up = come_up()
    up.do(mode)
    before = light(up.rig, up.codes, CHAIR)
    assert up.state["notes"] == []
    up.event(HeadDisobeys("fill", 13107))
    state = up.state
    # A square curve: a fifth of the level is a twenty-fifth of the light.
    fill = CANDELAS / 25 / math.dist(up.rig.heads[FILL].position, CHAIR) ** 2
    assert head(up, "fill")["lux"] == pytest.approx(fill, rel=1e-3)
    assert state["achieved"]["ratio_stops"] == pytest.approx(math.log2(before["key"] / fill), abs=0.01)
    (limit,) = [one for one in state["limits"] if one["head"] == "fill"]
    assert (limit["at"], limit["says"]) == ("disobeying", "fill does not obey: it reports 20 %")
    assert limit["says"] in state["notes"]
    up.event(HeadBack("fill"))
    assert up.state["achieved"]["ratio_stops"] == pytest.approx(1.0, abs=0.01)
    assert up.state["notes"] == []


def test_an_order_s_answer_names_a_head_that_disobeys() -> None:
    up = come_up()
    up.event(HeadDisobeys("fill", 13107))
    assert "fill does not obey" in (up.do("balance", ratio="3:1").note or "")


@pytest.mark.parametrize("protect", ["ratio", "exposure"])
def test_when_lost_solve_reckons_with_what_a_head_that_disobeys_says_it_gives(protect: str) -> None:
    up = come_up(balance={"when_lost": "solve", "exposure": 400.0, "ratio": 1.0, "protect": protect})
    before = up.codes
    says = round(65535 * math.sqrt(output(up.rig, FILL, before[FILL]) * 1.3))
    up.event(HeadDisobeys("fill", says))
    up.settle()
    assert up.codes[FILL] == before[FILL], "it is left alone"
    key = light(up.rig, up.codes, CHAIR)["key"]
    fill = light(up.rig, (0, says, 0, 0), CHAIR)["fill"]
    if protect == "ratio":
        assert math.log2(key / fill) == pytest.approx(0.0, abs=0.02)
    else:
        assert up.state["achieved"]["exposure_lux"] == pytest.approx(400, rel=0.02)
        assert key < light(up.rig, before, CHAIR)["key"]
    # What it says while it is left alone does not stir it.
    up.event(HeadDisobeys("fill", says + 40))
    up.settle()
    assert up.codes[FILL] == before[FILL]
    up.event(HeadBack("fill"))
    up.settle()
    assert up.codes == before
    assert_no_flash(up.rig, up.frames)


@pytest.mark.parametrize("event", [HeadLost("nobody"), HeadBack("nobody", 3), HeadDisobeys("nobody", 3)])
def test_heads_that_the_rig_does_not_have_say_nothing(event: Event) -> None:
    up = come_up()
    before = up.state
    up.event(event)
    assert up.state == before


@pytest.mark.parametrize("code", [65535, 0, 20000])
def test_a_head_that_comes_back_at_another_level_fades_from_there_to_its_own(code: int) -> None:
    up = come_up()
    before = up.codes
    up.event(HeadLost("fill"))
    up.wait(2.0)
    up.event(HeadBack("fill", code))
    first = up.codes
    # The first frame is one frame of the way, at a stop a second or, from out, the knee in 0.3 s.
    if code:
        moved = abs(math.log2(output(up.rig, FILL, first[FILL]) / output(up.rig, FILL, code)))
        assert moved == pytest.approx(1 / 44, abs=0.002)
    else:
        assert output(up.rig, FILL, first[FILL]) <= 0.01 / 0.3 / 44 + 1e-4
    assert head(up, "fill")["state"] == "ok"
    up.settle()
    assert up.codes == before
    for (t0, a), (t1, b) in itertools.pairwise(up.frames[1:]):
        if min(a[FILL], b[FILL]) > 0 and output(up.rig, FILL, min(a[FILL], b[FILL])) > 0.01:
            step = abs(math.log2(output(up.rig, FILL, b[FILL]) / output(up.rig, FILL, a[FILL])))
            assert step <= (t1 - t0) * 1.0 + 0.003
        assert (a[KEY], a[HAIR]) == (b[KEY], b[HAIR])


def test_a_head_that_is_found_elsewhere_without_having_been_lost_fades_too() -> None:
    up = come_up()
    before = up.codes
    up.wait(1.0)
    up.event(HeadBack("key", 65535))
    assert 65535 > up.codes[KEY] > 65535 * 0.98
    up.settle()
    assert up.codes == before


def test_returns_again_and_again_do_not_make_us_flash() -> None:
    up = come_up(hold={"order_speed": 6.0})
    up.frames = []
    for k in range(40):
        up.event(HeadLost("fill"))
        up.event(HeadBack("fill", 65535 if k % 2 else 6000))
        # What the lamp does by itself is seen by everybody.
        up.frames.append((up.now, up.codes))
        up.wait(0.11)
    ours = [(t, c) for t, c in up.frames]
    up.settle()
    assert up.state["settled"]
    # The lamp itself jumped 40 times; on the wires of the others nothing moved at all.
    assert {(c[KEY], c[HAIR]) for _, c in ours} == {(up.codes[KEY], up.codes[HAIR])}


@pytest.mark.parametrize("mode", ["follow", "freeze", "dark"])
def test_when_lost_keep_leaves_the_others_alone_in_every_mode(mode: str) -> None:
    up = come_up()
    up.do(mode)
    up.settle()
    before = up.codes
    for event in (HeadLost("fill"), DriverChanged("side", "lost"), DriverChanged("side", "ok")):
        up.event(event)
        up.settle()
        assert up.codes == before
    up.event(HeadBack("fill"))
    up.settle()
    assert up.codes == before


def test_when_lost_keep_goes_on_following_with_what_is_left() -> None:
    up = come_up()
    up.event(HeadLost("fill"))
    up.do("move", mark="desk")
    up.settle()
    lost_at = up.codes
    up.event(HeadBack("fill"))
    up.settle()
    assert up.codes[KEY] == lost_at[KEY]
    lux = light(up.rig, up.codes, DESK)
    assert math.log2(lux["key"] / lux["fill"]) == pytest.approx(1.0, abs=0.02)


def test_when_lost_solve_holds_the_exposure_with_the_rest_and_gives_it_back() -> None:
    up = come_up(balance={"when_lost": "solve", "exposure": 400.0, "ratio": 1.0, "protect": "exposure"})
    before = up.codes
    up.event(HeadLost("fill"))
    up.settle()
    state = up.state
    assert state["achieved"]["ratio"] is None
    # A point lamp 1.2 m away gives the dome (1 + cos) / 2 of what a flat receptor facing it shows.
    assert state["achieved"]["exposure_lux"] == pytest.approx(400, rel=0.02)
    assert light(up.rig, up.codes, CHAIR)["key"] > light(up.rig, before, CHAIR)["key"] * 1.2
    up.event(HeadBack("fill", 0))
    up.settle()
    assert up.codes == before


@pytest.mark.parametrize("found_at", [None, 0])
@pytest.mark.parametrize(
    ("read_as", "protect"), [("key:fill", "ratio"), ("face", "ratio"), ("face", "exposure")]
)
def test_without_the_key_the_fill_holds_the_exposure_alone_and_the_key_fades_back(
    read_as: str, protect: str, found_at: int | None
) -> None:
    up = come_up(balance={"when_lost": "solve", "exposure": 400.0, "read_as": read_as, "protect": protect})
    before = up.codes
    up.event(HeadLost("key"))
    up.settle()
    state = up.state
    # A dome turned to the camera shows (1 + cos) / 2 of what a flat receptor facing the lamp shows.
    fill_way, camera_way = np.subtract(FILL_AT, CHAIR), np.subtract(up.rig.camera.position, CHAIR)
    cosine = fill_way @ camera_way / np.linalg.norm(fill_way) / np.linalg.norm(camera_way)
    assert light(up.rig, up.codes, CHAIR)["fill"] * (1 + cosine) / 2 == pytest.approx(400.0, rel=0.01)
    assert up.codes[KEY] == before[KEY]
    assert (state["achieved"]["ratio"], state["ticks"]["ratio"]) == (None, False)
    assert ("key", "lost") in {(limit["head"], limit["at"]) for limit in state["limits"]}
    assert "weak" not in {limit["at"] for limit in state["limits"]}
    assert_fades_only(up)
    up.event(HeadBack("key", found_at))
    # What the lamp was found at is no fade of ours.
    up.frames = [(up.now, up.codes)]
    up.settle()
    assert up.codes == before
    assert up.state["achieved"]["ratio_error_stops"] == pytest.approx(0.0, abs=0.02)
    assert_fades_only(up)


def assert_fades_only(up: Studio) -> None:
    """No frame is more than a tenth of a stop from the one before it, and no fade faster than orders are."""
    for one in (KEY, FILL, HAIR):
        given = [max(output(up.rig, one, codes[one]), 0.01) for _, codes in up.frames]
        assert max((abs(math.log2(b / a)) for a, b in itertools.pairwise(given)), default=0.0) <= 0.11
        assert steepest_stops_per_s(up.rig, up.frames, one, above=0.01) <= up.rig.hold.order_speed * 1.01
    assert_no_flash(up.rig, up.frames)


def test_a_lost_wire_in_a_fade_stops_its_heads_and_the_rest_goes_on() -> None:
    up = come_up()
    up.do("expose", by=-2)
    up.wait(0.5)
    up.event(DriverChanged("side", "lost"))
    stopped = up.codes[FILL]
    up.settle()
    assert up.codes[FILL] == stopped
    key_there = up.codes[KEY]
    up.event(DriverChanged("side", "ok"))
    up.settle()
    assert up.codes[KEY] == key_there
    lux = light(up.rig, up.codes, CHAIR)
    assert math.log2(lux["key"] / lux["fill"]) == pytest.approx(1.0, abs=0.02)
    assert_no_flash(up.rig, up.frames)


@pytest.mark.parametrize("when_lost", ["keep", "solve"])
def test_a_changed_rig_leaves_a_lost_head_where_it_is_and_fades_it_when_it_is_back(when_lost: str) -> None:
    balance = {"when_lost": when_lost, "protect": "exposure", "exposure": 400.0}
    up = come_up(balance=balance)
    up.event(DriverChanged("side", "lost"))
    up.do("expose", by=-1)
    up.settle()
    lost_at, key_at = up.codes[FILL], up.codes[KEY]
    up.hold = up.hold.replaced(studio(balance={**balance, "exposure": 300.0}), None, None, up.now)
    up.frames = [(up.now, up.codes)]
    up.settle()
    assert {codes[FILL] for _, codes in up.frames} == {lost_at}
    # Solved anew, the key alone has the exposure; kept, it has its own part of it.
    stops = math.log2(output(up.rig, KEY, up.codes[KEY]) / output(up.rig, KEY, key_at))
    # The edited exposure counts in place of what was ordered, which was half of 400 lux.
    assert stops == pytest.approx(math.log2(300 / 200), abs=0.03)
    up.event(DriverChanged("side", "ok"))
    first = up.codes
    assert abs(math.log2(output(up.rig, FILL, first[FILL]) / output(up.rig, FILL, lost_at))) <= 0.03
    up.settle()
    lux = light(up.rig, up.codes, CHAIR)
    assert math.log2(lux["key"] / lux["fill"]) == pytest.approx(1.0, abs=0.02)
