"""Contract: the guided routines as state machines: what each stage takes, and what it asks in which words."""

from __future__ import annotations

import itertools

import pytest

from contract.meter_studio import head_table, rig_of
from fillside.metering.routine.prompts import known_words
from fillside.metering.routine.routine import (
    ACTS,
    STAGES,
    Act,
    Kind,
    Routine,
    Stage,
    announced,
    go,
    more,
    passed_over,
    start,
    ticked,
    took,
    warm_up,
    without_last,
)
from fillside.metering.routine.steps import (
    StudioKnowledge,
    check_to_take,
    items_of,
    reading_to_take,
    step_of,
)
from fillside.orders.answers import Refusal
from fillside.rig.calibration import Calibration, SuggestedReading

ALL_ACTS: tuple[Act, ...] = ("tick", "go", "skip", "repeat", "leave", "finish", "more")
ASKED = {
    "head": None,
    "level": 0.0,
    "at": (0.0, 0.0, 1.2),
    "receptor": "dome",
    "facing": "camera",
    "expected_lux": 3.0,
    "sigma_stops": 0.5,
    "enough": False,
}
"""The room's own light, as a fit asks for it."""


def refused(match: str | None = None) -> pytest.RaisesExc[Refusal]:
    return pytest.RaisesExc(Refusal, match=match, check=lambda refusal: refusal.code == "not_now")


def at_stage(kind: Kind, stage: Stage, **more: object) -> Routine:
    return start(kind, 0.0).model_copy(update={"stage": stage, **more})


@pytest.mark.parametrize(("stage", "act"), [*itertools.product(ACTS, ALL_ACTS)])
def test_an_act_that_does_not_fit_is_refused_and_says_what_does(stage: Stage, act: Act) -> None:
    routine = at_stage("calibrate", stage)
    if act in ACTS[stage]:
        routine.may(act)
        return
    with refused() as caught:
        routine.may(act)
    assert all(fits in str(caught.value) for fits in ACTS[stage])


@pytest.mark.parametrize(("stage", "act"), [*itertools.product(ACTS, ALL_ACTS)])
def test_a_routine_that_is_left_is_only_resumed_or_finished(stage: Stage, act: Act) -> None:
    routine = at_stage("calibrate", stage, left=True)
    routine.may("resume")
    if act == "finish" and act in ACTS[stage]:
        routine.may(act)
        return
    with refused():
        routine.may(act)


def test_what_is_under_way_is_not_resumed() -> None:
    with refused(match="under way already"):
        start("calibrate", 0.0).may("resume")


@pytest.mark.parametrize("kind", STAGES)
def test_stages_follow_each_other_to_the_end(kind: Kind) -> None:
    routine = start(kind, 0.0)
    seen = [routine.stage]
    while routine.stage != "done":
        routine = routine.next_stage()
        seen.append(routine.stage)
    assert tuple(seen) == STAGES[kind]


def test_every_caution_is_ticked_before_any_light_is_metered() -> None:
    rig = rig_of()
    routine = start("calibrate", 0.0)
    items = tuple(items_of(routine, rig))
    assert {"electrical-load", "stands", "camera-on-manual"} <= set(items)
    for item in items:
        with refused(match="not ticked yet"):
            go(routine, items)
        routine = ticked(routine, item, items)
        assert next(tick for tick in step_of(routine, StudioKnowledge(rig)).ticks if tick.item == item).ticked
    assert go(routine, items).stage == "warm"
    with pytest.raises(KeyError):
        ticked(routine, "weather", items)


def test_a_lineup_asks_for_the_camera_alone() -> None:
    assert set(items_of(start("lineup", 0.0), rig_of())) == {"camera-on-manual"}


def test_lamps_are_warm_when_two_minutes_change_them_little() -> None:
    """At most 0.05 stop in two minutes (common practice, no source): a factor of 2 ** 0.05."""
    routine, note = warm_up(at_stage("calibrate", "warm"), 100.0, 1000.0)
    assert "two minutes" in note
    assert step_of(routine, StudioKnowledge(rig_of())).wait_until == 1120.0
    with refused(match="10 s are left"):
        warm_up(routine, 100.0, 1110.0)
    cold, note = warm_up(routine, 104.0, 1120.0)
    assert (cold.stage, "Not warm yet" in note) == ("warm", True)
    assert step_of(cold, StudioKnowledge(rig_of())).wait_until == 1240.0
    warm, _ = warm_up(cold, 104.0 * 2**0.049, 1240.0)
    assert warm.stage == "read"


def test_without_light_nothing_is_warm() -> None:
    with refused(match="no light"):
        warm_up(at_stage("calibrate", "warm"), 0.0, 0.0)


