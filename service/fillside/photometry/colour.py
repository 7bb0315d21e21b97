"""The colour of white light: kelvin and mired, and chromaticities near the Planckian locus."""

from __future__ import annotations

import math
from functools import lru_cache

COOLEST_K, WARMEST_K = 15_000.0, 1000.0
"""Range in which the approximation of the Planckian locus holds."""
WARMEST_OFF_LOCUS_K, COOLEST_NOMINAL_K = 2870.0, 6535.0
"""Where the whites of lamps begin to leave the locus, and the coolest of them (ANSI C78.377-2015, from
memory)."""
TUNGSTEN_EXPONENT = 0.42 / 3.4
"""The colour temperature of an incandescent lamp varies as its light to this power: temperature as voltage
to 0.42, light as voltage to 3.4 (lamp characteristics of the IES Lighting Handbook, from memory)."""


def mired(cct_k: float) -> float:
    """Return the reciprocal colour temperature 10^6 / T [mired] of a colour temperature [K].

    Raises:
        ValueError: the temperature is 0 K or below.

    Reference: D. B. Judd, J. Opt. Soc. Am. 23, 7 (1933).

    >>> mired(3200)
    312.5
    """
    if cct_k <= 0:
        raise ValueError("a colour temperature is above 0 K")
    return 1e6 / cct_k


def shift_mired(from_cct_k: float, to_cct_k: float) -> float:
    """Return the filter shift [mired] that turns light of one colour temperature [K] into another [K].

    Negative shifts cool the light; positive ones warm it.

    >>> round(shift_mired(3200, 5600), 1)
    -133.9
    """
    return mired(to_cct_k) - mired(from_cct_k)


def cct_after_shift_k(cct_k: float, filter_mired: float) -> float:
    """Return the colour temperature [K] behind a filter of a given shift [mired].

    Raises:
        ValueError: the shift leads to 0 mired or below.

    >>> round(cct_after_shift_k(3200, -133.92857))
    5600
    """
    behind = mired(cct_k) + filter_mired
    if behind <= 0:
        raise ValueError("no colour temperature lies beyond a shift to 0 mired")
    return 1e6 / behind


def mccamy_cct_k(x: float, y: float) -> float:
    """Return the correlated colour temperature [K] of a CIE 1931 chromaticity near the Planckian locus.

    CCT = 449 n^3 + 3525 n^2 + 6823.3 n + 5520.33 with n = (x - 0.3320) / (0.1858 - y), accurate to about
    2 K between illuminants A and D65.

    Reference: C. S. McCamy, Color Research and Application 17, 142 (1992).

    >>> round(mccamy_cct_k(0.44758, 0.40745), 2)
    2857.13
    """
    n = (x - 0.3320) / (0.1858 - y)
    return 449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33


def duv(x: float, y: float) -> float:
    """Return the signed distance of a CIE 1931 chromaticity from the Planckian locus, in CIE 1960 u, v.

    Positive values are greenish, negative ones pinkish.

    Reference: Y. Ohno, Leukos 10, 47 (2014); the polynomial used by ANSI C78.377.

    >>> round(duv(0.31271, 0.32902), 4)
    0.0032
    """
    denominator = -2 * x + 12 * y + 3
    u, v = 4 * x / denominator, 6 * y / denominator
    length = math.hypot(u - 0.292, v - 0.24)
    a = math.acos((u - 0.292) / length)
    terms = (-0.471106, 1.925865, -2.4243787, 1.5317403, -0.5179722, 0.0893944, -0.00616793)
    return length - sum(k * a**power for power, k in enumerate(terms))


def white_duv(cct_k: float) -> float:
    """Return the distance from the Planckian locus that a lamp of one white should have, in CIE 1960 u, v.

    57700 / T^2 - 44.6 / T + 0.00854 with T in kelvin; 0 below 2870 K, and above 6535 K, where the standard
    ends, what it is there.

    Reference: ANSI C78.377-2015, from memory.

    >>> round(white_duv(4000), 4)
    0.001
    """
    if cct_k < WARMEST_OFF_LOCUS_K:
        return 0.0
    t = min(cct_k, COOLEST_NOMINAL_K)
    return 57_700 / t**2 - 44.6 / t + 0.008_54


