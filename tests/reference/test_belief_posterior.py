"""How sure the unknowns are after readings, against published bounds."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import cast

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import minimize

from bench.simulated_studio import Hidden, read_fixed_plan, studio
from fillside.belief.belief import believe
from fillside.belief.evidence import Evidence, HeadEvent, TapeMeasure
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.forward.priors import AMBIENT, INTENSITY, INTENSITY_SD_STOPS, STAND, TAPE_SD_M
from fillside.belief.observations import stops
from fillside.belief.posterior import InverseProblem, Point, Posterior, most_likely, posterior
from fillside.belief.result.expanded_uncertainty import around, decimals, expanded
from fillside.rig.tables.model import Rig

FREE = 2500.0
"""Standard deviation [stops] of lights of which nothing is believed beforehand."""
Matrix = npt.NDArray[np.float64]


def told_by(rows: Matrix, noise: Matrix | None = None) -> Posterior:
    """What readings with such slopes (m, k) in standard normal unknowns tell, their errors of covariance
    `noise` (m, m): by default independent and of unit variance."""
    count, size = rows.shape
    problem = SimpleNamespace(
        values=np.zeros(count),
        noise=np.eye(count) if noise is None else noise,
        model=SimpleNamespace(size=size),
    )
    return posterior(cast(InverseProblem, problem), cast(Point, SimpleNamespace(rows=rows)))


# Least standard deviations (Cramer and Rao; S. M. Kay, Fundamentals of Statistical Signal Processing I, 1993)
# in stops of log2 K, log2 F, log2 K/F and log2 (K + F) from readings of the key alone (k), the fill alone (f)
# and both (b), each 0.1 stop: the inverse of J'J / sigma^2, b's row of J being (w, 1 - w), w = K / (K + F).
# kfb at 2:1 agrees with 200 000 runs of the likeliest estimate.
LEAST_SD = [
    (1, "kf", (0.1, 0.1, 0.141421356, 0.070710678)),
    (1, "kfb", (0.091287093, 0.091287093, 0.141421356, 0.057735027)),
    (1, "bf", (0.223606798, 0.1, 0.282842712, 0.1)),
    (1, "bk", (0.1, 0.223606798, 0.282842712, 0.1)),
    (2, "kf", (0.1, 0.1, 0.141421356, 0.074535599)),
    (2, "kfb", (0.084515425, 0.096362411, 0.138873015, 0.059761430)),
    (2, "bf", (0.158113883, 0.1, 0.212132034, 0.1)),
    (2, "bk", (0.1, 0.360555128, 0.424264069, 0.1)),
    (4, "kf", (0.1, 0.1, 0.141421356, 0.082462113)),
    (4, "kfb", (0.078679579, 0.098802352, 0.133630621, 0.063620901)),
    (4, "bf", (0.127475488, 0.1, 0.176776695, 0.1)),
    (4, "bk", (0.1, 0.640312424, 0.707106781, 0.1)),
    (8, "kf", (0.1, 0.1, 0.141421356, 0.089580642)),
    (8, "kfb", (0.074942901, 0.099656946, 0.129010990, 0.066723720)),
    (8, "bf", (0.113192314, 0.1, 0.159099026, 0.1)),
    (8, "bk", (0.1, 1.204159458, 1.272792206, 0.1)),
]


@pytest.mark.parametrize(("ratio", "taken", "wanted"), LEAST_SD)
def test_ratio_and_sum_are_as_sure_as_they_can_be(
    ratio: float, taken: str, wanted: tuple[float, ...]
) -> None:
    share = ratio / (ratio + 1)
    rows = {"k": (1.0, 0.0), "f": (0.0, 1.0), "b": (share, 1 - share)}
    told = told_by(FREE * np.array([rows[letter] for letter in taken]) / 0.1)
    asked = FREE * np.array([(1.0, 0.0), (0.0, 1.0), (1.0, -1.0), (share, 1 - share)])
    assert np.sqrt(told.variance(asked)) == pytest.approx(wanted, abs=2e-6)


@pytest.mark.parametrize(("ratio", "taken", "wanted"), LEAST_SD)
def test_ratio_and_sum_to_the_last_digit_without_what_was_believed(
    ratio: float, taken: str, wanted: tuple[float, ...]
) -> None:
    """With beliefs of 10 stops nothing cancels; their information is taken off again."""
    share, believed = ratio / (ratio + 1), 10.0
    rows = {"k": (1.0, 0.0), "f": (0.0, 1.0), "b": (share, 1 - share)}
    told = told_by(believed * np.array([rows[letter] for letter in taken]) / 0.1)
    of_readings = np.linalg.inv(told.covariance(np.eye(2), np.eye(2))) - np.eye(2)
    covariance = believed**2 * np.linalg.inv(of_readings)
    asked = np.array([(1.0, 0.0), (0.0, 1.0), (1.0, -1.0), (share, 1 - share)])
    found = np.sqrt(np.einsum("ks,st,kt->k", asked, covariance, asked))
    assert found == pytest.approx(wanted, abs=1e-8)


# sigma / sqrt(n), 0.1 stop each: the bound that the mean attains (Kay 1993, example 3.3).
@pytest.mark.parametrize(
    ("n", "sd"),
    [
        (1, 0.1),
        (2, 0.07071067812),
        (3, 0.05773502692),
        (4, 0.05),
        (5, 0.04472135955),
        (9, 0.03333333333),
        (10, 0.0316227766),
        (25, 0.02),
    ],
)
def test_n_readings_of_one_light_are_as_sure_as_their_mean(n: int, sd: float) -> None:
    believed = 10.0
    told = told_by(np.full((n, 1), believed / 0.1))
    variance = float(told.variance(np.array([[believed]]))[0])
    assert 1 / math.sqrt(1 / variance - 1 / believed**2) == pytest.approx(sd, abs=1e-9)


def test_readings_that_share_two_errors() -> None:
    # Root sum of squares (JCGM 100:2008, 4.3.7 and 5.1.2): the mean of three readings of 0.1 stop, on a
    # display with steps of 0.1 stop (rectangular, 0.1 / sqrt 12) and with a calibration good to 0.05 stop
    # (rectangular, 0.05 / sqrt 3), both one and the same in all three: 0.070711 stop, with k = 2 0.141421.
    shared = [FREE, 0.1 / math.sqrt(12), 0.05 / math.sqrt(3)]
    told = told_by(np.tile(shared, (3, 1)) / 0.1)
    standard = math.sqrt(float(told.variance(np.array([[FREE, 0.0, 0.0]]))[0]))
    assert standard == pytest.approx(0.070711, abs=1e-6)
    assert expanded(standard) == pytest.approx(0.141421, abs=1e-6)


def test_the_covariance_is_the_inverse_information() -> None:
    """(I + R'R)^-1 by the matrix inversion lemma (M. A. Woodbury, 1950) against the inverse itself."""
    rows = np.random.default_rng(7).standard_normal((5, 12))
    told = told_by(rows)
    inverse = np.linalg.inv(np.eye(12) + rows.T @ rows)
    assert told.covariance(np.eye(12), np.eye(12)) == pytest.approx(inverse, abs=1e-12)
    slopes = np.random.default_rng(8).standard_normal((4, 12))
    assert told.variance(slopes) == pytest.approx(np.einsum("ks,st,kt->k", slopes, inverse, slopes))


def test_readings_whose_errors_go_together() -> None:
    # Two readings of u = 1 with correlation r (JCGM 100:2008, 5.2.2, equation 16): u^2 of their sum is
    # 2 + 2r, of their difference 2 - 2r. Each is of a light of its own, of which nothing was known.
    together = np.array([[1.0, 0.6], [0.6, 1.0]])
    told = told_by(FREE * np.eye(2), together)
    total, difference = told.variance(FREE * np.array([[1.0, 1.0], [1.0, -1.0]]))
    assert total == pytest.approx(3.2, abs=1e-4)
    assert difference == pytest.approx(0.8, abs=1e-4)


def steps_seen() -> tuple[Rig, Evidence]:
    """Readings of two days, a tape measure, a stand that was moved and a lamp that was changed."""
    hidden = studio(3, Hidden(bounce=(0.05, 0.15), hand_m=0.02))
    hidden.read_ambient()
    read_fixed_plan(hidden, 6)
    rig = Rig.model_validate(hidden.rig_table())
    readings = readings_from_csv(hidden.csv(), rig)
    days = [
        one.model_copy(update={"time": f"2026-02-{11 + k % 3:02d}T10:00"}) for k, one in enumerate(readings)
    ]
    tape = TapeMeasure(
        head="key", at=rig.first_mark, distance_m=math.dist(rig.heads[0].position, (0, 0, 1.2))
    )
    events = (
        HeadEvent(head="key", kind="moved", time="2026-02-12T00:00"),
        HeadEvent(head="fill", kind="changed", time="2026-02-12T12:00"),
    )
    return rig, Evidence(tuple(days), (tape,), events)


def expected_of(problem: InverseProblem, z: Matrix) -> Matrix:
    """What should be seen in a studio: stops of light by the model, and how far the taped head stands from
    where the file puts it: its tape error and, if it was measured after that, by how much it was moved."""
    lux = problem.model.lux(problem.model.figures(z), problem.seen.quantities)
    ((head, after, _),) = problem.seen.tapes
    moved_m = 0.35 * z[problem.model.index_of_step(0)] * after[0]
    return np.append(stops(lux), TAPE_SD_M * z[problem.model.head_block(head).start + STAND] + moved_m)


def slopes_of(problem: InverseProblem, z: Matrix) -> Matrix:
    step = 1e-4
    return np.array(
        [
            (expected_of(problem, z + step * e) - expected_of(problem, z - step * e)) / (2 * step)
            for e in np.eye(len(z))
        ]
    ).T


def test_variances_are_those_of_bayesian_linear_regression() -> None:
    """C. M. Bishop, Pattern Recognition and Machine Learning, 2006, equation 3.54, unit prior: the inverse of
    I + R' N^-1 R, with R by differences; then JCGM 100:2008, 5.2.2, equation 13."""
    rig, evidence = steps_seen()
    belief = believe(evidence, rig)
    rows = slopes_of(belief.problem, belief.z)
    covariance = np.linalg.inv(np.eye(len(belief.z)) + rows.T @ np.linalg.inv(belief.problem.noise) @ rows)
    rng = np.random.default_rng(2)
    asked = np.concatenate([np.eye(len(belief.z)), rng.standard_normal((20, len(belief.z))), rows])
    wanted = np.einsum("ks,st,kt->k", asked, covariance, asked)
    tangent = posterior(belief.problem, belief.point)
    assert tangent.variance(asked) == pytest.approx(wanted, rel=0.03, abs=1e-5)
    assert tangent.covariance(asked[:9], asked[9:30]) == pytest.approx(
        asked[:9] @ covariance @ asked[9:30].T, abs=0.02
    )


def test_what_may_be_much_counts_by_its_secant() -> None:
    """A log-normal light of which nothing was seen: e^(s z) to 1.7 standard deviations up, over 1.7 s."""
    rig, _ = steps_seen()
    belief = believe((), rig)
    row = np.zeros((1, belief.model.size))
    row[0, belief.model.index_of_shared(AMBIENT)] = 1.0
    growth = 1.7 * belief.model.prior.ambient_lux[1]
    assert np.sqrt(belief.posterior.variance(row))[0] == pytest.approx(math.expm1(growth) / growth)


def test_the_most_likely_studio_is_where_misfit_and_beliefs_are_least() -> None:
    """Against a general minimiser (BFGS by differences) of (y - f(z))' N^-1 (y - f(z)) + z'z."""
    rig, evidence = steps_seen()
    problem = believe(evidence, rig).problem
    weight = np.linalg.inv(problem.noise)

    def misfit(z: Matrix) -> float:
        off = problem.values - expected_of(problem, z)
        return float(off @ weight @ off + z @ z)

    start = np.zeros(problem.model.size)
    ours = most_likely(problem, start)
    assert ours.misfit == pytest.approx(misfit(ours.z), rel=1e-9)
    peer = minimize(misfit, start, method="BFGS", options={"maxiter": 150})
    assert ours.misfit <= float(peer.fun) + 0.02
    assert ours.misfit < 0.5 * misfit(start)


def test_a_lamp_of_which_nothing_was_read_is_as_unsure_as_its_label() -> None:
    rig, _ = steps_seen()
    belief = believe((), rig)
    slopes = np.zeros((1, belief.model.size))
    slopes[0, belief.model.head_block(1).start + INTENSITY] = INTENSITY_SD_STOPS
    assert math.sqrt(belief.posterior.variance(slopes)[0]) == pytest.approx(INTENSITY_SD_STOPS)


# JCGM 100:2008, 7.2.6: an expanded uncertainty is given with two significant digits at most, and estimates
# are rounded to be consistent with it.
@pytest.mark.parametrize("within", [0.03, 0.12, 0.49, 0.6, 1.4, 2.4, 9.0])
def test_uncertainties_have_two_digits_at_most(within: float) -> None:
    number = around(within).removeprefix("±").split()[0]
    assert float(number) == pytest.approx(within, rel=0.1 if within < 1.95 else 0.26)
    assert len(number.replace(".", "").lstrip("0")) <= 2
    assert decimals(within) == len(number.partition(".")[2])
