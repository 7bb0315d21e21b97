"""Reference: the probabilities of stories against scipy's normal densities, and what a question tells.

A lamp that gives more or less moves every reading of it alone by the same stops, so with a size that is
normal the readings are normal too, and the evidence of a story is a density in closed form (D. J. C. MacKay,
Neural Computation 4, 1992). Mutual information is at most the entropy of what it is about (T. M. Cover, J. A.
Thomas, Elements of Information Theory, 2006, 2.4).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from contract.meter_studio import rig_of
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence import Reading, TapeMeasure
from fillside.belief.forward.priors import CHANGED_STOPS
from fillside.belief.since.changes import PROBABILITIES, SLIP_STOPS, NewEvidence, judge, worth_asking
from fillside.rig.tables.model import Rig

PLACE = (0.0, 0.0, 1.2)


@pytest.fixture(scope="module")
def rig() -> Rig:
    dark = rig_of()
    return dark.model_copy(update={"ambient": type(dark.ambient)(lux=0.0)})


@pytest.fixture(scope="module")
def belief(rig: Rig) -> Belief:
    dark = [Reading(at=PLACE, value=0.0, facing=name) for name in ("key", "fill")]
    known = [of(name, lux) for name in ("key", "fill") for lux in (250.0, 251.0, 252.0, 249.0)]
    return believe([*dark, *known], rig)


def of(head: str, lux: float) -> Reading:
    return Reading(heads=(head,), levels=(0.6,), at=PLACE, value=lux)


def off_by(belief: Belief, *stops: float) -> list[Reading]:
    """Readings of the key alone, so many stops off what is foretold."""
    expected = float(NewEvidence(belief, (), [of("key", 1.0)]).expected[0])
    return [of("key", round(expected * 2.0**by, 2)) for by in stops]


@pytest.mark.parametrize("stops", [(-0.4, -0.35), (0.3, 0.3), (0.5, 0.0), (0.1, -0.1)])
def test_stories_are_weighed_by_their_densities(belief: Belief, stops: tuple[float, ...]) -> None:
    evidence = NewEvidence(belief, off_by(belief, *stops))
    told = judge(evidence, least=1.0).told
    spread = evidence.foretold + evidence.errors
    wider = {
        ("lamp", 0): spread + CHANGED_STOPS**2 * np.ones((2, 2)),
        ("slip", 0): spread + SLIP_STOPS**2 * np.diag([1.0, 0.0]),
        ("slip", 1): spread + SLIP_STOPS**2 * np.diag([0.0, 1.0]),
    }
    by_story = {(one.story.kind, one.story.of): one.probability for one in told if one.story is not None}
    nothing = next(one.probability for one in told if one.story is None)
    prior = 1 - sum(PROBABILITIES[kind] for kind, _ in by_story)
    density = multivariate_normal(mean=np.zeros(2), cov=spread).logpdf(evidence.off)
    for key, covariance in wider.items():
        own = multivariate_normal(mean=np.zeros(2), cov=covariance).logpdf(evidence.off)
        odds = PROBABILITIES[key[0]] / prior * math.exp(own - density)  # type: ignore[index]
        # Sizes are looked for to 2.6 standard deviations, in which 99 % of them are.
        assert by_story[key] / nothing == pytest.approx(odds, rel=0.02)
    assert sum(one.probability for one in told) == pytest.approx(1.0)


def test_the_size_of_a_change_is_the_weighted_mean(belief: Belief) -> None:
    """Of a lamp, with the weights of a normal prior and a normal reading (JCGM 100:2008, 5.1.2)."""
    evidence = NewEvidence(belief, off_by(belief, -0.6, -0.6, -0.6))
    (change,) = judge(evidence).changes
    assert (change.kind, change.of) == ("lamp", 0) or change.rival is not None
    lamp = change if change.kind == "lamp" else change.rival
    assert lamp is not None
    weight = np.linalg.inv(evidence.foretold + evidence.errors)
    information = float(weight.sum()) + CHANGED_STOPS**-2
    assert lamp.size == pytest.approx(float((weight @ evidence.off).sum()) / information, abs=0.01)
    assert lamp.size_sd == pytest.approx(information**-0.5, rel=0.02)


def test_a_tape_tells_lamp_from_stand_and_one_of_another_head_tells_nothing(belief: Belief) -> None:
    key, fill = (TapeMeasure(head=name, at=PLACE, distance_m=1.0) for name in ("key", "fill"))
    evidence = NewEvidence(belief, off_by(belief, -0.5, -0.5), [key, fill, of("key", 1.0), of("fill", 1.0)])
    judgement = judge(evidence, least=1.0)
    told = worth_asking(evidence, judgement)
    shares = np.array([one.probability for one in judgement.told])
    entropy = -float(np.sum(shares * np.log(np.maximum(shares, 1e-300))))
    assert told.min() >= -1e-9
    assert told.max() <= entropy
    assert told[0] > 5 * told[2]
    assert told[1] == pytest.approx(0.0, abs=1e-6)
    assert told[3] < 0.1 * told[0]
