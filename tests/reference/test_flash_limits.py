"""Reference: the flash limiter against the published thresholds of a flash.

WCAG 2.x (success criterion 2.3.1 and its definition of a general flash) and ITU-R BT.1702 as public summaries
state it. A flash is a pair of opposite changes; both count it only from a threshold on.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from fillside.hold.fading.flash_limiter import MOST_TURNS, FlashLimiter
from fillside.photometry.distribution import Distribution

MOST_FLASHES = 3
"""General flashes in any one second (WCAG 2.3.1; BT.1702)."""
FRAME_S = 1 / 44
WCAG_CHANGE, WCAG_DARK = 0.10, 0.80
"""A change of a tenth of the maximum relative luminance or more, with the darker state below 0.80."""
BT_1702_CHANGE, BT_1702_DARK = 20.0, 160.0
"""A change of 20 cd/m2 or more, with the darker state below 160 cd/m2."""


def turns_let_through(low: float, high: float, seconds: float = 5.0) -> list[float]:
    """Times of the changes between two outputs of one head that were admitted, asked for with every frame."""
    limiter = FlashLimiter(np.array([low]), has_moved=True)
    shown, sent = low, []
    for k in range(round(seconds / FRAME_S)):
        wanted = high if shown == low else low
        if limiter.admit(np.array([wanted]), k * FRAME_S):
            shown = wanted
            sent.append(k * FRAME_S)
    return sent


def assert_harmless(times: list[float]) -> None:
    # Opposite changes alternate, so a fourth flash needs an eighth change; the limiter allows not half of it.
    assert len(times) > MOST_TURNS
    assert max(sum(a <= b < a + 1 for b in times) for a in times) <= MOST_TURNS < 2 * MOST_FLASHES
    assert all(b > a for a, b in pairwise(times))


@pytest.mark.parametrize("dark", [0.0, 0.01, 0.1, 0.3, 0.5, 0.7, 0.7999])
@pytest.mark.parametrize("more", [1.0, 1.5, 2.0])
def test_every_general_flash_of_wcag_counts(dark: float, more: float) -> None:
    assert_harmless(turns_let_through(dark, min(1.0, dark + more * WCAG_CHANGE)))


# E = pi L / rho on a matt surface: lux of 20 and of 160 cd/m2 at reflectances of white, skin and middle grey.
LUX = [
    (0.9, 69.81317007977317, 558.5053606381854),
    (0.35, 179.51958020513104, 1436.1566416410483),
    (0.18, 349.0658503988659, 2792.5268031909272),
]


@pytest.mark.parametrize(("reflectance", "change_lux", "dark_lux"), LUX)
@pytest.mark.parametrize("full_over_dark", [1.125, 2.0, 10.0])
@pytest.mark.parametrize("share_of_dark", [0.0, 0.25, 1.0])
def test_every_flash_of_bt_1702_counts(
    reflectance: float, change_lux: float, dark_lux: float, full_over_dark: float, share_of_dark: float
) -> None:
    """For a head that at full gives up to ten times the light of the brightest such dark state."""
    assert change_lux * reflectance / math.pi == pytest.approx(BT_1702_CHANGE, rel=1e-9)
    assert dark_lux * reflectance / math.pi == pytest.approx(BT_1702_DARK, rel=1e-9)
    full_lux = full_over_dark * dark_lux
    low, high = share_of_dark * dark_lux / full_lux, (share_of_dark * dark_lux + change_lux) / full_lux
    assert_harmless(turns_let_through(low, min(high, 1.0)))


def test_what_is_no_flash_is_not_held_up() -> None:
    """A twentieth of a stop, 3.5 %, to and fro is below both thresholds, and every frame of it leaves."""
    assert len(turns_let_through(0.5, 0.5 * 2**0.05, seconds=1.0)) == 44


def test_the_area_that_wcag_exempts() -> None:
    """A quarter of a field of 10 degrees: 2 pi (1 - cos 5) / 4 = 0.005977354 sr, printed as 0.006 sr."""
    even = Distribution((0.0, 180.0), (1.0, 1.0))
    assert even.flux_lm_per_cd(0, 5) / 4 == pytest.approx(0.00597735426, abs=0.5001e-11)
