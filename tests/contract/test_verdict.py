"""Contract: what may be ticked, and what is said instead. Nothing is off without a limit, a note or a fade.

The light of the hand-made studios is that of the inverse-square law; what a state says of itself is held
against nothing but its own figures.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import replace
from random import Random
from typing import Any

import numpy as np
import pytest

from contract.any_studio import Day, random_rig
from contract.hold_studio import CANDELAS, CHAIR, Studio, light, studio
from fillside.balance.judgement.reasons import JudgedLight
from fillside.balance.judgement.verdict import Circumstances, judge
from fillside.balance.limits import limits_of
from fillside.balance.rows import Metering
from fillside.balance.solver.rounding import choose_codes
from fillside.balance.solver.solve import solve
from fillside.balance.solver.supply import supply_of
from fillside.balance.target import target_from_rig
from fillside.doors.mqtt.homie import HomieRig, alerts
from fillside.hold.events import DriverChanged, HeadDisobeys, HeadLost, HeadsLeave
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

RIGS = int(os.environ.get("FILLSIDE_RANDOM_RIGS", "60"))
"""How many random studios are tried; a thousand take half a minute."""
HAPPENINGS = 6
AS_WANTED_STOPS = 0.05


def off(state: Mapping[str, Any], band: float) -> dict[str, float | None]:
    """What is farther from its target than the band, by the state's own figures; None where it is missing."""
    target, achieved = state["target"], state["achieved"]
    found = {"ratio": (target["ratio"], achieved["ratio_error_stops"])}
    if target["exposure_lux"] > 1e-9:
        found["exposure"] = (target["exposure_lux"], achieved["exposure_error_stops"])
    for role, wanted in target["relative"].items():
        held = achieved["relative"][role]
        found[role] = (wanted, None if held is None or wanted is None else held - wanted)
    return {
        what: error
        for what, (wanted, error) in found.items()
        if wanted is not None and (error is None or abs(error) > band)
    }


def test_nothing_is_off_without_a_limit_a_note_or_a_fade() -> None:
    """Whatever is put up, ordered, walked, lost and changed, at every look; and ticks are only where true."""
    for seed in range(RIGS):
        random = Random(seed)
        up = Studio(random_rig(random))
        band = max(AS_WANTED_STOPS, up.rig.hold.dead_band_stops)
        up.settle(1000.0)
        log = ["it came up"]
        for happened in ("", *Day(random, up).happenings(HAPPENINGS)):
            log.append(happened)
            state = up.state
            wrong, ticks = off(state, band), state["ticks"]
            excused = state["limits"] or state["notes"] or not state["settled"]
            assert not wrong or excused, (seed, log, wrong)
            assert not (wrong and (ticks["balance"] or ticks["limits"])), (seed, log, wrong)
            assert not ("ratio" in wrong and ticks["ratio"]), (seed, log, wrong)
            assert not ("exposure" in wrong and ticks["exposure"]), (seed, log, wrong)
            assert not (state["limits"] and ticks["limits"]), (seed, log)


def says(state: Mapping[str, Any]) -> str:
    return "; ".join(limit["says"] for limit in state["limits"])


def kinds(state: Mapping[str, Any]) -> list[str]:
    return [limit["at"] for limit in state["limits"]]


def in_place(**tables: Any) -> Studio:
    up = Studio(studio(**tables))
    up.settle()
    return up


def changed(rig: Rig, **heads: Mapping[str, Any]) -> Rig:
    """A rig with keys of its heads replaced, by name."""
    table = rig.dump()
    for head in table["heads"]:
        for key, value in heads.get(head["name"], {}).items():
            head[key] = value
            if value is None:
                del head[key]
    return Rig.model_validate(table)


def test_what_is_met_is_ticked() -> None:
    up = in_place()
    assert up.state["limits"] == []
    assert up.state["ticks"] == dict.fromkeys(("balance", "ratio", "exposure", "limits", "wires"), True)


@pytest.mark.parametrize("end", ["full", "floor"])
def test_a_head_one_code_from_its_end_after_joint_rounding_is_at_it(end: str) -> None:
    """The exposure is protected, so a fill at its end leaves the ratio off; beside the key's coarse codes the
    next one of the fill may then be the better one."""
    code_at_end = 65535 if end == "full" else math.ceil(0.1 * 255)
    key, fill, ratio = (1.0, 0.004, "2:1") if end == "full" else (4.0, 0.3, "8:1")
    apart = []
    for lux in range(100, 150, 10):
        wish = {"protect": "exposure", "exposure": float(lux), "ratio": ratio}
        up = Studio(
            changed(
                studio(curve="linear", floor=0.0, balance=wish, hold={"order_speed": 6.0}),
                key={"drive": {"driver": "stage", "bits": 8}, "intensity": key * CANDELAS},
                fill={
                    "drive": {"driver": "side", "bits": 16 if end == "full" else 8},
                    "intensity": fill * CANDELAS,
                    "dimming": {"curve": "linear", "floor": 0.1},
                },
            )
        )
        up.settle()
        apart.append(abs(up.codes[1] - code_at_end))
        assert up.state["heads"][1]["at_limit"] == end
        assert f"fill is at its {'full light' if end == 'full' else 'floor'}" in says(up.state)
        assert not up.state["ticks"]["limits"]
    assert set(apart) == {0, 1}, "the studio is to show a head at its end and one a code away from it"


