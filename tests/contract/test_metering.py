"""Contract: what solve and predict print is what the plainly summed light of the rig would meter."""

from __future__ import annotations

import math

import numpy as np
import pytest

from contract.balance_rigs import random_rig
from contract.plain_light import face_lux, facing_lux, metered_lux
from fillside.balance.prediction import predict
from fillside.balance.solution import solve_rig


@pytest.mark.parametrize("seed", range(6))
def test_predicted_lux_are_those_of_small_lamps_summed(seed: int) -> None:
    random = np.random.default_rng(seed)
    rig = random_rig(random, exposure=500.0)
    at = np.array([0.1, -0.2, 1.15]) + random.uniform(-0.3, 0.3, 3)
    prediction = predict(rig, tuple(at))
    for head, said in zip(rig.heads, prediction.heads, strict=True):
        assert said.lux == pytest.approx(facing_lux(rig, head, at), rel=1e-3)
        assert said.metered_lux == pytest.approx(metered_lux(rig, head, at), rel=1e-3)
    key_side, fill_side = face_lux(rig, [1.0] * len(rig.heads), at)
    assert prediction.face.key_side_lux == pytest.approx(key_side, rel=1e-3)
    assert prediction.face.fill_side_lux == pytest.approx(fill_side, rel=1e-3)


@pytest.mark.parametrize("seed", range(12))
def test_a_reachable_balance_is_met_to_a_hundredth_of_a_stop(seed: int) -> None:
    random = np.random.default_rng(100 + seed)
    at = np.array([0.0, 0.0, 1.2]) + random.uniform(-0.2, 0.2, 3)
    rig = random_rig(random, exposure=float(random.uniform(150, 400)), ratio=float(random.uniform(1.5, 3)))
    report = solve_rig(rig, tuple(at)).report
    outputs = {said.name: said.output for said in report.heads}
    key = sum(facing_lux(rig, h, at) * outputs[h.name] for h in rig.heads if h.role == "key")
    fill = sum(facing_lux(rig, h, at) * outputs[h.name] for h in rig.heads if h.role == "fill")
    toward_key, toward_fill, toward_camera = rig.ambient_toward
    ratio = (key + toward_key) / (fill + toward_fill)
    both = [h for h in rig.heads if h.role in ("key", "fill")]
    exposure = sum(metered_lux(rig, h, at) * outputs[h.name] for h in both) + toward_camera
    assert report.achieved.ratio == pytest.approx(ratio, rel=1e-3)
    assert report.achieved.exposure_lux == pytest.approx(exposure, rel=1e-3)
    if not report.limits:
        assert abs(math.log2(ratio / rig.balance.ratio_value)) < 0.01
        assert abs(math.log2(exposure / float(rig.balance.exposure))) < 0.01


def test_the_reachable_case_is_among_those_tried() -> None:
    """The check above must not pass by every rig being out of reach."""
    met = 0
    for seed in range(12):
        random = np.random.default_rng(100 + seed)
        at = tuple(np.array([0.0, 0.0, 1.2]) + random.uniform(-0.2, 0.2, 3))
        rig = random_rig(
            random, exposure=float(random.uniform(150, 400)), ratio=float(random.uniform(1.5, 3))
        )
        met += not solve_rig(rig, at).report.limits
    assert met >= 4
