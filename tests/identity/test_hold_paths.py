"""Identity: codes and outputs are inverses, fades straight lines in stops, and noise scales as noise does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from contract.hold_studio import studio
from fillside.hold.fading.fader import BELOW_KNEE_S, fade
from fillside.hold.tracking.filter import Filter
from fillside.hold.tracking.noise import noise_of
from fillside.rig.scene.scene import scene


@pytest.mark.parametrize("curve", ["square", "linear", "log"])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_code_is_the_own_rounding_of_its_output(curve: str, bits: int) -> None:
    dimmers = scene(studio(bits=bits, curve=curve)).dimmers
    full = 2**bits - 1
    for code in {*range(256), *range(0, full + 1, 257), full}:
        codes = np.full(4, code)
        assert dimmers.codes(dimmers.outputs(codes)).tolist() == [code] * 4


lit = st.floats(0.05, 1.0)


@given(a=st.tuples(lit, lit), b=st.tuples(lit, lit), speed=st.floats(0.1, 6.0), share=st.floats(0.0, 1.0))
def test_above_the_knee_a_fade_is_a_straight_line_in_stops(
    a: tuple[float, float], b: tuple[float, float], speed: float, share: float
) -> None:
    start, goal, knee = np.array(a), np.array(b), np.array([0.05, 0.01])
    way = fade(start, goal, knee, speed)
    assert way.lasts_s == pytest.approx(float(np.abs(np.log2(goal / start)).max()) / speed)
    now = way.outputs(share * way.lasts_s)
    line = np.log2(start) + share * (np.log2(goal) - np.log2(start))
    assert np.log2(now) == pytest.approx(line, abs=1e-6)


@given(a=st.floats(0.0, 1.0), b=st.floats(0.0, 1.0), floor=st.floats(0.01, 0.4), speed=st.floats(0.1, 6.0))
def test_there_takes_as_long_as_back_and_never_turns(a: float, b: float, floor: float, speed: float) -> None:
    start, goal, knee = np.array([a]), np.array([b]), np.array([floor])
    there, back = fade(start, goal, knee, speed), fade(goal, start, knee, speed)
    assert there.lasts_s == pytest.approx(back.lasts_s, abs=1e-9)
    times = np.linspace(0.0, there.lasts_s, 50)
    path = [float(there.outputs(float(t))[0]) for t in times]
    mirrored = [float(back.outputs(float(back.lasts_s - t))[0]) for t in times]
    assert path == sorted(path, reverse=a > b)
    assert path == pytest.approx(mirrored, abs=1e-6)
    assert path[-1] == b


level = st.sampled_from([0.0, 0.005, 1.0]) | st.floats(0.0, 1.0)


@given(
    heads=st.lists(st.tuples(level, level, st.floats(0.01, 0.4)), min_size=2, max_size=5),
    speed=st.floats(0.1, 6.0),
)
@example(heads=[(0.5, 0.001, 0.1), (0.6, 0.3, 0.05)], speed=2.0)
@example(heads=[(0.001, 0.5, 0.1), (0.3, 0.6, 0.05), (0.7, 0.0, 0.2)], speed=2.0)
def test_no_head_turns_or_goes_on_whatever_the_others_still_have_to_do(
    heads: list[tuple[float, float, float]], speed: float
) -> None:
    """One that arrives while another goes on through its knee is still; none is ever led back."""
    start, goal, knee = (np.array(column) for column in zip(*heads, strict=True))
    way = fade(start, goal, knee, speed)
    path = np.array([way.outputs(float(at_s)) for at_s in np.linspace(0.0, way.lasts_s, 60)])
    assert (np.diff(path, axis=0) * np.sign(goal - start) >= -1e-9).all()
    assert path[0] == pytest.approx(start, abs=1e-9)
    assert path[-1].tolist() == goal.tolist()


def test_from_out_to_the_knee_takes_three_tenths_of_a_second_at_any_speed() -> None:
    for speed in (0.1, 1.0, 6.0):
        way = fade(np.array([0.0]), np.array([0.08]), np.array([0.08]), speed)
        assert way.lasts_s == pytest.approx(BELOW_KNEE_S)
        assert float(way.outputs(BELOW_KNEE_S / 4)[0]) == pytest.approx(0.02)


@given(scale=st.floats(0.2, 10.0), shift=st.floats(-5.0, 5.0), drift=st.floats(-0.05, 0.05))
def test_noise_scales_and_neither_place_nor_even_motion_changes_it(
    scale: float, shift: float, drift: float
) -> None:
    places = np.random.default_rng(3).normal(0.0, 0.05, (600, 3))
    plain = noise_of(places, 0.02)
    moved = noise_of(scale * places + shift + drift * np.arange(600)[:, np.newaxis], 0.02)
    assert plain is not None
    assert moved is not None
    assert np.sqrt(moved.one) == pytest.approx(scale * np.sqrt(plain.one), rel=1e-6)


def test_the_mean_of_exact_reports_is_their_place() -> None:
    seen = Filter()
    for k in range(2000):
        place = seen.report((0.3, -0.2, 1.1), k / 20)
    assert math.dist(place, (0.3, -0.2, 1.1)) < 1e-12