def test_steps_of_a_wire_too_coarse_for_the_wish_are_the_reason() -> None:
    """Of 255 linear codes the fill stands at the second to fourth: the next is half a stop away."""
    coarse = 0
    for lux in range(24, 40, 2):
        rig = studio(bits=16, curve="linear", floor=0.0, balance={"exposure": float(lux), "ratio": "2:1"})
        up = Studio(changed(rig, fill={"drive": {"driver": "side", "bits": 8}}))
        up.settle()
        assert up.codes[1] in (2, 3, 4)
        if not off(up.state, AS_WANTED_STOPS):
            assert up.state["ticks"]["balance"]
            continue
        coarse += 1
        assert {limit["at"] for limit in up.state["limits"]} == {"steps"}
        assert {limit["head"] for limit in up.state["limits"]} == {"fill"}
        assert "the steps of fill on its wire are" in says(up.state)
        assert not up.state["ticks"]["balance"]
    assert coarse, "no exposure fell between two codes"


def test_a_subject_that_moved_in_a_freeze_is_not_ticked_until_follow() -> None:
    up = in_place(hold={"pace": "quick"})
    up.do("freeze")
    assert up.state["ticks"]["balance"], "frozen as wanted is as wanted"
    up.do("move", to=[0.3, -0.3, 1.2])
    up.settle()
    lux = light(up.rig, up.codes, (0.3, -0.3, 1.2))
    ratio_off = math.log2(lux["key"] / lux["fill"]) - 1.0
    assert abs(ratio_off) > 0.3
    side = "high" if ratio_off > 0 else "low"
    assert f"the levels are frozen: the ratio is {abs(ratio_off):.2f} stop too {side}" in says(up.state)
    assert not up.state["ticks"]["balance"]
    assert not up.state["ticks"]["limits"]
    up.do("follow")
    assert not up.state["ticks"]["balance"], "a fade is no tick yet"
    up.settle()
    assert up.state["ticks"]["balance"]
    assert up.state["limits"] == []


@pytest.mark.parametrize(
    ("happens", "kind", "text"),
    [
        ({"do": "dark"}, "dark", "the studio is dark"),
        ({"do": "only", "head": "key"}, "only", "only key on"),
        ({"do": "show", "heads": {"key": 0.5, "fill": 0.5}}, "only", "only key and fill on"),
        ({"do": "show", "heads": {}}, "only", "all heads are out"),
        (HeadLost("fill"), "lost", "fill cannot be reached"),
        (HeadDisobeys("fill", 9), "disobeying", "fill does not obey: it reports 0 %"),
        (HeadsLeave(("fill",)), "leaving", "fill goes out: the changed rig file no longer has it"),
    ],
)
def test_whatever_keeps_the_balance_from_being_held_is_named(happens: Any, kind: str, text: str) -> None:
    up = in_place()
    if isinstance(happens, dict):
        up.do(happens)
    else:
        up.event(happens)
    up.settle()
    assert (kind, text) in [(limit["at"], limit["says"]) for limit in up.state["limits"]]
    assert not up.state["ticks"]["balance"]
    assert not up.state["ticks"]["limits"]
    assert "floor" not in kinds(up.state), "a head that is out on purpose is at no end"


def test_the_studio_is_dark_once_the_fade_is_over() -> None:
    up = in_place()
    up.do("dark")
    assert up.state["achieved"]["exposure_lux"] > 1
    assert "the studio is going dark" in says(up.state)
    up.settle()
    assert "the studio is dark" in says(up.state)
    assert up.do("dark").note == "already dark"


def test_a_wire_that_is_late_or_beside_another_source_is_not_ticked() -> None:
    up = in_place()
    up.event(DriverChanged("stage", "late", "busy"))
    assert not up.state["ticks"]["wires"]
    assert not up.state["ticks"]["balance"]
    up.event(DriverChanged("stage", "ok", "", ("another source sends universe 1",)))
    assert not up.state["ticks"]["wires"]
    up.event(DriverChanged("stage", "ok"))
    assert up.state["ticks"]["wires"]


@pytest.mark.parametrize(
    ("heads", "text"),
    [
        ({"fill": {"role": "hair"}}, "this rig has no fill: there is no ratio"),
        (
            {
                "key": {"drive": None, "dimming": {"curve": "fixed"}},
                "fill": {"drive": None, "dimming": {"curve": "fixed"}},
            },
            "key and fill cannot be dimmed: the ratio is",
        ),
        ({"hair": {"drive": None, "dimming": {"curve": "fixed"}}}, "hair cannot be dimmed: hair is"),
    ],
)
def test_lamps_that_cannot_do_it_are_said_so_without_any_at_an_end(heads: Any, text: str) -> None:
    up = Studio(changed(studio(balance={"exposure": 600.0}), **heads))
    up.settle()
    assert text in says(up.state)
    assert "reach" in kinds(up.state)


