"""Colour differences between heads, screens and room light: which matter and what would match them."""

from __future__ import annotations

import math
from collections.abc import Mapping

from fillside.planning.answer import Answer

ONE_STEP_UV = 0.0011
"""Radius in CIE 1976 u', v' of a circle of one step (CIE TN 001:2014, from memory)."""
SEEN_STEPS = 3.0
"""Steps from which side-by-side light is taken as seen to differ (common practice, no source)."""
MINOR_SHARE = 0.03
"""A source with less than this share of the light on the face is named, but not taken to matter."""

ASSUMES = (
    "colour temperatures as stated on the lamps; lamps of one temperature can still differ toward green or "
    "magenta, which only a colour meter or a grey card shows"
)


def mired(cct_k: float) -> float:
    """Reciprocal megakelvin of a colour temperature [K]: 10^6 / T (Judd, J. Opt. Soc. Am. 23, 7, 1933).

    >>> mired(3200)
    312.5
    """
    if cct_k <= 0:
        raise ValueError("a colour temperature is above 0 K")
    return 1e6 / cct_k


def shift_mired(from_cct_k: float, to_cct_k: float) -> float:
    """The shift of a filter that makes light of one colour temperature look like another, in mired.

    Negative cools, positive warms.

    >>> round(shift_mired(3200, 5600), 1)
    -133.9
    """
    return mired(to_cct_k) - mired(from_cct_k)


def cct_after_shift_k(cct_k: float, filter_mired: float) -> float:
    """The colour temperature [K] behind a filter of the given shift [mired].

    >>> round(cct_after_shift_k(3200, -133.92857))
    5600
    """
    behind = mired(cct_k) + filter_mired
    if behind <= 0:
        raise ValueError("no colour temperature lies beyond a shift to 0 mired")
    return 1e6 / behind


def mccamy_cct_k(x: float, y: float) -> float:
    """Correlated colour temperature [K] of a CIE 1931 chromaticity near the Planckian locus.

    C. S. McCamy, Color Research and Application 17, 142 (1992): n = (x - 0.3320) / (0.1858 - y),
    CCT = 449 n^3 + 3525 n^2 + 6823.3 n + 5520.33; good to about 2 K between illuminants A and D65.

    >>> round(mccamy_cct_k(0.44758, 0.40745), 2)
    2857.13
    """
    n = (x - 0.3320) / (0.1858 - y)
    return 449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33


def duv(x: float, y: float) -> float:
    """Signed distance from the Planckian locus in CIE 1960 u, v: above 0 is greenish, below pinkish.

    Y. Ohno, Leukos 10, 47 (2014), the polynomial that ANSI C78.377 uses.

    >>> round(duv(0.31271, 0.32902), 4)
    0.0032
    """
    denominator = -2 * x + 12 * y + 3
    u, v = 4 * x / denominator, 6 * y / denominator
    length = math.hypot(u - 0.292, v - 0.24)
    a = math.acos((u - 0.292) / length)
    terms = (-0.471106, 1.925865, -2.4243787, 1.5317403, -0.5179722, 0.0893944, -0.00616793)
    return length - sum(k * a**power for power, k in enumerate(terms))


def planckian_uv(cct_k: float) -> tuple[float, float]:
    """CIE 1960 u, v of a black body at a temperature of 1000 to 15000 K.

    M. Krystek, Color Research and Application 10, 38 (1985), rational approximations;
    within 1e-4 of the locus in u and v.
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


def uv_per_mired(cct_k: float) -> float:
    """How far one mired moves the black body's CIE 1976 u', v' = (u, 1.5 v) at a temperature [K]."""
    low, high = planckian_uv(1e6 / (mired(cct_k) - 0.5)), planckian_uv(1e6 / (mired(cct_k) + 0.5))
    return math.hypot(high[0] - low[0], 1.5 * (high[1] - low[1]))


def steps_apart(cct_k: float, other_cct_k: float) -> float:
    """How many one-step circles two black-body colours lie apart, taken at the middle of the two in mired."""
    apart = abs(shift_mired(cct_k, other_cct_k))
    middle_k = min(max(2e6 / (mired(cct_k) + mired(other_cct_k)), 1000.0), 15_000.0)
    return apart * uv_per_mired(middle_k) / ONE_STEP_UV


class ColourAnswer(Answer):
    """One source against the key: its filter shift to match [mired], and whether the difference matters.

    `shift_mired` is what a filter on this source would have to do, negative cools; `light_share` is its part
    of the light on the face at the planned levels, None where it lights something else or is not known.
    """

    source: str
    cct_k: float
    against: str
    shift_mired: float
    steps: float
    light_share: float | None
    matters: bool
    do: str | None


def _advice(source: str, shift: float, cct_k: float, key_cct_k: float) -> str:
    way = "cooling" if shift < 0 else "warming"
    return (
        f"{source}: a {way} filter of about {shift:+.0f} mired, or a lamp of {key_cct_k:.0f} K, would match "
        f"it to the key; left alone it looks {'warmer' if cct_k < key_cct_k else 'bluer'} than the key"
    )


def colour_answers(
    ccts_k: Mapping[str, float], against: str, shares: Mapping[str, float]
) -> tuple[ColourAnswer, ...]:
    """Every source of `ccts_k` against the one named `against`, largest difference first.

    `shares` gives each source's part of the light on the face (0..1); a source that is not in it matters
    whenever it is seen to differ: a screen, the room, a light on hair or wall.
    """
    key_k = ccts_k[against]
    answers = []
    for source, cct_k in ccts_k.items():
        if source == against:
            continue
        share = shares.get(source)
        steps, shift = steps_apart(cct_k, key_k), shift_mired(cct_k, key_k)
        matters = steps >= SEEN_STEPS and (share is None or share >= MINOR_SHARE)
        answers.append(
            ColourAnswer(
                source=source,
                cct_k=cct_k,
                against=against,
                shift_mired=shift,
                steps=steps,
                light_share=share,
                matters=matters,
                do=_advice(source, shift, cct_k, key_k) if matters else None,
            )
        )
    return tuple(sorted(answers, key=lambda a: -abs(a.shift_mired)))
