"""Drift since a studio was believed: how much more or less each head gives now, by readings taken since.

A head's drift starts at once with what lamps are wont to be off from one day to the next, and walks from
there (a Wiener process). What a reading shows over what the belief foretells is the drifts of its heads, each
by its share of the light, what the belief was unsure of, and the error of the reading. All of it is normal,
so the drifts of now follow from all readings together (JCGM 100:2008, 5.2.2: what the filter of R. E. Kalman,
J. Basic Engineering 82, 1960, finds step by step). A reading that none of it explains tells of a lamp that
has become another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.belief.belief import Belief
from fillside.belief.evidence import Reading, SensorValue
from fillside.belief.forward.priors import INTENSITY, INTENSITY_SD_STOPS
from fillside.belief.observations import LAMP_DRIFT_STOPS
from fillside.belief.since.changes import NewEvidence

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

START_STOPS = 0.3
"""How far lamps are wont to be off from one day to the next, as a standard deviation; common practice, no
source."""
WARMING_STOPS = 0.1
"""How much the drift of a head that warms up may change from one reading to the next."""
JUMP_SIGMAS = 3.0
"""A reading farther off than that tells of a lamp that has become another."""
TELLS_FROM = 0.05
"""A head with a smaller share of a reading's light is not told of by it."""
_ROUNDS = 2
"""How often the model is taken to be linear about the drifts that were found."""
_DAY_S = 86_400.0


@dataclass(frozen=True)
class Sighting:
    """A value of a hand meter or a sensor at a Unix time [s], and the heads that were warming up then."""

    shown: Reading | SensorValue
    at_s: float
    warming: tuple[str, ...] = ()


@dataclass(frozen=True)
class Drifts:
    """The drift of heads (n,) at the newest sighting, its standard uncertainty [stops], the share of each
    head (l, n) in the light of each sighting, and that light over what was foretold (l,) [stops]."""

    stops: FloatArray
    sd: FloatArray
    shares: FloatArray
    off: FloatArray


def drifts(belief: Belief, sightings: Sequence[Sighting], since_s: float) -> Drifts:
    """The drift of each head from the belief of `since_s` to the newest sighting, both Unix times [s]; one
    sighting at least."""
    z, found = belief.z, np.zeros(belief.model.heads)
    for _ in range(_ROUNDS):
        evidence = NewEvidence(belief, [one.shown for one in sightings], z=z)
        shares = belief.model.shares(evidence.rows)
        off = evidence.off + shares @ found
        errors = evidence.foretold + evidence.errors
        alike = _alike(belief, sightings, since_s, shares, errors, off)
        spread = errors + np.einsum("li,ilk,ki->lk", shares, alike, shares)
        with_now = shares.T * alike[:, -1]
        weighed = np.linalg.solve(spread, np.column_stack([off, with_now.T]))
        found = with_now @ weighed[:, 0]
        z = belief.z.copy()
        belief.model.per_head(z)[:, INTENSITY] += found / INTENSITY_SD_STOPS
    left = alike[:, -1, -1] - np.einsum("il,li->i", with_now, weighed[:, 1:])
    return Drifts(found, np.sqrt(np.maximum(left, 0.0)), shares, off)


def _alike(
    belief: Belief,
    sightings: Sequence[Sighting],
    since_s: float,
    shares: FloatArray,
    errors: FloatArray,
    off: FloatArray,
) -> FloatArray:
    """Covariance (n, l, l) of each head's drift at the times of the sightings, before any of them."""
    days = np.array([max(one.at_s - since_s, 0.0) / _DAY_S for one in sightings])
    walked = LAMP_DRIFT_STOPS**2 * np.minimum.outer(days, days)
    found = np.tile(START_STOPS**2 + walked, (belief.model.heads, 1, 1))
    for newest, one in enumerate(sightings):
        warming = [belief.model.names.index(name) for name in one.warming]
        found[warming, newest:, newest:] += WARMING_STOPS**2
        so_far = slice(0, newest + 1)
        own = shares[so_far]
        spread = errors[so_far, so_far] + np.einsum("li,ilk,ki->lk", own, found[:, so_far, so_far], own)
        if _is_unexpected(spread, off[so_far]):
            jumped = np.flatnonzero(own[newest] >= TELLS_FROM)
            found[jumped, newest:, newest:] += START_STOPS**2
    return found


def _is_unexpected(spread: FloatArray, off: FloatArray) -> bool:
    """True if the last of some readings is far off what the others foretell."""
    gain = np.linalg.solve(spread[:-1, :-1], spread[:-1, -1])
    variance = float(spread[-1, -1] - gain @ spread[:-1, -1])
    return float(off[-1] - gain @ off[:-1]) ** 2 > JUMP_SIGMAS**2 * variance