def test_a_trim_that_a_head_cannot_meet_says_so_in_its_answer_and_the_state() -> None:
    up = in_place(balance={"exposure": 600.0})
    answer = up.do("trim", role="fill", by=5)
    up.settle()
    assert answer.note == "fill trimmed +5 stops; not reached: fill is at its full light"
    assert kinds(up.state) == ["full"]
    up.do("freeze")
    answer = up.do("trim", role="fill", by=1)
    assert answer.note == "fill trimmed +6 stops; not reached: fill is at its full light"
    assert up.do("trim", role="hair", by=-0.5).note == "hair trimmed -0.5 stop", "that is met"


def test_a_trim_off_a_lamp_at_full_leaves_the_balance_under_it_out_of_reach() -> None:
    up = in_place(balance={"exposure": 5000.0})
    assert up.do("trim", role="key", by=-0.5).note == "key trimmed -0.5 stop", "the trim itself is met"
    up.settle()
    assert "key is at its full light before its trim" in says(up.state)


def test_a_trim_that_is_not_met_is_told_only_while_it_is_to_be_met() -> None:
    """A lamp that is shown at full light for a meter is there by order."""
    up = in_place(balance={"exposure": 600.0})
    up.do("freeze")
    up.do("trim", role="fill", by=5)
    up.settle()
    assert "fill is at its full light" in says(up.state)
    up.do("show", heads={"fill": 1.0})
    up.settle()
    assert "full light" not in says(up.state)


def test_trims_that_most_lux_stops_short_say_so() -> None:
    up = in_place(balance={"exposure": 300.0}, subject={"most_lux": 400.0})
    assert up.state["limits"] == []
    answer = up.do("trim", role="key", by=3)
    up.settle()
    assert answer.note == (
        "key trimmed +3 stops; not reached: the brighter side of the face is at its most, 400 lx"
    )
    assert kinds(up.state) == ["most_lux"]
    assert max(up.state["face"]["key_side_lux"], up.state["face"]["fill_side_lux"]) <= 400.0 * (1 + 1e-6)


def test_more_on_the_face_than_its_most_is_said_in_a_freeze() -> None:
    up = in_place(balance={"exposure": 300.0}, subject={"most_lux": 400.0})
    up.do("freeze")
    up.do("move", to=[0.35, -0.5, 1.5])
    lux = up.state["face"]["key_side_lux"]
    assert lux > 400.0
    text = f"the brighter side of the face gets {lux:.0f} lx, more than its most, 400 lx"
    assert text in says(up.state)


KEPT = {"storage": {"kept": True, "note": ""}}
"""What the daemon adds to the state of the hold."""


def test_home_automation_hears_what_is_ticked_and_no_alarm_of_what_was_ordered() -> None:
    up = in_place()
    reached = HomieRig(up.rig).properties["now/reached"].value
    assert reached(up.state) == "true"
    up.do("move", mark="desk")
    assert reached(up.state) == "false", "the light is still on its way"
    up.settle()
    assert reached(up.state) == "true"
    up.do("dark")
    up.settle()
    assert reached(up.state) == "false"
    assert "reach" not in alerts(up.state | KEPT)
    up.do("follow")
    up.do("expose", to=100_000)
    assert "is at its full light" in alerts(up.state | KEPT)["reach"]


@pytest.mark.parametrize(
    ("dead_band", "how", "kind"),
    [
        (0.15, {}, "rest"),
        (0.15, {"pending": True}, "following"),
        (0.15, {"pending": True, "fading": True}, None),
        (0.5, {}, None),
    ],
)
def test_a_light_that_rests_on_an_earlier_place_is_as_wanted_within_the_dead_band_alone(
    dead_band: float, how: dict[str, bool], kind: str | None
) -> None:
    """A step of 10 cm toward the key, by the inverse-square law a quarter of a stop of ratio and more."""
    one = scene(studio())
    metering, wish, limits = Metering(one), target_from_rig(one.rig), limits_of(one)
    before, now = metering.rows_at(CHAIR), metering.rows_at((0.06, -0.08, 1.2))
    solved = solve(supply_of(metering, before, limits), wish)
    codes = choose_codes(supply_of(metering, before, limits), wish, solved.outputs)
    there = np.ones(len(codes), dtype=bool)
    outputs = one.dimmers.outputs(codes)
    rests = JudgedLight(
        metering, wish, limits, solved, before, now, outputs, codes, outputs, there, there, {}
    )
    found = judge(rests, Circumstances(dead_band_stops=dead_band, **how))
    assert 0.15 < abs(found.errors["ratio"]) < 0.5
    assert {limit.at for limit in found.limits} == ({kind} if kind else set())
    assert found.ticks["balance"] is (dead_band > abs(found.errors["ratio"]))
    settled = judge(replace(rests, rows=before), Circumstances(dead_band_stops=dead_band))
    assert settled.band_stops == AS_WANTED_STOPS, "the dead band is for a subject that moved"