def test_the_last_reading_is_taken_again_and_there_must_be_one() -> None:
    for stage in ("warm", "read", "verify"):
        with refused(match="no reading to take again"):
            without_last(at_stage("calibrate", stage))
    back, struck = without_last(took(took(at_stage("calibrate", "read"), 4), 7))
    assert (back.readings, struck) == ((4,), 7)


def test_a_calibration_with_readings_is_not_begun_over() -> None:
    start("calibrate", 0.0).may_start_over()
    at_stage("calibrate", "done", readings=(1, 2)).may_start_over()
    at_stage("lineup", "verify").may_start_over()
    with refused(match="2 readings is under way"):
        at_stage("calibrate", "read", readings=(1, 2)).may_start_over()


def test_the_room_goes_dark_only_when_asked_and_its_work_light_with_it() -> None:
    work = head_table("house", "work", (0, 0, 2.6), 'drive = { driver = "stage" }')
    for rig, out in ((rig_of(), {}), (rig_of(work), {"house": 0.0})):
        known = StudioKnowledge(rig, Calibration.model_validate({"next": ASKED}))
        routine = at_stage("calibrate", "read")
        before = step_of(routine, known)
        assert before.lit is None
        assert before.waits_for_dark
        assert ("work light" in before.says[0]) == bool(out)
        after = step_of(go(routine, ()), known)
        assert after.lit == out
        assert not after.waits_for_dark
        assert "stay where you are" in after.says[0]
        assert took(go(routine, ()), 1).dark is False


def test_the_room_that_is_passed_over_is_not_asked_for_again() -> None:
    known = StudioKnowledge(rig_of(), Calibration.model_validate({"next": ASKED}))
    routine = at_stage("calibrate", "read")
    assert (reading_to_take(routine, known) or SuggestedReading(head="key")).head is None
    after = reading_to_take(passed_over(routine, ""), known)
    assert after is not None
    assert after.head == "key"


def test_every_head_is_read_once_unless_it_is_passed_over() -> None:
    known = StudioKnowledge(
        rig_of(), Calibration.model_validate({"next": {**ASKED, "enough": True}}), None, {"key": 2}
    )
    routine = at_stage("calibrate", "read")
    assert (reading_to_take(routine, known) or SuggestedReading()).head == "fill"
    assert reading_to_take(passed_over(routine, "fill"), known) is None


def wanting(**more: object) -> StudioKnowledge:
    """A studio of which every head was read, and one more reading of the key is asked for."""
    sure = {"ratio_sigma_stops": 0.12, "exposure_sigma_stops": 0.08, "face_sigma_stops": 0.1}
    then = {"ratio_sigma_after_two_stops": 0.09, "exposure_sigma_after_two_stops": 0.08}
    asked = {**ASKED, "head": "key", "level": 0.6, "to_come": 3, **sure, **then, **more}
    return StudioKnowledge(rig_of(), Calibration.model_validate({"next": asked}), None, {"key": 1, "fill": 1})


def test_the_readings_end_where_it_was_said_and_no_later() -> None:
    known = wanting()
    routine = announced(at_stage("calibrate", "read", readings=(1, 2)), 3)
    assert routine.ends_at == 5
    assert announced(routine, 9).ends_at == 5
    assert (step_of(routine, known).number, step_of(routine, known).of) == (3, 5)
    assert step_of(routine, wanting(to_come=7)).of == 5
    assert step_of(routine, wanting(to_come=1)).of == 3
    for number in (3, 4):
        routine = took(routine, number)
        assert reading_to_take(routine, known) is not None
    assert reading_to_take(took(routine, 5), known) is None
    unread = StudioKnowledge(known.rig, known.latest, None, {"key": 5})
    assert (reading_to_take(took(routine, 5), unread) or SuggestedReading()).head == "fill"


def test_the_readings_end_sooner_once_it_is_good_enough() -> None:
    routine = announced(at_stage("calibrate", "read", readings=(1, 2)), 3)
    assert reading_to_take(routine, wanting(enough=True, good=True)) is None


def test_who_wants_more_reads_two_more_and_checks_anew() -> None:
    known = wanting(enough=True, good=True)
    done = at_stage(
        "calibrate", "done", readings=(1, 2, 3), ends_at=3, passed_over=("hair", "", "head key", "exposure")
    )
    done.may("more")
    again = more(done)
    assert (again.stage, again.ends_at, again.checked) == ("read", 5, ())
    assert again.passed_over == ("hair", "")
    assert (step_of(again, known).number, step_of(again, known).of) == (4, 5)
    assert reading_to_take(took(again, 4), known) is not None
    assert reading_to_take(took(took(again, 4), 5), known) is None
    with refused():
        at_stage("lineup", "done").may("more")
    assert step_of(at_stage("lineup", "done"), known).may == ("start",)


