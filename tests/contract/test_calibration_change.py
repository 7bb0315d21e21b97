"""What became of a head, and a lamp that warms up or ages."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from bench.simulated_studio import HiddenStudio, Vector, read_fixed_plan, studio
from fillside.belief.evidence import readings_from_csv
from fillside.belief.result.calibrating import belief_from_csv
from fillside.calibration.drift.change import HeadChange, change_of, slow_correction
from fillside.calibration.routine.warmth import is_warm, trend
from fillside.rig.tables.model import Rig

SEEDS = range(12)


def told(seed: int, distances: tuple[float, ...], **changed: object) -> HeadChange:
    """The story told of the key after it was calibrated and then changed, read at steps toward it."""
    hidden = studio(seed)
    hidden.read_ambient()
    read_fixed_plan(hidden, 6)
    rig = Rig.model_validate(hidden.rig_table())
    found = belief_from_csv(hidden.csv(), rig)
    key = replace(hidden.head("key"), **changed)  # type: ignore[arg-type]
    after = replace(hidden, heads=(key, hidden.head("fill")), taken=[])
    away = (hidden.head("key").position - hidden.mark) / np.linalg.norm(
        hidden.head("key").position - hidden.mark
    )
    for step in distances:
        meter(after, hidden.mark + step * away)
    return change_of(readings_from_csv(after.csv(), rig), found)


def meter(hidden: HiddenStudio, place: Vector) -> None:
    for _ in range(2):
        hidden.read({"key": 0.7}, place.tolist())


def test_a_lamp_that_gives_less_is_told_from_a_bumped_stand() -> None:
    stories = [
        told(seed, (0.0, 0.5), intensity_cd=studio(seed).head("key").intensity_cd / 2) for seed in SEEDS
    ]
    assert sum(one.story == "lamp" for one in stories) >= 9
    assert not any(one.story in ("as calibrated", "stand") for one in stories)
    assert np.median([one.lamp_stops for one in stories]) == pytest.approx(-1.0, abs=0.1)


def test_a_bumped_stand_is_told_from_a_lamp_that_gives_less() -> None:
    def moved(seed: int) -> Vector:
        key = studio(seed).head("key")
        return key.position - 0.4 * key.axis

    stories = [told(seed, (0.0, 0.6), position=moved(seed)) for seed in SEEDS]
    assert sum(one.story == "stand" for one in stories) >= 8
    assert not any(one.story in ("as calibrated", "lamp") for one in stories)
    assert np.median([one.moved_m for one in stories]) == pytest.approx(0.4, abs=0.08)


def test_one_distance_cannot_tell_lamp_from_stand() -> None:
    for seed in range(4):
        story = told(seed, (0.0,), intensity_cd=studio(seed).head("key").intensity_cd / 2)
        assert story.story == "lamp or stand"
        assert story.off_stops == pytest.approx(-1.0, abs=0.25)


def test_nothing_changed_is_nothing_told() -> None:
    stories = [told(seed, (0.0, 0.5)) for seed in SEEDS]
    assert sum(one.story == "as calibrated" for one in stories) >= 11


def test_a_change_is_judged_of_one_head_alone() -> None:
    hidden = studio(1)
    hidden.read({"key": 1.0, "fill": 1.0}, hidden.mark.tolist())
    rig = Rig.model_validate(hidden.rig_table())
    readings = readings_from_csv(hidden.csv(), rig)
    with pytest.raises(ValueError, match="one head alone"):
        change_of(readings, belief_from_csv(hidden.csv(), rig))


def test_a_slow_correction_is_slow_and_small() -> None:
    assert slow_correction(0.0, 0.3, 3600) == pytest.approx(-0.2)
    assert slow_correction(-0.2, 0.3, 3600) == pytest.approx(-0.3)
    assert slow_correction(-0.3, 2.0, 36_000) == pytest.approx(-0.5)
    assert slow_correction(0.1, 0.0, 0.0) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("earlier", "later", "elapsed_s", "warm"),
    [(640, 650, 120, True), (640, 640 * 2**0.06, 120, False), (640, 640, 60, False), (0, 640, 300, False)],
)
def test_warm_is_two_readings_two_minutes_apart_within_a_twentieth(
    earlier: float, later: float, elapsed_s: float, warm: bool
) -> None:
    assert is_warm(earlier, later, elapsed_s) is warm


def test_warming_up_is_told_from_ageing() -> None:
    rng = np.random.default_rng(4)
    lit_s = np.arange(0.0, 300.0, 30.0)
    warming = -0.5 * np.exp(-lit_s / 240)
    right = {"warming up": 0, "changed": 0, "steady": 0}
    for _ in range(40):
        noise = 0.02 * rng.standard_normal(len(lit_s))
        right["warming up"] += trend(lit_s, (warming + noise).tolist(), 0.02).state == "warming up"
        right["changed"] += trend(lit_s, (noise - 0.2).tolist(), 0.02).state == "changed"
        right["steady"] += trend(lit_s, noise.tolist(), 0.02).state == "steady"
    assert min(right.values()) >= 36


def test_where_warming_up_ends_is_foreseen() -> None:
    lit_s = np.arange(0.0, 400.0, 20.0)
    off = -0.1 - 0.6 * np.exp(-lit_s / 180)
    found = trend(lit_s.tolist(), off.tolist(), 0.02)
    assert found.offset_stops == pytest.approx(-0.1, abs=0.05)
    assert found.left_stops == pytest.approx(0.6 * math.exp(-380 / 180), abs=0.05)


def test_a_trend_needs_two_readings() -> None:
    with pytest.raises(ValueError, match="two readings"):
        trend([0.0], [0.1], 0.05)
