"""The readings that are wrong: the most probable hypothesis about all of them.

A wrong reading is off by a stop or so, whatever the reason, so a hypothesis says of which readings the
variance is that of a slip. The probability of all readings under each is that of a linear model about the
studio at hand with the unknowns integrated out (the evidence of D. J. C. MacKay, Neural Computation 4, 1992):
normal, with covariance R R' + N + s^2 on the readings that are wrong. It follows for every hypothesis from
one inverse, by the lemmas on determinants and inverses of a matrix with a few changed elements (Sherman,
Morrison and Woodbury), so that all ways of doubting a few readings of a head can be compared.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fillside.belief.posterior import InverseProblem, Point

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

SLIP_PROBABILITY, SLIP_STOPS = 0.1, 1.0
"""Share of readings that are slips, and the standard deviation of slips."""
FEWEST_TO_DOUBT = 4
"""With fewer readings of a head none is doubted: too little would speak against it."""
_BETWEEN_SESSIONS_DAYS = 1 / 12
"""Time between two readings from which they are of two sessions."""
_MOST_TOGETHER = 3
"""Most readings of a head that are doubted at once."""
_DOUBTFUL = 8
"""Of a head with many readings only so many are doubted, those that stand out most."""
_ODDS = math.log(SLIP_PROBABILITY / (1 - SLIP_PROBABILITY))


@dataclass(frozen=True)
class Residuals:
    """Each reading (m,) against what all others, and beliefs, foretell.

    `off` is the reading over that [stops], `foretold_sd` how sure that is, `score` off over its uncertainty.
    """

    off: FloatArray
    foretold_sd: FloatArray
    score: FloatArray


def residuals(problem: InverseProblem, point: Point, own_sd: FloatArray) -> Residuals:
    """Residuals with each reading left out in turn (m,), whose own uncertainties are `own_sd`; readings come
    first in a problem."""
    inverse, weighed = _inverse(problem, point)
    diagonal = np.diag(inverse)[: len(own_sd)]
    off = weighed[: len(own_sd)] / diagonal
    foretold = np.sqrt(np.maximum(1 / diagonal - np.diag(problem.noise)[: len(own_sd)], 0.0))
    return Residuals(off, foretold, off / np.hypot(foretold, own_sd))


def _inverse(problem: InverseProblem, point: Point) -> tuple[FloatArray, FloatArray]:
    """The inverse of the covariance of the observations (m, m), and its product with their residuals
    (m,)."""
    inverse = np.asarray(np.linalg.inv(point.rows @ point.rows.T + problem.noise))
    off = problem.values - point.expected + point.rows @ point.z
    return inverse, inverse @ off


def wrong_readings(problem: InverseProblem, point: Point, heads: tuple[frozenset[int], ...]) -> BoolArray:
    """The most probably wrong ones of what was seen (m,), of a problem that doubts nothing.

    `heads` are those that each reading is of; what comes after the readings is never doubted. A reading is
    doubted among those of its session alone: one of another day that contradicts them more probably tells of
    a lamp that has drifted.
    """
    inverse, weighed = _inverse(problem, point)
    wrong = np.zeros(len(problem.values), dtype=np.bool_)
    for own in _groups(heads, _sessions(problem.seen.days)):
        best, chosen = 0.0, list[int]()
        for doubted in _ways(own, np.abs(weighed[own]) / np.sqrt(np.diag(inverse)[own])):
            gain = _gain(inverse, weighed, np.array(doubted))
            if gain > best:
                best, chosen = gain, list(doubted)
        wrong[chosen] = True
    return wrong


def _sessions(days: FloatArray) -> IntArray:
    """The number of the session (m,) of what was seen so many days ago (m,)."""
    order = np.argsort(days, kind="stable")
    found = np.zeros(len(days), dtype=np.intp)
    found[order] = np.cumsum(np.diff(days[order], prepend=0.0) > _BETWEEN_SESSIONS_DAYS)
    return found


def _groups(heads: tuple[frozenset[int], ...], sessions: IntArray) -> Iterator[IntArray]:
    """The readings of each head, and those of the room, session by session, where there are enough to doubt
    any."""
    alike = [[i for i, of in enumerate(heads) if head in of] for head in sorted(set().union(*heads))]
    for own in [*alike, [i for i, of in enumerate(heads) if not of]]:
        readings = np.array(own, dtype=np.intp)
        for session in np.unique(sessions[readings]):
            together = readings[sessions[readings] == session]
            if len(together) >= FEWEST_TO_DOUBT:
                yield together


def _ways(own: IntArray, scores: FloatArray) -> Iterator[tuple[int, ...]]:
    most = min(len(own) // 3, _MOST_TOGETHER)
    doubtful = own[np.argsort(-scores)[:_DOUBTFUL]].tolist()
    for count in range(1, most + 1):
        yield from combinations(doubtful, count)


def _gain(inverse: FloatArray, weighed: FloatArray, doubted: IntArray) -> float:
    """The gain in the logarithm of the probability of all readings if these are wrong."""
    own = inverse[np.ix_(doubted, doubted)]
    wider = np.eye(len(doubted)) / SLIP_STOPS**2 + own
    explained = weighed[doubted] @ np.linalg.solve(wider, weighed[doubted])
    spread = float(np.linalg.slogdet(SLIP_STOPS**2 * wider)[1])
    return float(0.5 * (explained - spread)) + len(doubted) * _ODDS
