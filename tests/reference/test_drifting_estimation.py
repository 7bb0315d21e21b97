"""Reference: drifts against numpy's general least squares over the same readings and all steps of the walk.

The posterior of normal unknowns is the least squares solution with priors as rows like readings (Kalman, J.
Basic Engineering 82, 1960; JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import numpy as np
import pytest

from contract.meter_studio import rig_of
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence import Reading, SensorValue
from fillside.belief.observations import LAMP_DRIFT_STOPS
from fillside.belief.since.changes import NewEvidence
from fillside.belief.since.drift import START_STOPS, Drifts, Sighting, drifts

DAY_S = 86_400.0
PLACE = (0.0, 0.0, 1.2)


def reading(heads: tuple[str, ...], lux: float) -> Reading:
    facing = "head" if len(heads) == 1 else "camera"
    levels = (0.6,) * len(heads)
    return Reading(heads=heads, levels=levels, at=PLACE, value=lux, facing=facing)


@pytest.fixture(scope="module")
def belief() -> Belief:
    rig = rig_of()
    known = [reading((name,), lux) for name in ("key", "fill") for lux in (250.0, 251.0, 252.0, 249.0)]
    return believe(known, rig)


def told(belief: Belief, seed: int, count: int) -> list[Sighting]:
    """Readings of one head or two at random times, some stops off what is foretold, none of them far."""
    rng = np.random.default_rng(seed)
    found = []
    for at in np.cumsum(rng.choice([0.0, 0.1, 0.5, 3.0], size=count)):
        heads = [("key",), ("fill",), ("key", "fill")][int(rng.integers(3))]
        one = reading(heads, 100.0)
        expected = float(NewEvidence(belief, (), [one]).expected[0])
        shown = one.model_copy(update={"value": round(expected * 2.0 ** rng.normal(0, 0.02), 1)})
        found.append(Sighting(shown, float(at) * DAY_S))
    return found


def least_squares(belief: Belief, sightings: list[Sighting]) -> tuple[np.ndarray, np.ndarray]:
    """Drift and standard uncertainty of each head at last, with every step of its walk an unknown."""
    evidence = NewEvidence(belief, [one.shown for one in sightings])
    count, heads = len(sightings), belief.model.heads
    shares = drifts(belief, sightings, 0.0).shares
    days = np.array([one.at_s / DAY_S for one in sightings])
    passed = np.diff(days, prepend=0.0)
    # Unknowns: what the belief foretells wrongly (whitened), the start of each drift, each step of each walk.
    root = np.linalg.cholesky(evidence.foretold + 1e-12 * np.eye(count))
    steps = np.tril(np.ones((count, count))) * LAMP_DRIFT_STOPS * np.sqrt(passed)
    columns = [root]
    for head in range(heads):
        columns += [START_STOPS * shares[:, [head]], shares[:, [head]] * steps]
    design = np.concatenate(columns, axis=1)
    scaled = np.linalg.solve(np.linalg.cholesky(evidence.errors), np.column_stack([design, evidence.off]))
    size = design.shape[1]
    rows = np.concatenate([scaled[:, :-1], np.eye(size)])
    right = np.concatenate([scaled[:, -1], np.zeros(size)])
    found, *_ = np.linalg.lstsq(rows, right, rcond=None)
    spread = np.linalg.pinv(rows.T @ rows)
    reads = np.zeros((heads, size))
    for head in range(heads):
        first = count + head * (1 + count)
        reads[head, first], reads[head, first + 1 : first + 1 + count] = START_STOPS, steps[-1]
    return reads @ found, np.sqrt(np.einsum("hi,ij,hj->h", reads, spread, reads))


@pytest.mark.parametrize("seed", range(8))
def test_the_drifts_are_least_squares(belief: Belief, seed: int) -> None:
    """Small drifts, so that the second round about what was found changes nothing that counts."""
    sightings = told(belief, seed, 10)
    found = drifts(belief, sightings, 0.0)
    mean, sd = least_squares(belief, sightings)
    assert found.stops == pytest.approx(mean, abs=2e-3)
    assert found.sd == pytest.approx(sd, abs=2e-3)


def alone(belief: Belief, stops: float, count: int = 1, at_s: float = 0.0) -> list[Sighting]:
    one = reading(("key",), 100.0)
    expected = float(NewEvidence(belief, (), [one]).expected[0])
    ambient = belief.figures.ambient_lux
    shown = one.model_copy(update={"value": round((expected - ambient) * 2.0**stops + ambient, 2)})
    return [Sighting(shown, at_s)] * count


def drift_of_key(found: Drifts) -> tuple[float, float]:
    return float(found.stops[0]), float(found.sd[0])


def test_one_reading_is_the_weighted_mean_of_belief_and_reading(belief: Belief) -> None:
    """Of one head alone: weights by inverse variance (JCGM 100:2008, 5.1.2)."""
    sightings = alone(belief, -0.2)
    evidence = NewEvidence(belief, [sightings[0].shown])
    error = float(evidence.foretold[0, 0] + evidence.errors[0, 0])
    weight = START_STOPS**2 / (START_STOPS**2 + error)
    off, sd = drift_of_key(drifts(belief, sightings, 0.0))
    assert off == pytest.approx(-0.2 * weight, abs=3e-3)
    assert sd == pytest.approx(START_STOPS * (1 - weight) ** 0.5, abs=3e-3)


def test_what_the_belief_was_unsure_of_does_not_average_out(belief: Belief) -> None:
    sightings = alone(belief, -0.2, 50)
    foretold = float(NewEvidence(belief, [sightings[0].shown]).foretold[0, 0]) ** 0.5
    assert drift_of_key(drifts(belief, sightings, 0.0))[1] > 0.9 * foretold


def test_a_jump_is_believed_at_once(belief: Belief) -> None:
    off, _ = drift_of_key(drifts(belief, [*alone(belief, 0.0, 30), *alone(belief, -1.0)], 0.0))
    assert off < -0.85


def test_the_reading_tells_the_true_drift_of_one_head_however_far(belief: Belief) -> None:
    off, _ = drift_of_key(drifts(belief, alone(belief, -2.0, 20), 0.0))
    assert off == pytest.approx(-2.0, abs=0.1)


def test_a_drift_walks_as_a_wiener_process(belief: Belief) -> None:
    """From one reading to another of days later the variance grows in proportion to the time."""
    first, later = alone(belief, 0.0), alone(belief, 0.0, 1, 4 * DAY_S)
    far_off = [Sighting(SensorValue(("fill",), (0.6,), PLACE, "fill", False, 1.0), 4 * DAY_S)]
    before = drift_of_key(drifts(belief, first, 0.0))[1]
    walked = drift_of_key(drifts(belief, [*first, *far_off], 0.0))[1]
    assert walked**2 - before**2 == pytest.approx(4 * LAMP_DRIFT_STOPS**2, rel=0.1)
    assert drift_of_key(drifts(belief, later, 0.0))[1] < walked
