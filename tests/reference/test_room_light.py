"""Reference: light that a room sends back, against the law of the integrating sphere and known fields.

Sources, from memory: Walsh, "Photometry" (the integrating sphere); Cuttle, "Lighting by Design" (scalar
illuminance and the illumination vector); Lambert's cosine law.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillside.photometry.distribution import Distribution, HeadDistributions
from fillside.photometry.room_light import RoomLight, flux_lm, received_lux, sphere_mean_lux
from fillside.photometry.source import LightSources, receptor_lux
from fillside.rig.tables.room import Room, RoomTone

ONE = np.ones(1)


def bounces(flux_lm: float, radius_m: float, reflectance: float) -> float:
    """The light on the wall of a sphere, bounce by bounce: each lights the whole wall evenly."""
    total, sent = 0.0, flux_lm * reflectance
    while sent > 1e-12:
        total += sent / (4 * math.pi * radius_m**2)
        sent *= reflectance
    return total


@pytest.mark.parametrize("reflectance", [0.0, 0.1, 0.5, 0.9])
def test_the_sphere_s_law_is_the_sum_of_all_bounces(reflectance: float) -> None:
    found = sphere_mean_lux(np.array([1000.0]), 4 * math.pi * 0.5**2, reflectance)
    assert found == pytest.approx(bounces(1000.0, 0.5, reflectance), rel=1e-9)


def test_the_sphere_s_law_for_a_room_worked_by_hand() -> None:
    """3 x 4 x 3 m: 66 m2, of which walls 42 at 0.5, ceiling 12 at 0.8, floor 12 at 0.2, so rho = 33 / 66; of
    3300 lm it sends back 3300 x 0.5 / (66 x 0.5) = 50 lx."""
    room = Room(size=(3.0, 4.0, 3.0), tone=RoomTone(walls=0.5, ceiling=0.8, floor=0.2))
    assert (room.surface_m2, room.mean_reflectance) == (66.0, pytest.approx(0.5))
    assert sphere_mean_lux(np.array([3300.0]), 66.0, 0.5) == pytest.approx(50.0)


def head(spread: float, table: Distribution | None = None) -> LightSources:
    return LightSources(
        np.zeros((1, 3)),
        np.array([[0.0, 0.0, -1.0]]),
        100 * ONE,
        spread * ONE,
        0 * ONE,
        0 * ONE,
        tabled=HeadDistributions.of([table]),
    )


def test_the_flux_of_a_matt_disc_is_pi_times_its_intensity() -> None:
    """Lambertian emitter; a spread of 0 is even over a hemisphere of 2 pi steradian."""
    assert flux_lm(head(1.0)) == pytest.approx(100 * math.pi)
    assert flux_lm(head(0.0)) == pytest.approx(100 * 2 * math.pi)


def test_the_flux_of_a_tabled_head_counts_what_leaves_backward() -> None:
    """Even in all directions: 4 pi steradian."""
    even = Distribution((0.0, 90.0, 180.0), (1.0, 1.0, 1.0))
    assert flux_lm(head(1.0, even)) == pytest.approx(100 * 4 * math.pi, rel=1e-6)


def directions(count: int = 20_000) -> np.ndarray:
    """Points spread evenly over the unit sphere, along a spiral."""
    z = (np.arange(count) + 0.5) / count * 2 - 1
    turn = np.arange(count) * math.pi * (3 - math.sqrt(5))
    across = np.sqrt(1 - z * z)
    return np.stack([across * np.cos(turn), across * np.sin(turn), z], axis=1)


def test_flat_and_dome_under_a_sky_that_brightens_toward_one_side() -> None:
    """Radiance 1 + x over all directions, summed: scalar illuminance 4 pi, vector 4 pi / 3 along x, and a
    quarter and a half of them are what the receptors show: pi (1 + 2/3 cos) flat, 2 pi (1 + cos / 3) dome."""
    ways = directions()
    light = RoomLight(math.pi, (2 * math.pi / 3, 0.0, 0.0))
    axes = np.array([[1.0, 0, 0], [-1, 0, 0], [0, 1, 0], [0.6, 0.8, 0]])
    falling = (1 + ways[:, 0]) * 4 * math.pi / len(ways)
    cosines = axes @ ways.T
    flat = (np.maximum(cosines, 0) * falling).sum(axis=1)
    dome = ((1 + cosines) / 2 * falling).sum(axis=1)
    assert light.on(axes, np.zeros(4, dtype=bool)) == pytest.approx(flat, rel=2e-3)
    assert light.on(axes, np.ones(4, dtype=bool)) == pytest.approx(dome, rel=2e-3)


def test_room_light_comes_on_top_of_direct_light() -> None:
    """100 cd at 2 m: 25 lx on a receptor that faces the head, none on its back; the room adds 4 lx."""
    lit = LightSources(
        np.array([[0.0, 0, 2.0]]),
        np.array([[0.0, 0, -1.0]]),
        100 * ONE,
        ONE,
        0 * ONE,
        0 * ONE,
        4 * ONE,
    )
    axes, flat = np.array([[0.0, 0, 1], [0, 0, -1]]), np.zeros(2, dtype=bool)
    assert received_lux(lit, np.zeros(3), axes, flat)[:, 0] == pytest.approx([29.0, 4.0])
    assert receptor_lux(lit, np.zeros(3), axes, flat)[:, 0] == pytest.approx([25.0, 0.0])
