"""Reference: the filter of drifts against numpy's general least squares on the same readings, all at once.

A Kalman filter's result is the least squares solution over all readings and all steps of the walk (Kalman,
J. Basic Engineering 82, 1960); priors are rows like readings.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillside.calibration.drift.estimate import (
    PRIOR_STOPS,
    ROOM_HOURS,
    ROOM_STOPS,
    WALK_STOPS,
    Drifts,
    Row,
    row_of,
)

HEADS = ("key", "fill", "hair")
CALIBRATED = {"key": 0.04, "fill": 0.08, "hair": 0.5}
SENSOR_SD = 0.07
HOUR_S = 3600.0


def readings(seed: int, count: int) -> list[tuple[float, Row]]:
    """Times in hours, and readings of one to three heads at random."""
    rng = np.random.default_rng(seed)
    hours = np.cumsum(rng.choice([0.0, 0.1, 3.0, 20.0], size=count))
    found = []
    for at in hours:
        heads = rng.choice(3, size=rng.integers(1, 4), replace=False)
        shares = rng.dirichlet(np.ones(len(heads) + 1))
        found.append(
            (
                float(at),
                Row(
                    tuple(HEADS[i] for i in heads),
                    tuple(shares[1:].tolist()),
                    float(shares[0]),
                    float(rng.normal(0, 0.3)),
                    float(rng.uniform(0.03, 0.1)),
                    bool(rng.integers(2)),
                ),
            )
        )
    return found


def filtered(told: list[tuple[float, Row]]) -> Drifts:
    drifts = Drifts.unread(SENSOR_SD, 0.0).knowing(CALIBRATED)
    for hours, row in told:
        drifts = drifts.later(hours * HOUR_S).after(row)
    return drifts


def least_squares(told: list[tuple[float, Row]]) -> tuple[np.ndarray, np.ndarray]:
    """Mean (8,) and covariance (8, 8) at the last reading, in the filter's order."""
    size, steps = 8, len(told)
    moving = [0, 2, 4, 6]
    priors = np.array([ROOM_STOPS, SENSOR_SD, *(s for h in HEADS for s in (PRIOR_STOPS, CALIBRATED[h]))])
    unknowns = size + steps * len(moving)
    rows, right = [np.eye(unknowns)[i] / priors[i] for i in range(size)], [0.0] * size
    sums = np.zeros((size, unknowns))
    sums[:, :size] = np.eye(size)
    before = 0.0
    for step, (hours, row) in enumerate(told):
        passed = hours - before
        # A stationary first-order process: what is left of it, and what makes up its variance.
        left = math.exp(-passed / ROOM_HOURS)
        sums[0] *= left
        room_sd = ROOM_STOPS * math.sqrt(max(1 - left**2, 0.0))
        for place, i in enumerate(moving):
            own = size + step * len(moving) + place
            # A step without time between is held at nothing.
            walked = room_sd if i == 0 else WALK_STOPS * math.sqrt(passed)
            sd = max(walked, 1e-12)
            rows.append(np.eye(unknowns)[own] / sd)
            right.append(0.0)
            if passed > 0:
                sums[i, own] = 1.0
        before = hours
        slopes = np.zeros(size)
        slopes[0], slopes[1] = row.room_share, float(row.by_sensor)
        for head, share in zip(row.heads, row.shares, strict=True):
            slopes[[2 + 2 * HEADS.index(head), 3 + 2 * HEADS.index(head)]] = share
        rows.append(slopes @ sums / row.sigma_stops)
        right.append(row.off_stops / row.sigma_stops)
    matrix = np.array(rows)
    scale = np.linalg.norm(matrix, axis=0)
    found = np.linalg.lstsq(matrix / scale, np.array(right), rcond=None)[0] / scale
    root = np.linalg.qr(matrix / scale, mode="r")
    spread = np.linalg.inv(root) @ np.linalg.inv(root).T / np.outer(scale, scale)
    return sums @ found, sums @ spread @ sums.T


