"""Identity: room light as mean and vector is even where it must be, linear, and the most even that fits."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.photometry.room_light import RoomLight, received_lux, room_lux, smoothest_room_light
from fillside.photometry.source import LightSources

Vector = npt.NDArray[np.float64]

seeds = st.integers(0, 100_000)


def unit(vector: Vector) -> Vector:
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))


def axes_of(rng: np.random.Generator, count: int) -> Vector:
    return unit(rng.normal(size=(count, 3)))


@given(seeds)
def test_in_even_light_a_dome_shows_exactly_twice_what_a_flat_receptor_shows(seed: int) -> None:
    rng = np.random.default_rng(seed)
    axes, even = axes_of(rng, 5), RoomLight(float(rng.uniform(0, 500)))
    flat, dome = (even.on(axes, np.full(5, own)) for own in (False, True))
    assert (dome == 2 * flat).all()
    assert (flat == even.mean_lux).all()


@given(seeds)
def test_no_receptor_shows_less_than_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mean = rng.uniform(0, 10, 4)
    vector = axes_of(rng, 4) * (mean * rng.uniform(0, 2, 4))[:, None]
    lux = room_lux(mean, vector, axes_of(rng, 30), rng.random(30) < 0.5)
    assert lux.shape == (30, 4)
    assert (lux >= 0).all()


@given(seeds)
def test_room_light_grows_with_the_heads_and_adds_up(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mean, factors = rng.uniform(0, 10, 3), rng.uniform(0, 3, 3)
    sources = LightSources(
        rng.normal(size=(3, 3)) * 3 + [0, 0, 6],
        axes_of(rng, 3),
        rng.uniform(1, 100, 3),
        rng.uniform(0, 3, 3),
        np.zeros(3),
        np.zeros(3),
        mean,
        axes_of(rng, 3) * mean[:, None],
    )
    axes, dome = axes_of(rng, 6), np.arange(6) % 2 == 0
    brighter = received_lux(sources.scaled(factors), np.zeros(3), axes, dome)
    assert brighter == pytest.approx(received_lux(sources, np.zeros(3), axes, dome) * factors)
    one = received_lux(sources.take([1]), np.zeros(3), axes, dome)[:, 0]
    assert one == pytest.approx(received_lux(sources, np.zeros(3), axes, dome)[:, 1])


@given(seeds)
def test_axes_of_each_head_give_what_one_axis_gives(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mean = rng.uniform(0, 10, 4)
    vector, axes, dome = axes_of(rng, 4) * mean[:, None], axes_of(rng, 3), np.array([True, False, False])
    each = np.repeat(axes[:, None, :], 4, axis=1)
    assert room_lux(mean, vector, each, dome) == pytest.approx(room_lux(mean, vector, axes, dome))


def three_receptors(rng: np.random.Generator) -> tuple[Vector, npt.NDArray[np.bool_]]:
    """Toward a key, toward a fill and toward a camera, each well apart from the others."""
    around = np.radians([40 + rng.uniform(-15, 15), -45 + rng.uniform(-15, 15), rng.uniform(-10, 10)])
    up = np.radians(rng.uniform(-5, 35, 3))
    axes = np.stack([np.cos(up) * np.sin(around), -np.cos(up) * np.cos(around), np.sin(up)], axis=1)
    return axes, np.array([False, False, bool(rng.random() < 0.5)])


@given(seeds)
@settings(max_examples=300)
def test_three_numbers_of_a_real_room_are_reproduced_exactly_and_most_evenly(seed: int) -> None:
    rng = np.random.default_rng(seed)
    axes, dome = three_receptors(rng)
    mean = float(rng.uniform(0.1, 100))
    x, y, z = axes_of(rng, 1)[0] * mean * rng.uniform(0, 0.95)
    true = RoomLight(mean, (float(x), float(y), float(z)))
    shown = true.on(axes, dome)
    found = smoothest_room_light(shown.tolist(), axes, dome)
    assert found.on(axes, dome) == pytest.approx(shown, rel=1e-7, abs=1e-9)
    length = math.hypot(*found.vector_lux)
    assert length <= math.hypot(*true.vector_lux) * (1 + 1e-9) + 1e-9
    assert length <= 2 * found.mean_lux * (1 + 1e-9)


def test_even_light_is_found_even() -> None:
    axes, dome = three_receptors(np.random.default_rng(1))
    found = smoothest_room_light([8.0, 8.0, 16.0 if dome[2] else 8.0], axes, dome)
    assert found.mean_lux == pytest.approx(8.0)
    assert found.vector_lux == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_one_number_says_even_light() -> None:
    ahead = np.array([[0.0, -1.0, 0.0]])
    assert smoothest_room_light([9.0], ahead, [False]).mean_lux == pytest.approx(9.0)
    assert smoothest_room_light([9.0], ahead, [True]).mean_lux == pytest.approx(4.5)
    assert smoothest_room_light([0.0, 0.0], np.eye(3)[:2], [False, True]) == RoomLight(0.0)


@given(seeds)
@settings(max_examples=200)
def test_numbers_that_no_room_gives_are_met_as_nearly_as_can_be(seed: int) -> None:
    """Nothing else within the bound comes nearer, its own size counted a little: random lights are tried."""
    rng = np.random.default_rng(seed)
    axes, dome = three_receptors(rng)
    shown = np.where(rng.random(3) < 0.3, 0.0, rng.uniform(0, 100, 3))
    found = smoothest_room_light(shown.tolist(), axes, dome)
    assert math.hypot(*found.vector_lux) <= 2 * found.mean_lux * (1 + 1e-9)
    seen = np.concatenate([np.where(dome, 2.0, 1.0)[:, None], axes], axis=1)

    def error(light: Vector) -> float:
        return float(np.sum((seen @ light - shown) ** 2) + 1e-3 * np.sum(light**2))

    own = np.array([found.mean_lux, *found.vector_lux])
    exact = np.abs(seen @ own - shown).max() <= 1e-9 * shown.max()
    for _ in range(200):
        tried = own + rng.normal(size=4) * 10 ** rng.uniform(-3, 1)
        if tried[0] >= 0 and np.linalg.norm(tried[1:]) <= 2 * tried[0]:
            assert exact or error(own) <= error(tried) * (1 + 1e-6)
