"""Identity: a window is a small even source: inverse square, cosine, dome law, and no light gives none."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from fillside.photometry.window_light import WindowLight

MARK = (0.0, 0.0, 1.2)
FAINT_LUX = 0.1
"""A window of less light than this counts as none, smoothly: half of it is what none then shows at most."""
AXES = np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [-0.6, 0.0, 0.8]])


def shown(window: WindowLight, place: tuple[float, float, float], axes: np.ndarray, dome: bool) -> np.ndarray:
    return window.on(np.tile(place, (len(axes), 1)), axes, np.full(len(axes), dome))


def test_at_the_mark_it_gives_what_it_says_by_the_cosine() -> None:
    window = WindowLight(MARK, (-60.0, 0.0, 0.0), 2.1)
    assert shown(window, MARK, AXES, False) == pytest.approx([0.0, 60.0, FAINT_LUX / 2, 36.0], abs=0.01)
    assert shown(window, MARK, AXES, True) == pytest.approx([0.0, 60.0, 30.0, 48.0], abs=FAINT_LUX)


@pytest.mark.parametrize("nearer_m", [-1.0, 0.3, 1.0])
def test_along_its_line_it_falls_with_the_square_of_the_distance(nearer_m: float) -> None:
    """On a flat receptor and a dome that face it; a dome that looks past it has half of it."""
    window = WindowLight(MARK, (-60.0, 0.0, 0.0), 2.1)
    place, there = (-nearer_m, 0.0, 1.2), 60.0 * (2.1 / (2.1 - nearer_m)) ** 2
    assert shown(window, place, AXES[1:2], False)[0] == pytest.approx(there, rel=0.01)
    assert shown(window, place, AXES[1:3], True) == pytest.approx([there, there / 2], rel=0.01)


@pytest.mark.parametrize("place", [MARK, (0.05, -0.1, 1.25), (0.6, 0.4, 1.0)])
@pytest.mark.parametrize("dome", [False, True])
def test_a_window_of_next_to_no_light_shines_from_nowhere(
    place: tuple[float, float, float], dome: bool
) -> None:
    """It gives a meter about as much as it says, never many times that as a source beside the meter would."""
    for lux in (0.0, 1e-4, 1e-3, 1e-2, 0.1):
        window = WindowLight(MARK, (-0.6 * lux, 0.0, 0.8 * lux), 2.1)
        nearest = 2.1 - math.dist(MARK, place)
        most = (lux + FAINT_LUX / 2) * (2.1 / nearest) ** 2
        assert shown(window, place, AXES, dome).max() <= most


def test_its_light_grows_with_what_it_says_from_none_on() -> None:
    light = [shown(WindowLight(MARK, (-lux, 0.0, 0.0), 2.1), MARK, AXES[1:2], False)[0] for lux in GROWING]
    for (one, less), (other, more) in pairwise(zip(GROWING, light, strict=True)):
        assert 0.4 * (other - one) < more - less < 1.1 * (other - one)


GROWING = np.array([0.0, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0])
