"""How sure the unknowns are after readings, against published bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillside.calibration.estimate.posterior import Skewed, posterior
from fillside.belief.expanded_uncertainty import around, decimals, expanded

FREE = 1e4
"""Standard deviation [stops] of lights of which nothing is believed beforehand."""
NONE_SKEWED = Skewed(np.array([], dtype=np.intp), np.array([]), 1.0)
NONE_ALIKE = np.array([], dtype=np.intp)

# Least standard deviations (Cramer and Rao; S. M. Kay, Fundamentals of Statistical Signal Processing I, 1993)
# in stops of log2 K, log2 F, log2 K/F and log2 (K + F) from readings of the key alone (k), the fill alone (f)
# and both (b), each 0.1 stop: the inverse of J'J / sigma^2, b's row of J being (w, 1 - w), w = K / (K + F).
LEAST_SD = [
    (8, "kfb", (0.074943, 0.099657, 0.129011, 0.066724)),
    (8, "bf", (0.113192, 0.100000, 0.159099, 0.100000)),
    (8, "bk", (0.100000, 1.204159, 1.272792, 0.100000)),
]


@pytest.mark.parametrize(("ratio", "taken", "wanted"), LEAST_SD)
def test_ratio_and_sum_are_as_sure_as_they_can_be(
    ratio: float, taken: str, wanted: tuple[float, ...]
) -> None:
    share = ratio / (ratio + 1)
    rows = {"k": (1.0, 0.0), "f": (0.0, 1.0), "b": (share, 1 - share)}
    told = posterior(FREE * np.array([rows[letter] for letter in taken]) / 0.1, NONE_SKEWED, NONE_ALIKE, 0.0)
    asked = FREE * np.array([(1.0, 0.0), (0.0, 1.0), (1.0, -1.0), (share, 1 - share)])
    assert np.sqrt(told.variance(asked)) == pytest.approx(wanted, abs=2e-5)


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
