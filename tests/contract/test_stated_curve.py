"""A stated dimming curve leads the fit, and what a reading did not touch stays as the rig file has it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bench.simulated_studio import Hidden, HiddenStudio, held_errors_stops, studio
from fillside.balance.report import Report
from fillside.balance.solution import solve_rig
from fillside.balance.target import target_from_rig
from fillside.belief.result.calibrating import calibration_from_csv
from fillside.belief.result.comparing import shared_words
from fillside.belief.result.intervals import Intervals
from fillside.photometry.source import facing_lux
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

LEVELS = np.linspace(0.001, 1.0, 1000)


def _lightness(level: float) -> float:
    return ((100 * level + 16) / 116) ** 3 if level > 0.08 else 100 * level * 27 / 24389


# The laws as their standards print them: IEC 62386-102, and CIE 1976 lightness (ISO/CIE 11664-4).
LAWS = {
    "linear": lambda level: level,
    "square": lambda level: level**2,
    "log": lambda level: 10 ** (3 * (level - 1)),
    "lightness": _lightness,
}


def dimming_by(law: str, label: str, seed: int = 1, stops: float = 0.5) -> HiddenStudio:
    """A dark studio with dimmers of a law, whatever their labels say, and a meter that does not err."""
    dark = Hidden(label_curve=label, meter_stops=0.0, ambient_lux=(0.0, 0.0), intensity_stops=stops)
    hidden = studio(seed, dark)
    steps = tuple(LEVELS), tuple(LAWS[law](float(level)) for level in LEVELS)
    return replace(hidden, heads=tuple(replace(head, steps=steps) for head in hidden.heads))


def rig_of(hidden: HiddenStudio, **tables: Any) -> Rig:
    table = hidden.rig_table()
    return Rig.model_validate({**table, "meter": {**table["meter"], "sigma": 0.05}, **tables})


def held(rig: Rig, calibration: Calibration | None = None) -> Report:
    found = solve_rig(rig, calibration=calibration).report
    return Intervals(rig, calibration).of(found, target_from_rig(rig))


def true_errors(hidden: HiddenStudio, report: Report) -> tuple[float, float]:
    return held_errors_stops(hidden, hidden.mark, {head.name: head.level for head in report.heads})


def read_at(hidden: HiddenStudio, *levels: float, heads: tuple[str, ...] = ("key", "fill")) -> None:
    for head in heads:
        for level in levels:
            hidden.read({head: level}, hidden.mark.tolist())


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("label", LAWS)
def test_a_right_label_is_held_right_after_one_reading(label: str, seed: int) -> None:
    hidden = dimming_by(label, label, seed)
    rig = rig_of(hidden)
    read_at(hidden, 1.0)
    ratio, exposure = true_errors(hidden, held(rig, calibration_from_csv(hidden.csv(), rig)))
    # A tenth is within what the ratio is to be held; the room for a dead zone costs some of it.
    assert abs(ratio) < 0.1
    assert abs(exposure) < 0.1


@pytest.mark.parametrize("label", LAWS)
def test_where_nothing_is_said_of_the_room_it_may_add_what_the_interval_says(label: str) -> None:
    """The ratio is that of flat receptors, which metered it; under the dome the room counts twice."""
    hidden = dimming_by(label, label)
    table = hidden.rig_table()
    for head in table["heads"]:
        del head["bounce"]
    rig = rig_of(hidden, heads=table["heads"])
    read_at(hidden, 1.0)
    found = held(rig, calibration_from_csv(hidden.csv(), rig))
    ratio, exposure = true_errors(hidden, found)
    assert abs(ratio) < 0.1
    assert found.uncertainty.exposure_stops is not None
    assert abs(exposure) < min(0.2, found.uncertainty.exposure_stops)


@pytest.mark.parametrize(("law", "label"), [("square", "linear"), ("linear", "square"), ("square", "log")])
def test_a_wrong_label_is_inside_the_interval_and_overcome_by_a_second_level(law: str, label: str) -> None:
    for seed in range(3):
        hidden = dimming_by(law, label, seed)
        rig = rig_of(hidden)
        read_at(hidden, 1.0)
        first = held(rig, calibration_from_csv(hidden.csv(), rig))
        ratio, exposure = true_errors(hidden, first)
        assert abs(exposure) > 0.4
        assert first.uncertainty.exposure_stops is not None
        assert first.uncertainty.ratio_stops is not None
        assert abs(ratio) <= first.uncertainty.ratio_stops
        assert abs(exposure) <= first.uncertainty.exposure_stops
        read_at(hidden, 0.45)
        ratio, exposure = true_errors(hidden, held(rig, calibration_from_csv(hidden.csv(), rig)))
        assert abs(ratio) < 0.25
        assert abs(exposure) < 0.25


@pytest.mark.parametrize("ambient", [None, {"lux": 20.0}])
@pytest.mark.parametrize("label", ["linear", "square", "log"])
def test_a_reading_of_the_key_leaves_the_fill_alone(label: str, ambient: dict[str, float] | None) -> None:
    hidden = dimming_by("square", label, 2, stops=1.0)
    rig = rig_of(hidden, **({} if ambient is None else {"ambient": ambient}))
    before = held(rig)
    read_at(hidden, 1.0, heads=("key",))
    calibration = calibration_from_csv(hidden.csv(), rig)
    after = held(rig, calibration)
    was, now = (next(h for h in one.heads if h.name == "fill") for one in (before, after))
    assert now.level == pytest.approx(was.level, abs=0.01)
    own, believed = scene(rig), scene(rig, calibration)
    for place in ((0.0, 0.0, 1.2), (0.4, 0.3, 1.2)):
        moved = np.log2(facing_lux(believed.sources, place) / facing_lux(own.sources, place))
        assert abs(moved[1]) < 1e-5
    for level in (0.05, 0.26, 0.54, 0.9):
        outputs = [one.curves[1].output_from_level(level) for one in (own, believed)]
        assert math.log2(outputs[1] / outputs[0]) == pytest.approx(0.0, abs=2e-3)
    if ambient is not None:
        assert believed.ambient == pytest.approx(own.ambient, abs=0.25)
    assert shared_words(rig, None, calibration, ("key",)) == ""


def test_a_head_that_was_not_read_keeps_the_figures_of_the_rig_file() -> None:
    hidden = dimming_by("linear", "linear")
    table = hidden.rig_table()
    table["heads"][1] |= {"bounce": 0.05, "dimming": {"curve": "log", "floor": 0.07}}
    rig = Rig.model_validate({**table, "meter": {"receptor": "dome"}})
    read_at(hidden, 1.0, heads=("key",))
    calibration = calibration_from_csv(hidden.csv(), rig)
    fill = calibration.heads["fill"]
    head = rig.head("fill")
    assert (round(fill.intensity_cd or 0.0), fill.setback_m, fill.diameter_m, fill.floor) == (
        round(head.intensity_cd), 0.0, head.modifier.diameter, 0.07,
    )  # fmt: skip
    assert fill.room is None
    own, believed = (scene(rig, one).sources for one in (None, calibration))
    assert own.room_mean_lux[1] > 0
    assert believed.room_mean_lux[1] == pytest.approx(own.room_mean_lux[1], rel=1e-5)
    assert fill.curve is not None
    # IEC 62386-102: 3.12 % at 127 of 254.
    assert np.interp(126 / 253, fill.curve.levels, fill.curve.outputs) == pytest.approx(0.0312, abs=1e-4)
    assert fill.readings == ()


def test_a_reading_of_the_room_leaves_the_heads_alone() -> None:
    hidden = dimming_by("square", "linear")
    hidden.read_ambient()
    rig = rig_of(hidden)
    own, believed = scene(rig), scene(rig, calibration_from_csv(hidden.csv(), rig))
    assert facing_lux(believed.sources, rig.first_mark) == pytest.approx(
        facing_lux(own.sources, rig.first_mark), rel=1e-5
    )


def test_what_moves_through_the_room_is_named() -> None:
    hidden = studio(3, Hidden(ambient_lux=(40.0, 41.0)))
    rig = rig_of(hidden)
    read_at(hidden, 1.0, 0.5)
    before = calibration_from_csv(hidden.csv(), rig)
    hidden.read({}, hidden.mark.tolist(), "camera", "dome")
    after = calibration_from_csv(hidden.csv(), rig)
    words = shared_words(rig, before, after, ())
    assert "key now counts as" in words
    assert "fill now counts as" in words
    assert "the room" in words
    assert shared_words(rig, before, before, ("key",)) == ""
    assert "fill" not in shared_words(rig, before, after, ("key", "fill"))