def planckian_uv(cct_k: float) -> tuple[float, float]:
    """Return the CIE 1960 u, v of a black body at 1000 to 15000 K, within 1.1e-4 in u and v.

    Raises:
        ValueError: the temperature is outside that range.

    Reference: M. Krystek, Color Research and Application 10, 38 (1985), rational approximations.
    """
    if not 1000 <= cct_k <= 15_000:
        raise ValueError("the approximation holds from 1000 to 15000 K")
    t = cct_k
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (
        1 + 8.42420235e-4 * t + 7.08145163e-7 * t**2
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (
        1 - 2.89741816e-5 * t + 1.61456053e-7 * t**2
    )
    return u, v


def tungsten_cct_k(cct_k: float, output: float) -> float:
    """Return the colour temperature [K] of an incandescent lamp dimmed to an output above 0.

    The shift is about 28 mired per stop at 3200 K.

    Parameters:
        cct_k: colour temperature at full [K].
        output: light relative to full, above 0.

    >>> round(mired(tungsten_cct_k(3200, 0.5)) - mired(3200), 1)
    27.9
    """
    return float(cct_k * output**TUNGSTEN_EXPONENT)


def cct_of_uv_k(u: float, v: float) -> float:
    """Return the correlated colour temperature [K] of a CIE 1960 chromaticity: the nearest black body's.

    The search runs from 1000 to 15000 K on an approximation of the Planckian locus. The result is within
    0.35 mired of the exact one for a black body, and further off beside the locus: see `mixed_cct_k`.

    Reference: CIE 15:2004, definition in u, v (from memory).

    >>> round(cct_of_uv_k(*planckian_uv(3200)))
    3200
    """
    low, high = mired(COOLEST_K), mired(WARMEST_K)
    steps = 60

    def off(m: float) -> float:
        black_u, black_v = planckian_uv(min(max(1e6 / m, WARMEST_K), COOLEST_K))
        return math.hypot(u - black_u, v - black_v)

    nearest = min(range(steps + 1), key=lambda k: off(low + (high - low) * k / steps))
    left = low + (high - low) * max(nearest - 1, 0) / steps
    right = low + (high - low) * min(nearest + 1, steps) / steps
    for _ in range(60):
        a, b = left + (right - left) / 3, right - (right - left) / 3
        left, right = (left, b) if off(a) < off(b) else (a, right)
    return 2e6 / (left + right)


def mixed_uv(warm_k: float, cool_k: float, cool_share: float) -> tuple[float, float]:
    """Return the CIE 1960 u, v of a mix of two black-body whites.

    Light adds linearly: each white weighs X + 15 Y + 3 Z = 6 Y / v in the mean of u and v.

    Parameters:
        warm_k, cool_k: colour temperatures of the whites [K].
        cool_share: the cool white's share of the light, 0..1.
    """
    (warm_u, warm_v), (cool_u, cool_v) = planckian_uv(warm_k), planckian_uv(cool_k)
    warm, cool = (1 - cool_share) / warm_v, cool_share / cool_v
    both = warm + cool
    return (warm * warm_u + cool * cool_u) / both, (warm * warm_v + cool * cool_v) / both


@lru_cache(maxsize=1024)
def mixed_cct_k(warm_k: float, cool_k: float, cool_share: float) -> float:
    """Return the correlated colour temperature [K] of a mix of two whites.

    The result is within 0.6 mired of the exact one for whites from 1800 to 10000 K, and within 0.2 mired for
    2700 with 6500 K; of 1000 with 15000 K, the widest mix there is, it is off by 1.8 mired at most. Both
    whites are assumed to lie on the Planckian locus. If the cool one lies on the daylight locus instead, a
    mix of 2700 and 6500 K is off by 1.4 mired at most.

    >>> round(mixed_cct_k(2700, 6500, 0.5))
    3955
    """
    return cct_of_uv_k(*mixed_uv(warm_k, cool_k, cool_share))


@lru_cache(maxsize=1024)
def cool_share_for(warm_k: float, cool_k: float, wanted_k: float) -> float:
    """Return the cool white's share of the light (0..1) in a mix of the wanted colour temperature [K].

    Outside the range of the two whites, the result is the nearer white alone.

    >>> cool_share_for(2700, 6500, 2000), round(cool_share_for(2700, 6500, 3955), 2)
    (0.0, 0.5)
    """
    if wanted_k <= warm_k:
        return 0.0
    if wanted_k >= cool_k:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = (low + high) / 2
        below = mixed_cct_k(warm_k, cool_k, middle) < wanted_k
        low, high = (middle, high) if below else (low, middle)
    return (low + high) / 2


def uv_of_xy(x: float, y: float) -> tuple[float, float]:
    """Convert CIE 1931 x, y to CIE 1960 u, v: u = 4x / (12y - 2x + 3), v = 6y / (12y - 2x + 3)."""
    denominator = 12 * y - 2 * x + 3
    return 4 * x / denominator, 6 * y / denominator


def xy_of_uv(u: float, v: float) -> tuple[float, float]:
    """Convert CIE 1960 u, v to CIE 1931 x, y."""
    denominator = 2 * u - 8 * v + 4
    return 3 * u / denominator, 2 * v / denominator
