"""A lamp that warms up or ages, and the slow correction of its drift."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillside.metering.drift import slow_correction
from fillside.metering.routine.warmth import is_warm, trend


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
