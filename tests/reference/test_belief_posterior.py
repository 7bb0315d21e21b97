"""How sure the unknowns are after readings, against published bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fillside.calibration.estimate.posterior import Skewed, posterior

from fillside.belief.result.expanded_uncertainty import around, decimals, expanded

FREE = 2500.0
"""Standard deviation [stops] of lights of which nothing is believed beforehand."""
NONE_SKEWED = Skewed(np.array([], dtype=np.intp), np.array([]), 1.0)
NONE_ALIKE = np.array([], dtype=np.intp)

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
    told = posterior(FREE * np.array([rows[letter] for letter in taken]) / 0.1, NONE_SKEWED, NONE_ALIKE, 0.0)
    asked = FREE * np.array([(1.0, 0.0), (0.0, 1.0), (1.0, -1.0), (share, 1 - share)])
    assert np.sqrt(told.variance(asked)) == pytest.approx(wanted, abs=2e-6)


@pytest.mark.parametrize(("ratio", "taken", "wanted"), LEAST_SD)
def test_ratio_and_sum_to_the_last_digit_without_what_was_believed(
    ratio: float, taken: str, wanted: tuple[float, ...]
) -> None:
    """With beliefs of 10 stops nothing cancels; their information is taken off again."""
    share, believed = ratio / (ratio + 1), 10.0
    rows = {"k": (1.0, 0.0), "f": (0.0, 1.0), "b": (share, 1 - share)}
    told = posterior(
        believed * np.array([rows[letter] for letter in taken]) / 0.1, NONE_SKEWED, NONE_ALIKE, 0.0
    )
    of_readings = np.linalg.inv(told.matrix()) - np.eye(2)
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
    told = posterior(np.full((n, 1), believed / 0.1), NONE_SKEWED, NONE_ALIKE, 0.0)
    variance = float(told.variance(np.array([[believed]]))[0])
    assert 1 / math.sqrt(1 / variance - 1 / believed**2) == pytest.approx(sd, abs=1e-9)


def test_readings_that_share_two_errors() -> None:
    # Root sum of squares (JCGM 100:2008, 4.3.7 and 5.1.2): the mean of three readings of 0.1 stop, on a
    # display with steps of 0.1 stop (rectangular, 0.1 / sqrt 12) and with a calibration good to 0.05 stop
    # (rectangular, 0.05 / sqrt 3), both one and the same in all three: 0.070711 stop, with k = 2 0.141421.
    shared = [FREE, 0.1 / math.sqrt(12), 0.05 / math.sqrt(3)]
    told = posterior(np.tile(shared, (3, 1)) / 0.1, NONE_SKEWED, NONE_ALIKE, 0.0)
    standard = math.sqrt(float(told.variance(np.array([[FREE, 0.0, 0.0]]))[0]))
    assert standard == pytest.approx(0.070711, abs=1e-6)
    assert expanded(standard) == pytest.approx(0.141421, abs=1e-6)


def test_the_covariance_is_the_inverse_information() -> None:
    """(I + R'R)^-1 by the matrix inversion lemma (M. A. Woodbury, 1950) against the inverse itself."""
    rows = np.random.default_rng(7).standard_normal((5, 12))
    told = posterior(rows, NONE_SKEWED, NONE_ALIKE, 0.0)
    inverse = np.linalg.inv(np.eye(12) + rows.T @ rows)
    assert told.matrix() == pytest.approx(inverse, abs=1e-12)
    slopes = np.random.default_rng(8).standard_normal((4, 12))
    assert told.variance(slopes) == pytest.approx(np.einsum("ks,st,kt->k", slopes, inverse, slopes))


def test_what_is_wrong_together_widens_sums_and_narrows_nothing() -> None:
    # Two inputs of u = 1 with correlation r (JCGM 100:2008, 5.2.2, equation 16): u^2 of the sum is 2 + 2r.
    alone = posterior(np.zeros((0, 2)), NONE_SKEWED, np.array([0, 1]), 0.6)
    total, difference = alone.variance(np.array([[1.0, 1.0], [1.0, -1.0]]))
    assert total == pytest.approx(3.2)
    assert difference == pytest.approx(2.0)
    known = posterior(np.array([[100.0, 0.0]]), NONE_SKEWED, np.array([0, 1]), 0.6)
    assert float(known.variance(np.array([[1.0, 1.0]]))[0]) == pytest.approx(1.0, abs=1e-3)


# JCGM 100:2008, 7.2.6: an expanded uncertainty is given with two significant digits at most, and estimates
# are rounded to be consistent with it.
@pytest.mark.parametrize("within", [0.03, 0.12, 0.49, 0.6, 1.4, 2.4, 9.0])
def test_uncertainties_have_two_digits_at_most(within: float) -> None:
    number = around(within).removeprefix("±").split()[0]
    assert float(number) == pytest.approx(within, rel=0.1 if within < 1.95 else 0.26)
    assert len(number.replace(".", "").lstrip("0")) <= 2
    assert decimals(within) == len(number.partition(".")[2])
