"""Contract: each head's own light has its uncertainty, by the formula of ratio and exposure."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from contract.hold_studio import Studio, studio
from contract.meter_studio import head_table, rig_of, settle
from fillside.balance.prediction import predict
from fillside.balance.rows import Metering
from fillside.balance.solution import solve_rig
from fillside.balance.target import target_from_rig
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence import Evidence, HeadEvent, Reading
from fillside.belief.forward.quantities import Term, Wanted
from fillside.belief.observations import MODEL_SD_STOPS
from fillside.belief.result.calibrating import calibration_of
from fillside.belief.result.intervals import Intervals, own_light
from fillside.cli.render.state import head_lines
from fillside.hold.events import HeadAnswers, HeadLate
from fillside.hold.health import LEAST_UNSURE_STOPS, UNSURE_AFTER_S
from fillside.hold.machine.hold import Hold
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

WALL = head_table("wall", "background", (1.2, -1.6, 2.0), '[heads.drive]\ndriver = "stage"\nbits = 16\n')
LEVELS = np.array([0.7, 0.5, 0.6])


@pytest.fixture
def rig() -> Rig:
    found = rig_of(WALL)
    assert [head.role for head in found.heads] == ["key", "fill", "background"]
    return found


def believed(rig: Rig) -> Belief:
    """The key was read twice and moved in between, the fill once, the wall never."""
    at = rig.first_mark
    readings = (
        Reading(heads=("key",), levels=(0.7,), at=at, value=400.0, time="2026-02-10T09:00"),
        Reading(heads=("key",), levels=(1.0,), at=at, value=900.0, time="2026-02-12T09:00"),
        Reading(heads=("fill",), levels=(0.5,), at=at, value=90.0, time="2026-02-12T09:10"),
    )
    return believe(Evidence(readings, events=(HeadEvent(head="key", kind="moved", time="2026-02-11"),)), rig)


def own_stops(intervals: Intervals, rig: Rig, levels: Any = LEVELS) -> tuple[float | None, ...]:
    return intervals.at(rig.first_mark, levels, [True] * len(levels), target_from_rig(rig)).own_stops


def test_it_is_the_law_of_propagation_of_uncertainty(rig: Rig) -> None:
    """Of all unknowns at once, over dense slopes, and with the distance from what is most likely."""
    belief = believed(rig)
    found = own_stops(Intervals(rig, None, belief), rig)
    lux, slopes = own_light(belief, rig.first_mark, LEVELS)
    rows = Metering(scene(rig)).rows_at(rig.first_mark)
    said = rows.own_lux * [
        float(c.output_from_level(at)) for c, at in zip(scene(rig).curves, LEVELS, strict=True)
    ]
    sd = np.sqrt(belief.posterior.variance(slopes) + np.log2(said / lux) ** 2 + MODEL_SD_STOPS**2)
    assert found == pytest.approx((2 * sd).tolist(), abs=1e-4)
    assert len(belief.model.steps) == 1


def test_a_prediction_is_of_a_background_head_s_light_at_the_place(rig: Rig) -> None:
    belief, mark = believed(rig), rig.first_mark
    levels = dict(zip(("key", "fill", "wall"), LEVELS.tolist(), strict=True))
    wall = Intervals(rig, None, belief).of_prediction(predict(rig, mark, levels)).heads[2]
    wanted = belief.model.quantities([Wanted((Term(2, LEVELS[2], mark, "wall"),), mark)])
    (lux,), slopes = belief.model.lux_and_slopes(belief.figures, wanted)
    variance = belief.posterior.variance(slopes / (lux * math.log(2)))[0]
    sd = math.sqrt(variance + math.log2(wall.lux / lux) ** 2 + MODEL_SD_STOPS**2)
    assert wall.uncertainty_stops == pytest.approx(2 * sd, abs=0.002)


def test_it_moves_with_the_subject(rig: Rig) -> None:
    belief = believed(rig)
    intervals, place = Intervals(rig, calibration_of(belief)), (0.5, 0.4, 1.3)
    own_stops(intervals, rig)
    there = intervals.at(place, LEVELS, [True] * 3, target_from_rig(rig)).own_stops
    fresh = Intervals(rig, calibration_of(belief))
    assert there == fresh.at(place, LEVELS, [True] * 3, target_from_rig(rig)).own_stops
    here = own_stops(intervals, rig)
    assert here[2] == there[2]
    assert here[0] != there[0]


def test_a_head_that_was_read_is_surer_than_one_that_was_not(rig: Rig) -> None:
    key, fill, wall = own_stops(Intervals(rig, calibration_of(believed(rig))), rig)
    assert key is not None
    assert fill is not None
    assert wall is not None
    assert max(key, fill) < 1.0 < wall


def test_a_head_that_gives_no_light_has_none(rig: Rig) -> None:
    key, fill, wall = own_stops(Intervals(rig), rig, np.array([0.7, 0.0, 0.6]))
    assert fill is None
    assert key is not None
    assert wall is not None


@pytest.mark.parametrize("stated_cd", [900.0, 1800.0 * 64], ids=["like the label", "far from the label"])
def test_light_stated_without_a_reading_is_as_sure_as_stated(rig: Rig, stated_cd: float) -> None:
    heads = {
        "key": {"intensity_cd": stated_cd, "sigma_stops": 0.1},
        "fill": {"intensity_cd": 800.0, "sigma_stops": 0.3},
    }
    key, fill, _ = own_stops(Intervals(rig, Calibration.model_validate({"heads": heads})), rig)
    assert key == pytest.approx(2 * math.hypot(0.1, MODEL_SD_STOPS), abs=1e-3)
    assert fill == pytest.approx(2 * math.hypot(0.3, MODEL_SD_STOPS), abs=1e-3)


def test_every_way_says_the_same(rig: Rig) -> None:
    intervals, target = Intervals(rig), target_from_rig(rig)
    solved = intervals.of(solve_rig(rig).report, target)
    levels = {head.name: head.level for head in solved.heads}
    predicted = intervals.of_prediction(predict(rig, rig.first_mark, levels))
    hold = Hold(rig)
    settle(hold)
    wanted = [head.uncertainty_stops for head in solved.heads]
    assert [head.uncertainty_stops for head in hold.snapshot().heads] == pytest.approx(wanted, rel=0.02)
    assert [head.uncertainty_stops for head in predicted.heads] == pytest.approx(wanted, rel=0.02)
    assert all((head.uncertainty_stops or 0.0) > 1.0 for head in solved.heads)


def test_the_table_of_heads_says_it() -> None:
    head = {
        "name": "key",
        "role": "key",
        "level": 0.5,
        "output": 0.25,
        "lux": 243.6,
        "uncertainty_stops": 0.12,
    }
    unsure = {**head, "name": "fill", "uncertainty_stops": 2.4}
    out = {**head, "name": "hair", "lux": 0.0, "output": 0.0, "uncertainty_stops": None}
    _, *lines = head_lines([head, unsure, out])
    found = [" ".join(line.split()) for line in lines if line.split()[:1] != ["–"]]
    assert any("244 lx ±0.12 stop" in line for line in found)
    assert any("240 lx ±2 stops" in line for line in found)
    assert any(line.startswith("hair") and "±" not in line for line in found)


def test_a_late_head_s_own_light_is_unsure() -> None:
    up = Studio(studio(ambient={"lux": 0.0}))
    up.settle()
    up.event(HeadAnswers("fill", "yes", True))
    before = [head["uncertainty_stops"] for head in up.state["heads"]]
    up.event(HeadLate("fill", up.codes[1]))
    up.wait(UNSURE_AFTER_S)
    now = [head["uncertainty_stops"] for head in up.state["heads"]]
    assert now[1] == pytest.approx(math.hypot(before[1], 2 * LEAST_UNSURE_STOPS), abs=1e-3)
    assert [now[0], *now[2:]] == [before[0], *before[2:]]
