"""A lamp that warms up or ages, its slow correction, and daylight that a sensor follows."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillside.calibration.drift.daylight import AmbientSensor, sensor_learned
from fillside.calibration.routine.warmth import is_warm, trend
from fillside.metering.drift import slow_correction


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


def test_ambient_light_follows_a_sensor_less_our_own_light() -> None:
    sensor = sensor_learned(
        200.0, (40.0, 30.0, 60.0), [((1.0, 0.0), 260.0), ((0.0, 1.0), 220.0), ((0.5, 0.5), 240.0)], 2
    )
    assert sensor.heads_lux == pytest.approx((60.0, 20.0))
    assert sensor.ambient_lux(200.0, (0.0, 0.0)) == pytest.approx((40.0, 30.0, 60.0))
    assert sensor.ambient_lux(440.0, (0.5, 0.5)) == pytest.approx((80.0, 60.0, 120.0))


def test_a_sensor_that_sees_mostly_our_light_says_nothing() -> None:
    sensor = AmbientSensor(0.2, 0.2, 0.3, (60.0, 20.0))
    assert sensor.ambient_lux(70.0, (1.0, 0.0)) is None
    assert sensor.ambient_lux(-1.0, (0.0, 0.0)) is None
    assert sensor.room_lux(0.0, (0.0, 0.0)) == 0.0


def test_a_factor_is_not_learned_in_the_dark() -> None:
    with pytest.raises(ValueError, match="daylight"):
        sensor_learned(0.0, (1.0, 1.0, 1.0))
