"""Identity: tabled light of discs against fine cosine tables, plain summing and the inverse-square law."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fillside.photometry.distribution import Distribution, HeadDistributions
from fillside.photometry.source import LightSources, receptor_lux

Vector = NDArray[np.float64]
FLAT, DOME = np.array([False]), np.array([True])
EDGE = Distribution((0.0, 30.0, 40.0, 90.0), (1.0, 1.0, 0.1, 0.0))
WINGS = Distribution((0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 90.0), (1.0, 1.2, 1.5, 1.6, 0.9, 0.2, 0.0))


def cosine_table(spread: float) -> Distribution:
    angles = np.linspace(0, 90, 721)
    return Distribution(tuple(angles), tuple(np.cos(np.radians(angles)).clip(0) ** spread))


def disc(
    place: Vector, axis: Vector, radius: float, table: Distribution | None, spread: float = 1.0
) -> LightSources:
    one, none = np.ones(1), np.zeros(1)
    return LightSources(
        place[None],
        axis[None] / np.linalg.norm(axis),
        one,
        one * spread,
        one * 2 * radius,
        none,
        tabled=HeadDistributions.of([table]),
    )


def directions(z: float, turn: float) -> Vector:
    flat = math.sqrt(1 - z * z)
    return np.array([flat * math.cos(turn), flat * math.sin(turn), z])


unit_vectors = st.builds(directions, st.floats(-1, 1), st.floats(0, 2 * math.pi))


@settings(deadline=None, max_examples=150, derandomize=True)
@given(unit_vectors, unit_vectors, st.floats(0.6, 8), st.sampled_from([0.5, 1.0, 3.0, 10.0]))
def test_a_fine_table_of_a_cosine_is_that_cosine(
    way: Vector, facing: Vector, far: float, spread: float
) -> None:
    # Straight pieces of an eighth of a degree are off by the square of it: less than 1e-4 within 60 degrees.
    axis = -way + 0.3 * facing
    tabled = disc(way * far, axis, 0.5, cosine_table(spread))
    plain = replace(tabled, tabled=None, spread=np.array([spread]))
    for dome in (FLAT, DOME):
        expected = receptor_lux(plain, np.zeros(3), facing[None], dome)
        most = receptor_lux(plain, np.zeros(3), way[None], FLAT).max()
        found = receptor_lux(tabled, np.zeros(3), facing[None], dome)
        assert found == pytest.approx(expected, rel=2e-3, abs=2e-4 * most + 1e-12)


@pytest.mark.parametrize("table", [EDGE, WINGS], ids=["edge", "wings"])
@pytest.mark.parametrize("far", [0.4, 1.0, 3.0])
@pytest.mark.parametrize("turned", [0.0, 20.0, 55.0])
@pytest.mark.parametrize("tilt", [0.0, 60.0, 85.0, 95.0])
def test_it_is_what_summing_over_small_pieces_finds(
    table: Distribution, far: float, turned: float, tilt: float
) -> None:
    radius, axis = 0.5, np.array([math.sin(math.radians(turned)), 0.0, -math.cos(math.radians(turned))])
    across = np.array([math.cos(math.radians(turned)), 0.0, math.sin(math.radians(turned))])
    centre = np.array([0.0, 0.0, far])
    facing = np.array(
        [0.6 * math.sin(math.radians(tilt)), 0.8 * math.sin(math.radians(tilt)), math.cos(math.radians(tilt))]
    )

    rings, turns = 500, 1000
    ring = (np.arange(rings) + 0.5) / rings * radius
    turn = (np.arange(turns) + 0.5) / turns * 2 * math.pi
    flat = ring[:, None, None] * (
        np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * np.array([0.0, 1.0, 0.0])
    )
    place = centre + flat
    far_m = np.sqrt((place * place).sum(axis=-1))
    leaving, arriving = -(place @ axis) / far_m, (place @ facing) / far_m
    angle = np.degrees(np.arccos(np.clip(leaving, -1, 1)))
    shape = np.where(leaving > 0, np.interp(angle, table.angles_deg, table.relative), 0.0)
    pieces = shape * np.maximum(arriving, 0) / far_m**2
    expected = float((pieces.mean(axis=1) * ring).sum() / ring.sum())
    head = disc(centre, axis, radius, table)
    found = receptor_lux(head, np.zeros(3), facing[None], FLAT)[0, 0]
    scale = receptor_lux(head, np.zeros(3), np.array([[0.0, 0.0, 1.0]]), FLAT)[0, 0]
    # The pieces are a thousandth of the disc wide; a horizon between them costs the square of that.
    assert found == pytest.approx(expected, rel=1e-4, abs=2e-5 * scale)


def test_far_away_it_is_the_inverse_square_law() -> None:
    for far in (30.0, 300.0):
        lux = receptor_lux(
            disc(np.array([0, 0, far]), np.array([0, 0, -1.0]), 0.5, WINGS),
            np.zeros(3),
            np.array([[0, 0, 1.0]]),
            FLAT,
        )
        assert lux[0, 0] == pytest.approx(1 / far**2, rel=1.5 * (0.5 / far) + 1e-6)


def test_a_point_is_the_limit_of_small_discs() -> None:
    place, axis, facing = np.array([0.4, 0.1, 2.0]), np.array([0.0, 0.1, -1.0]), np.array([[0.0, 0.0, 1.0]])
    point = receptor_lux(disc(place, axis, 0.0, WINGS), np.zeros(3), facing, FLAT)[0, 0]
    small = receptor_lux(disc(place, axis, 1e-3, WINGS), np.zeros(3), facing, FLAT)[0, 0]
    assert small == pytest.approx(point, rel=1e-5)


def test_behind_the_plane_there_is_nothing_whatever_the_table_says() -> None:
    all_round = Distribution((0.0, 180.0), (1.0, 1.0))
    behind = disc(np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0]), 0.3, all_round)
    assert receptor_lux(behind, np.zeros(3), np.array([[0, 0, 1.0]]), FLAT)[0, 0] == 0


def test_heads_with_and_without_a_table_stand_beside_each_other() -> None:
    none = np.zeros(3)
    heads = LightSources(
        np.array([[0, 0, 2.0], [1, 0, 2.0], [0, 1, 2.0]]),
        np.tile([[0, 0, -1.0]], (3, 1)),
        np.full(3, 100.0),
        np.array([1.0, 5.0, 1.0]),
        np.full(3, 0.4),
        none,
        tabled=HeadDistributions.of([EDGE, None, WINGS]),
    )
    facing = np.array([[0.0, 0.0, 1.0]])
    together = receptor_lux(heads, np.zeros(3), facing, FLAT)[0]
    for i in range(3):
        alone = receptor_lux(heads.take([i]), np.zeros(3), facing, FLAT)[0, 0]
        assert together[i] == pytest.approx(alone, rel=1e-5)
    assert heads.take([1]).tabled is None
    assert heads.take(np.array([False, True, True])).tabled is not None


@pytest.mark.parametrize(
    ("angles", "relative", "says"),
    [
        ((0.0,), (1.0,), "equally many, two or more"),
        ((0.0, 90.0), (1.0,), "equally many"),
        ((0.0, 90.0), (1.0, -1.0), "0 or more"),
        ((0.0, 90.0), (1.0, math.nan), "finite"),
        ((10.0, 90.0), (1.0, 0.0), "start at 0"),
        ((0.0, 90.0, 90.0), (1.0, 0.5, 0.0), "rise strictly"),
        ((0.0, 190.0), (1.0, 0.0), "180"),
        ((0.0, 90.0), (0.5, 0.0), "must be 1"),
    ],
)
def test_what_is_no_distribution_is_refused(
    angles: tuple[float, ...], relative: tuple[float, ...], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        Distribution(angles, relative)
