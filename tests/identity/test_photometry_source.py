"""Identity: what any light of any disc must obey, whatever the numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fillside.photometry.source import LightSources, facing_lux, head_directions, receptor_lux

Vector = NDArray[np.float64]
RELAXED = settings(deadline=None, max_examples=60, derandomize=True)
FLAT, DOME = np.array([False]), np.array([True])


def unit(v: Vector) -> Vector:
    return np.asarray(v / np.linalg.norm(v))


def heads(count: int, seed: int, least_diameters: float = 0.5) -> LightSources:
    """Heads round the origin, half of them roughly aimed at it, at least so many diameters away."""
    chance = np.random.default_rng(seed)
    way = chance.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    diameter = chance.uniform(0.0, 1.5, count) * (chance.random(count) > 0.1)
    far = np.maximum(diameter * least_diameters * np.exp(chance.exponential(1.0, count)), 0.3)
    axis = -way + chance.normal(size=(count, 3)) * 0.4
    axis /= np.linalg.norm(axis, axis=1)[:, None]
    spread = chance.choice([0.0, 0.5, 1.0, 1.0, 3.0, 10.0, 20.0], count)
    intensity = chance.uniform(10, 5000, count)
    return LightSources(way * far[:, None], axis, intensity, spread, diameter, np.zeros(count))


seeds = st.integers(0, 10_000)
directions = st.builds(
    lambda z, turn: np.array(
        [math.sqrt(1 - z * z) * math.cos(turn), math.sqrt(1 - z * z) * math.sin(turn), z]
    ),
    st.floats(-1, 1),
    st.floats(0, 2 * math.pi),
)


@RELAXED
@given(seeds, directions, st.floats(0.1, 50))
def test_a_studio_grown_k_times_gives_a_k_squared_th_of_the_light(
    seed: int, facing: Vector, k: float
) -> None:
    small = heads(6, seed)
    large = replace(small, position=small.position * k, diameter_m=small.diameter_m * k)
    for dome in (FLAT, DOME):
        light = receptor_lux(small, np.zeros(3), facing[None], dome)
        grown = receptor_lux(large, np.zeros(3), facing[None], dome)
        assert grown * k * k == pytest.approx(light, rel=1e-4, abs=1e-5 * light.max())


@RELAXED
@given(seeds, directions, directions, st.floats(0, 2 * math.pi))
def test_a_turned_and_moved_studio_gives_the_same_light(
    seed: int, facing: Vector, about: Vector, turn: float
) -> None:
    cross = np.array([[0, -about[2], about[1]], [about[2], 0, -about[0]], [-about[1], about[0], 0]])
    spin = np.eye(3) + math.sin(turn) * cross + (1 - math.cos(turn)) * cross @ cross
    shift = np.array([3.0, -2.0, 1.0])
    still = heads(6, seed)
    axis = still.axis @ spin.T
    turned = replace(
        still,
        position=still.position @ spin.T + shift,
        axis=axis / np.linalg.norm(axis, axis=1)[:, None],
    )
    for dome in (FLAT, DOME):
        before = receptor_lux(still, np.zeros(3), facing[None], dome)
        after = receptor_lux(turned, shift, unit(spin @ facing)[None], dome)
        assert after == pytest.approx(before, rel=1e-4, abs=1e-5 * before.max())


@RELAXED
@given(seeds, directions)
def test_front_less_back_is_linear_in_the_facing(seed: int, facing: Vector) -> None:
    """E(n) - E(-n) = n . V with one light vector V, whole and cut discs alike (Gershun's light vector)."""
    studio = heads(8, seed)
    both = np.concatenate([np.eye(3), -np.eye(3), [facing], [-facing]])
    light = receptor_lux(studio, np.zeros(3), both, np.zeros(8, dtype=bool))
    vector = light[:3] - light[3:6]
    assert light[6] - light[7] == pytest.approx(facing @ vector, rel=1e-4, abs=1e-4 * light.max())


@RELAXED
@given(seeds, directions)
def test_domes_back_to_back_see_everything_once(seed: int, facing: Vector) -> None:
    """(1 + cos) / 2 and (1 - cos) / 2 add to one: the sum does not depend on the facing; the difference
    is n . V.
    """
    studio = heads(8, seed)
    axes = np.array([facing, -facing, [0, 0, 1], [0, 0, -1]])
    light = receptor_lux(studio, np.zeros(3), axes, np.ones(4, dtype=bool))
    assert light[0] + light[1] == pytest.approx(light[2] + light[3], rel=1e-9)
    flat = receptor_lux(studio, np.zeros(3), axes[:2], np.zeros(2, dtype=bool))
    assert light[0] - light[1] == pytest.approx(flat[0] - flat[1], rel=1e-4, abs=1e-4 * light.max())


@RELAXED
@given(seeds)
def test_a_receptor_turned_from_head_to_head_is_many_receptors(seed: int) -> None:
    studio, place = heads(5, seed), np.array([0.02, -0.01, 0.03])
    facing = head_directions(studio, place)
    each = [float(receptor_lux(studio, place, facing[k][None], FLAT)[0, k]) for k in range(5)]
    assert facing_lux(studio, place) == pytest.approx(each, rel=1e-9)


@RELAXED
@given(seeds)
def test_heads_alone_and_together_agree(seed: int) -> None:
    """A head's light does not depend on which other heads are in the rig, but for the error of the
    integral.
    """
    studio = heads(40, seed, least_diameters=0.4)
    axes = np.array([[0.0, -1, 0], [0.6, 0.8, 0], [0, 0, 1]])
    dome = np.array([True, False, False])
    together = receptor_lux(studio, np.zeros(3), axes, dome)
    for k in (0, 7, 39):
        alone = receptor_lux(studio.take([k]), np.zeros(3), axes, dome)
        assert together[:, [k]] == pytest.approx(alone, rel=1e-4, abs=1e-9)


@RELAXED
@given(seeds, st.floats(0, 1))
def test_setback_moves_the_disc_and_not_the_facing(seed: int, setback: float) -> None:
    studio = replace(heads(5, seed), setback_m=np.full(5, setback))
    moved = replace(studio, position=studio.position - setback * studio.axis, setback_m=np.zeros(5))
    facing = head_directions(studio, np.zeros(3))[None]
    assert facing_lux(studio, np.zeros(3)) == pytest.approx(
        receptor_lux(moved, np.zeros(3), facing, FLAT)[0], rel=1e-9
    )


@RELAXED
@given(st.sampled_from([0.0, 1.0, 4.0, 20.0]), st.floats(0, 1.2), directions)
def test_a_disc_seen_from_far_away_is_a_point(spread: float, slant: float, facing: Vector) -> None:
    axis = np.array([[math.sin(slant), 0.0, -math.cos(slant)]])
    row = np.ones(1)
    point = LightSources(np.array([[0.0, 0, 50]]), axis, row, row * spread, 0 * row, 0 * row)
    disc = replace(point, diameter_m=row * 0.05)
    expected = math.cos(slant) ** spread / 2500 * max(0.0, float(facing[2]))
    assert receptor_lux(point, np.zeros(3), facing[None], FLAT)[0, 0] == pytest.approx(expected, rel=1e-9)
    if abs(facing[2]) > 0.01:
        assert receptor_lux(disc, np.zeros(3), facing[None], FLAT)[0, 0] == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("height", [0.0, 1e-12, -1e-6, -0.3, -5.0])
@pytest.mark.parametrize("diameter", [0.0, 1.0])
@pytest.mark.parametrize("spread", [0.0, 1.0, 20.0])
def test_nothing_behind_or_in_the_plane_of_the_disc(height: float, diameter: float, spread: float) -> None:
    row = np.ones(1)
    head = LightSources(
        np.array([[0.2, 0, 0]]),
        np.array([[0.0, 0, 1]]),
        row,
        row * spread,
        row * diameter,
        0 * row,
    )
    place = np.array([0.0, 0, height])
    axes = np.array([[0.0, 0, -1], [0, 0, 1], [1, 0, 0]])
    for dome in (False, True):
        assert (receptor_lux(head, place, axes, np.full(3, dome)) == 0).all()


@RELAXED
@given(seeds, directions)
def test_light_is_finite_and_not_negative(seed: int, facing: Vector) -> None:
    studio = heads(20, seed, least_diameters=0.0)
    for dome in (FLAT, DOME):
        light = receptor_lux(studio, np.zeros(3), facing[None], dome)
        assert np.isfinite(light).all()
        assert (light >= 0).all()


def test_a_disc_sinking_below_the_horizon_fades_smoothly() -> None:
    """Whole, cut and dark meet: no step where one way of integrating takes over from another."""
    row = np.ones(1)
    head = LightSources(np.array([[0.0, 0, 1]]), np.array([[0.0, 0, -1]]), row, row, row, 0 * row)
    for edge in (math.atan(2.0), math.pi - math.atan(2.0)):
        tilt = edge + np.array([-2e-6, -1e-6, 1e-6, 2e-6])
        axes = np.stack([np.sin(tilt), 0 * tilt, np.cos(tilt)], axis=1)
        light = receptor_lux(head, np.zeros(3), axes, np.zeros(4, dtype=bool))[:, 0]
        assert np.abs(np.diff(light)).max() < 5e-6


def test_no_heads_give_no_light() -> None:
    none = heads(3, 1).take([])
    assert receptor_lux(none, np.zeros(3), np.eye(3), np.ones(3, dtype=bool)).shape == (3, 0)
    assert facing_lux(none, np.zeros(3)).shape == (0,)


def test_heads_chosen_by_mask_or_number_are_the_same_heads() -> None:
    studio = heads(4, 3)
    mask = np.array([False, True, False, True])
    assert facing_lux(studio.take(mask), np.zeros(3)) == pytest.approx(
        facing_lux(studio.take([1, 3]), np.zeros(3))
    )
    assert len(studio.take(mask)) == 2


BAD = [
    ("position", np.array([[math.nan, 0, 0]]), "not finite"),
    ("axis", np.array([[0.0, 0, 2]]), "unit length"),
    ("intensity_cd", np.array([-1.0]), "negative"),
    ("intensity_cd", np.array([math.inf]), "not finite"),
    ("spread", np.array([-0.1]), "negative"),
    ("diameter_m", np.array([-1.0]), "negative"),
    ("room_mean_lux", np.array([1.0, 2.0]), "shape"),
    ("room_mean_lux", np.array([-1.0]), "negative"),
    ("room_vector_lux", np.array([[0.1, 0.0, 0.0]]), "longer than twice"),
]


@pytest.mark.parametrize(("name", "value", "message"), BAD)
def test_impossible_heads_are_refused(name: str, value: Vector, message: str) -> None:
    with pytest.raises(ValueError, match=f"{name} .*{message}"):
        replace(heads(1, 2), **{name: value})


@pytest.mark.parametrize("place", [[math.nan, 0, 0], [0, math.inf, 0], [0, 0]])
def test_impossible_places_are_refused(place: list[float]) -> None:
    with pytest.raises(ValueError, match="point"):
        facing_lux(heads(1, 2), place)


def test_receptors_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        receptor_lux(heads(2, 2), np.zeros(3), np.eye(3), np.zeros(2, dtype=bool))
