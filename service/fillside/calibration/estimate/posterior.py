"""How sure the unknowns of a studio are after readings, without a matrix as large as all of them.

Before any reading the unknowns are standard normal. With R (m, size) the readings' slopes over their
uncertainties, the covariance afterwards is (I + R'R)^-1 = I - W'W, where W = L^-1 R and L L' = I + RR' (the
matrix inversion lemma): m readings cost an m by m root, however many heads there are.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_SECANT_TURNS = 4


@dataclass(frozen=True)
class Skewed:
    """Unknowns that are believed in by their logarithm: which, and the spreads of those logarithms.

    Such light may be far more than it is likeliest to be, so the slope at the likeliest gives place to the
    secant toward more, over `secant_sd` standard deviations: in what readings tell of it, in what they tell
    of all else, and in what is said of the light.
    """

    which: IntArray
    sd: FloatArray
    secant_sd: float


@dataclass(frozen=True)
class Posterior:
    """What is left unknown of the unknowns (size,): `sides` scales them, `whitened` (m, size) is W.

    `alike` are unknowns that may be wrong together, with `correlation`, as far as each is unknown. That
    widens what is said of sums and narrows nothing, for they may as well be wrong one by one.
    """

    sides: FloatArray
    whitened: FloatArray
    alike: IntArray
    correlation: float

    def variance(self, slopes: FloatArray) -> FloatArray:
        """Variance (k,) of quantities with such slopes (k, size): JCGM 100:2008, 5.2.2, equation (13), where
        what may be wrong together counts as far as it adds."""
        scaled = slopes * self.sides
        known = np.einsum("ks,ks->k", scaled, scaled) - np.square(scaled @ self.whitened.T).sum(axis=1)
        own = slopes[:, self.alike] * self._unknown
        together = self.correlation * (np.square(own.sum(axis=1)) - np.square(own).sum(axis=1))
        return np.asarray(np.maximum(known, 0.0) + np.maximum(together, 0.0))

    def matrix(self) -> FloatArray:
        """The covariance (size, size) as far as the readings say it."""
        scaled = self.whitened * self.sides
        return np.asarray(np.diag(np.square(self.sides)) - scaled.T @ scaled)

    @cached_property
    def _unknown(self) -> FloatArray:
        """The variance left in the unknowns that are alike, of 1 before any reading."""
        own = self.whitened[:, self.alike]
        return np.asarray(np.square(self.sides[self.alike]) * (1 - np.square(own).sum(axis=0)))


def posterior(rows: FloatArray, skewed: Skewed, alike: IntArray, correlation: float) -> Posterior:
    """What readings with slopes over uncertainty `rows` (m, size) leave unknown."""
    sides, spread = np.ones(rows.shape[1]), np.ones(len(skewed.which))
    whitened = rows
    for _ in range(_SECANT_TURNS):
        way = skewed.secant_sd * spread * skewed.sd
        sides[skewed.which] = np.expm1(way) / way
        whitened = rows * sides
        if len(rows):
            whitened = np.linalg.solve(
                np.linalg.cholesky(np.eye(len(rows)) + whitened @ whitened.T), whitened
            )
        spread = np.sqrt(np.maximum(1 - np.square(whitened[:, skewed.which]).sum(axis=0), 1e-12))
    return Posterior(sides, whitened, alike, correlation)