def test_what_is_known_at_the_end_is_said_and_what_two_more_would_bring() -> None:
    checking = at_stage("calibrate", "verify", readings=(1, 2, 3), ends_at=3)
    (said,) = (says for says in step_of(checking, wanting()).says if says.startswith("Known"))
    assert said == (
        "Known to ±0.24 stop of ratio, ±0.16 stop of exposure, ±0.20 stop of face: not as well as one would "
        "wish. Two more readings would bring ±0.18 stop of ratio."
    )
    good = step_of(checking, wanting(good=True, ratio_sigma_stops=0.09)).says
    assert any("good enough to shoot. More readings would bring little." in says for says in good)
    (other,) = known_words(wanting(others_sigma_stops=0.2).latest.next)  # type: ignore[union-attr]
    assert "±0.20 stop of face, ±0.40 stop of other heads to the key: not as well" in other
    lineup = step_of(at_stage("lineup", "verify"), wanting()).says
    assert not any(says.startswith("Known") for says in lineup)


def test_another_lamp_that_the_receptor_is_to_face_is_named() -> None:
    said = step_of(at_stage("calibrate", "read"), wanting(facing="fill", receptor="flat")).says
    assert any("pointed at the middle of fill, not at key" in says for says in said)


def warm_cfl(drive: str) -> str:
    return head_table("rim", "hair", (0.5, 1.0, 2.2), f'lamp = {{ kind = "cfl", watts = 30 }}\n{drive}')


def test_a_warm_lamp_that_must_not_be_switched_is_flagged_and_keeps_its_level() -> None:
    rig = rig_of(warm_cfl('drive = { driver = "stage" }'))
    known = StudioKnowledge(rig)
    key = step_of(at_stage("calibrate", "read"), known)
    assert key.asks is not None
    assert key.asks.head == "key"
    assert key.lit is not None
    assert key.lit == {"key": float(key.asks.level), "rim": known.held.levels["rim"]}
    assert known.held.levels["rim"] > 0
    assert key.flag == ("rim",)
    (words,) = (says for says in key.says if says.startswith("rim stays on"))
    assert "turn the lamp away, or hold a card between lamp and meter; never cover a lamp" in words
    rim = step_of(at_stage("calibrate", "read", passed_over=("key", "fill")), known)
    assert rim.flag == ()


@pytest.mark.parametrize(("kind", "words"), [("cfl", "rim stays on"), ("led", "switch it off by hand")])
def test_a_lamp_without_a_dimmer_is_kept_from_the_meter_by_hand(kind: str, words: str) -> None:
    lamp = f'lamp = {{ kind = "{kind}", watts = 30, dimmable = false }}\ndimming = {{ curve = "fixed" }}'
    step = step_of(
        at_stage("calibrate", "read"),
        StudioKnowledge(rig_of(head_table("rim", "hair", (0.5, 1.0, 2.2), lamp))),
    )
    assert step.flag == ("rim",)
    assert set(step.lit or {}) == {"key"}
    assert any(words in says for says in step.says)


def test_words_say_where_to_stand_and_what_to_point_where() -> None:
    step = step_of(at_stage("calibrate", "read"), StudioKnowledge(rig_of()))
    said = " ".join(step.says)
    assert "at chair, 1.20 m above the floor, where the nose will be" in said
    assert "Arm out, phone screen away" in said
    assert "Flat receptor, pointed at the middle of key" in said


def test_the_key_is_faced_where_the_meter_does_so() -> None:
    rig = rig_of(text=rig_text_facing_key())
    step = step_of(at_stage("calibrate", "warm"), StudioKnowledge(rig))
    assert step.asks is not None
    assert step.asks.facing == "main"


def rig_text_facing_key() -> str:
    from contract.meter_studio import RIG

    facing = '[meter]\nreceptor = "dome"\nfacing = "key"\n[marks]'
    return RIG.replace("[marks]", facing).replace('name = "key"', 'name = "main"')


@pytest.mark.parametrize(("kind", "expected"), [("calibrate", 3), ("lineup", 4)])
def test_checks_are_each_role_alone_and_the_exposure_and_before_a_shoot_the_background(
    kind: Kind, expected: int
) -> None:
    wall = head_table("wall", "background", (0.8, 1.0, 1.8), 'drive = { driver = "stage" }')
    rig = rig_of(wall.replace("aim = [0.0, 0.0, 1.1]", "aim = [0.0, 2.0, 1.4]"))
    held = StudioKnowledge(rig).held
    checks = held.checks(background=kind == "lineup")
    assert [check.name for check in checks] == [
        "head key",
        "head fill",
        "exposure",
        "background wall",
    ][:expected]
    assert set(checks[2].lit) == {"key", "fill"}
    assert checks[2].receptor == "dome"
    first = check_to_take(at_stage(kind, "verify", passed_over=("head key",)), held)
    assert first is not None
    assert first.name == "head fill"