@pytest.mark.parametrize("seed", range(8))
def test_the_filter_is_least_squares(seed: int) -> None:
    told = readings(seed, 12)
    drifts = filtered(told)
    mean, covariance = least_squares(told)
    assert drifts.mean == pytest.approx(mean, abs=1e-9)
    assert drifts.covariance == pytest.approx(covariance, abs=1e-9)
    for i, head in enumerate(HEADS):
        off, sigma = drifts.off(head)
        assert off == pytest.approx(mean[2 + 2 * i], abs=1e-9)
        assert sigma == pytest.approx(math.sqrt(covariance[2 + 2 * i, 2 + 2 * i]), abs=1e-9)


def test_one_reading_is_the_weighted_mean_of_belief_and_reading() -> None:
    """Of one head alone: the combined variance of JCGM 100:2008, 5.1.2, and weights by inverse variance."""
    row = Row(("key",), (1.0,), 0.0, -0.4, 0.05)
    drifts = Drifts.unread(SENSOR_SD, 0.0).knowing({"key": 0.04}).after(row)
    error = 0.05**2 + 0.04**2
    weight = PRIOR_STOPS**2 / (PRIOR_STOPS**2 + error)
    off, sigma = drifts.off("key")
    assert off == pytest.approx(-0.4 * weight, abs=1e-12)
    assert sigma == pytest.approx(math.sqrt(PRIOR_STOPS**2 * (1 - weight)), abs=1e-12)


def test_what_the_calibration_was_unsure_of_does_not_average_out() -> None:
    drifts = Drifts.unread(SENSOR_SD, 0.0).knowing({"key": 0.1})
    for _ in range(500):
        drifts = drifts.after(Row(("key",), (1.0,), 0.0, -0.3, 0.05))
    assert drifts.off("key")[1] > 0.09


def test_a_sum_of_two_heads_is_shared_out_and_stays_doubtful() -> None:
    drifts = Drifts.unread(SENSOR_SD, 0.0).knowing({"key": 0.0, "fill": 0.0})
    drifts = drifts.after(Row(("key", "fill"), (0.75, 0.25), 0.0, -0.3, 0.01))
    (key, key_sd), (fill, fill_sd) = drifts.off("key"), drifts.off("fill")
    assert key / fill == pytest.approx(3.0)
    assert 0.75 * key + 0.25 * fill == pytest.approx(-0.3, abs=0.001)
    assert min(key_sd, fill_sd) > 0.09
    drifts = drifts.after(Row(("key",), (1.0,), 0.0, -0.4, 0.01))
    assert drifts.off("fill")[0] == pytest.approx(0.0, abs=0.02)


def test_a_jump_is_believed_at_once() -> None:
    drifts = Drifts.unread(SENSOR_SD, 0.0).knowing({"key": 0.02})
    for _ in range(50):
        drifts = drifts.heard(Row(("key",), (1.0,), 0.0, 0.0, 0.05))
    drifts = drifts.heard(Row(("key",), (1.0,), 0.0, -1.0, 0.05))
    assert drifts.off("key")[0] < -0.9


def test_a_head_that_is_forgotten_leaves_the_others_alone() -> None:
    drifts = filtered(readings(3, 10))
    left = drifts.without({"fill"})
    assert left.names == ("key", "hair")
    assert left.off("hair") == drifts.off("hair")
    with pytest.raises(ValueError, match="not in"):
        left.off("fill")
    fresh = drifts.with_sensor(0.2)
    assert fresh.off("key") == drifts.off("key")
    assert fresh.covariance[1].tolist() == [0.0, 0.2**2, *[0.0] * 6]


def test_the_linear_reading_tells_the_true_drift_of_one_head() -> None:
    """A head alone that gives 2^-0.5 of its light: the logarithm is linear, whatever is believed."""
    drifts = Drifts.unread(SENSOR_SD, 0.0).knowing({"key": 0.02})
    for _ in range(40):
        drifts = drifts.heard(row_of(drifts, 400 * 2**-0.5, {"key": 400.0}, 0.0, 0.02))
    assert drifts.off("key")[0] == pytest.approx(-0.5, abs=0.01)
