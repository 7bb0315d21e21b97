"""Contract: what is asked next, what it costs in time, and when it is enough."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from bench.simulated_studio import HiddenStudio, read_fixed_plan, studio
from fillside.belief.belief import believe
from fillside.belief.evidence import Evidence, Reading, TapeMeasure
from fillside.belief.questions.candidates import Candidate, Question, TapeCandidate, candidates
from fillside.belief.questions.forecast import EXPOSURE, FACE, RATIO, Aims, Forecast
from fillside.belief.questions.next_reading import aims_of, next_reading
from fillside.belief.questions.times import QuestionTimes
from fillside.belief.result.calibrating import belief_from_csv, suggested
from fillside.belief.result.expected_levels import ExpectedLevels, plain_calibration
from fillside.belief.result.intervals import Intervals
from fillside.rig.tables.model import Rig

MARK = (0.0, 0.0, 1.2)


def metered(seed: int, count: int) -> HiddenStudio:
    found = studio(seed)
    found.read_ambient()
    read_fixed_plan(found, count)
    return found


def seconds(one: Question, last: Reading | None, rig: Rig) -> float:
    return float(QuestionTimes.of([one], rig).after_reading(last)[0])


@pytest.fixture
def rig() -> Rig:
    return Rig.model_validate(studio(9).rig_table())


def test_a_question_costs_what_changes_since_the_last_answer(rig: Rig) -> None:
    mark = rig.first_mark
    aside = (mark[0] + 0.4, mark[1], mark[2])
    same = Candidate("key", 0.6, mark, "flat", "key")
    last = Reading(heads=("key",), levels=(0.5,), at=mark, value=100.0)
    alike = seconds(same, last, rig)
    rising = [
        same,
        Candidate("key", 0.6, mark, "flat", "fill"),
        Candidate("key", 0.6, mark, "dome", "camera"),
        Candidate("key", 0.6, aside, "dome", "camera"),
    ]
    costs = [seconds(one, last, rig) for one in rising]
    assert costs == sorted(set(costs))
    assert alike < seconds(Candidate(None, 0.0, mark, "flat", "key"), last, rig)
    assert alike < seconds(TapeCandidate("key", mark), last, rig)
    dark = Reading(at=mark, value=3.0, facing="key")
    assert seconds(Candidate(None, 0.0, mark, "flat", "key"), dark, rig) == alike
    back = last.model_copy(update={"at": aside})
    assert alike < seconds(same, back, rig) < seconds(rising[3], last, rig)
    assert seconds(same, None, rig) == seconds(same, back, rig)


def test_the_time_between_two_questions_is_that_after_such_a_reading(rig: Rig) -> None:
    mark = rig.first_mark
    asked = [
        Candidate("key", 0.6, mark, "flat", "key"),
        Candidate("fill", 0.6, (0.4, 0.0, 1.2), "dome", "camera"),
        Candidate(None, 0.0, mark, "flat", "fill"),
    ]
    times = QuestionTimes.of(asked, rig)
    for i, one in enumerate(asked):
        reading = Reading(
            heads=() if one.head is None else (one.head,),
            levels=() if one.head is None else (one.level,),
            at=one.at,
            value=10.0,
            receptor="dome" if one.receptor == "dome" else "flat",
            facing=one.facing,
        )
        assert times.after(i).tolist() == times.after_reading(reading).tolist()


def test_every_head_comes_first_and_then_the_room() -> None:
    hidden = studio(10)
    rig = Rig.model_validate(hidden.rig_table())
    heads: list[str | None] = []
    for _ in range(3):
        asked = next_reading(belief_from_csv(hidden.csv(), rig) if hidden.taken else believe((), rig))
        assert asked is not None
        assert not asked.enough
        one = asked.asked
        assert isinstance(one, Candidate)
        heads.append(one.head)
        hidden.read({} if one.head is None else {one.head: one.level}, one.at, one.facing, one.receptor)
    assert heads == ["key", "fill", None]


def test_the_shadow_side_and_the_face_are_asked_for() -> None:
    """Light off the room counts for the face alone, and a receptor that faces its lamp hardly sees it."""
    facings = set()
    for seed in range(6):
        hidden = metered(seed, 2)
        rig = Rig.model_validate(hidden.rig_table())
        for _ in range(5):
            asked = next_reading(belief_from_csv(hidden.csv(), rig))
            assert asked is not None
            one = asked.asked
            assert isinstance(one, Candidate)
            facings.add((one.head, one.facing))
            hidden.read({} if one.head is None else {one.head: one.level}, one.at, one.facing, one.receptor)
    assert facings & {("key", "fill"), ("fill", "key")}


def test_a_forecast_is_what_an_answer_does() -> None:
    """The variances foreseen are those of a belief with such an answer, linear as it is."""
    hidden = metered(11, 3)
    rig = Rig.model_validate(hidden.rig_table())
    found = belief_from_csv(hidden.csv(), rig)
    levels = ExpectedLevels(found)
    intervals = Intervals(rig, plain_calibration(found), found)
    held = [levels.at(mark) for mark in rig.marks.values()]
    aims = aims_of(found, intervals, levels, held)
    asked: list[Question] = [
        TapeCandidate("key", rig.first_mark),
        Candidate("key", 0.5, rig.first_mark, "flat", "fill"),
    ]
    for one in asked:
        ahead = Forecast.of(found, [one], aims)
        after = ahead.with_best()
        assert (after.left <= ahead.left + 1e-12).all()
        assert after.left.sum() < ahead.left.sum()
        assert after.spent_s == float(ahead.seconds[0])
    far = math.dist(rig.heads[0].position, rig.first_mark)
    tape = TapeMeasure(head="key", at=rig.first_mark, distance_m=far)
    with_tape = believe(Evidence(found.readings, (tape,)), rig, near=found)
    foreseen = Forecast.of(found, asked[:1], aims).with_best().left
    assert with_tape.posterior.variance(aims.rows) == pytest.approx(foreseen, rel=0.15)


def test_ratio_exposure_and_face_each_count() -> None:
    hidden = metered(11, 3)
    rig = Rig.model_validate(hidden.rig_table())
    found = belief_from_csv(hidden.csv(), rig)
    levels = ExpectedLevels(found)
    intervals = Intervals(rig, plain_calibration(found), found)
    every = aims_of(found, intervals, levels, [levels.at(mark) for mark in rig.marks.values()])
    asked = [Candidate("key", 0.5, rig.first_mark, "flat", name) for name in ("fill", "key")]
    for kind in (RATIO, EXPOSURE, FACE):
        own = every.of == kind
        aims = Aims(every.rows[own], every.of[own], every.at_mark[own], every.left_out[own])
        assert (Forecast.of(found, asked, aims).gains > 0).all()


def test_tapes_are_asked_for_only_of_who_has_one(rig: Rig) -> None:
    found = believe((), rig)
    held = [ExpectedLevels(found).at(mark) for mark in rig.marks.values()]
    tapes = {True: 2, False: 0}
    for has_one, count in tapes.items():
        asked = candidates(found, held, None, tapes=has_one)
        assert len([one for one in asked if isinstance(one, TapeCandidate)]) == count
    of_fill = [one for one in candidates(found, held, {"fill"}, tapes=True) if isinstance(one, TapeCandidate)]
    assert [one.head for one in of_fill] == ["fill"]


def test_more_answers_never_make_it_less_sure_and_two_bring_more_than_one() -> None:
    for seed, count in itertools.product(range(12, 15), (1, 3)):
        hidden = metered(seed, count)
        rig = Rig.model_validate(hidden.rig_table())
        asked = next_reading(belief_from_csv(hidden.csv(), rig))
        assert asked is not None
        for own, one, two in zip(
            *((s.ratio, s.exposure, s.face) for s in (asked.now, asked.after, asked.after_two)), strict=True
        ):
            assert own is not None
            assert one is not None
            assert two is not None
            assert two <= one + 1e-9
            assert one <= own + 1e-3
        if not asked.enough:
            assert asked.to_come >= 1
            assert asked.to_come_s >= 20 * asked.to_come


def test_a_tape_is_handed_on_in_metres(rig: Rig) -> None:
    asked = next_reading(believe((), rig))
    assert asked is not None
    tape = replace(asked, asked=TapeCandidate("fill", MARK), expected=1.62, expected_sigma=0.03)
    data = suggested(tape)
    assert data is not None
    assert (data.unit, data.head, data.at, data.expected_m, data.sigma_m) == ("m", "fill", MARK, 1.62, 0.03)
    assert data.expected_lux is None
    light = suggested(asked)
    assert light is not None
    assert light.unit is None
    assert np.isfinite(float(light.expected_lux or math.nan))
