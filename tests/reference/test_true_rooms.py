"""The rooms that the belief is judged in, against closed forms; and the product's room light against them."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import numpy as np
import pytest

from fillside.photometry.room_light import received_lux, sphere_mean_lux
from fillside.photometry.source import LightSources, receptor_lux
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from truth import lamps, radiosity, studio
from truth.lamps import TrueLamp, Vector, dome, flat
from truth.radiosity import Room
from truth.studio import TONES, Ways, true_studio

# Flat receptors spread evenly over the sphere (A. Gonzalez, Mathematical Geosciences 42, 2010).
_SPREAD = np.arange(48) + 0.5
_HEIGHT, _TURN = 1 - _SPREAD / 24, math.pi * (1 + math.sqrt(5)) * _SPREAD
DIRECTIONS = np.stack(
    [np.cos(_TURN) * np.sqrt(1 - _HEIGHT**2), np.sin(_TURN) * np.sqrt(1 - _HEIGHT**2), _HEIGHT], axis=1
)


def room(tone: str = "average", patch_m: float = 0.35, size: tuple[float, ...] = (3.6, 4.2, 2.5)) -> Room:
    walls, ceiling, floor = TONES[tone]
    return Room(np.array([-1.8, -2.4, 0.0]), np.array(size), (walls,) * 4 + (floor, ceiling), patch_m)


def disc(spread: float = 1.0, position: Vector | None = None) -> TrueLamp:
    """An even flat disc of 0.9 m and 1000 cd that sends nothing back."""
    at = np.array([1.1, -1.0, 1.9]) if position is None else position
    return TrueLamp("key", "key", at, np.array([0.0, 0.0, 1.2]), 1000.0, 0.9, 0.0, 0.0, spread, 0.0, np.array)


def rows_of(own: Room, lamp: TrueLamp, place: Vector) -> Vector:
    """Room light on flat receptors along `DIRECTIONS` at a place [lux]."""
    exitance = own.exitance(lamp.lux(own.centre, own.normal, flat)[:, None])[:, 0]
    return np.array([own.receptor_weights(place, axis, False) @ exitance for axis in DIRECTIONS])


@pytest.mark.parametrize("size", [(3.6, 4.2, 2.5), (1.0, 1.0, 1.0), (2.8, 6.0, 3.2)])
def test_all_light_of_a_patch_reaches_the_others(size: tuple[float, float, float]) -> None:
    # Closure and reciprocity of form factors in a closed room: any textbook of heat transfer.
    own = room(size=size)
    factors = own.form_factors
    assert factors.sum(axis=1) == pytest.approx(1.0, abs=1e-9)
    exchanged = own.area[:, None] * factors
    assert exchanged == pytest.approx(exchanged.T, abs=1e-12)


def test_the_faces_of_a_cube_see_one_another_as_a_catalog_has_it() -> None:
    # J. R. Howell, A Catalog of Radiation Heat Transfer Configuration Factors, C-11 and C-14 at a = b = c,
    # from memory: 0.19982 to the opposite face, and by closure (1 - 0.19982) / 4 to each of the others.
    own = Room(np.zeros(3), np.ones(3), (0.5,) * 6, 0.25)
    exchanged = own.area[:, None] * own.form_factors
    between = np.array(
        [[exchanged[np.ix_(own.wall == i, own.wall == j)].sum() for j in range(6)] for i in range(6)]
    )
    assert between[0, 1] == pytest.approx(0.19982, abs=1e-5)
    assert between[0, 2:] == pytest.approx((1 - 0.19982) / 4, abs=1e-5)


@pytest.mark.parametrize("reflectance", [0.1, 0.5, 0.9])
def test_even_light_in_an_even_room_is_a_geometric_series(reflectance: float) -> None:
    # M = M0 + rho M: Goral et al. 1984, with all form factors of a row adding up to 1.
    own = Room(np.zeros(3), np.array([3.0, 4.0, 2.5]), (reflectance,) * 6)
    glowing = np.ones((len(own.area), 1))
    assert own.exitance(0 * glowing, glowing) == pytest.approx(1 / (1 - reflectance), rel=1e-9)


@pytest.mark.parametrize("place", [(0.0, 0.0, 1.2), (0.6, 0.4, 0.9)])
def test_in_even_light_a_flat_receptor_shows_it_and_a_dome_twice_that(
    place: tuple[float, float, float],
) -> None:
    own = room()
    for axis in DIRECTIONS[::6]:
        assert own.receptor_weights(np.array(place), axis, False).sum() == pytest.approx(1.0, rel=0.01)
        assert own.receptor_weights(np.array(place), axis, True).sum() == pytest.approx(2.0, rel=0.01)


def test_patches_are_small_enough() -> None:
    lamp, place = disc(), np.array([0.0, 0.0, 1.2])
    coarse, fine = (rows_of(room(patch_m=size), lamp, place).mean() for size in (0.5, 0.25))
    assert coarse == pytest.approx(fine, rel=0.005)


@pytest.mark.parametrize("spread", [0.8, 1.0, 1.7])
@pytest.mark.parametrize("place", [(0.0, 0.0, 1.2), (0.7, -0.4, 1.1)])
def test_an_even_disc_lights_as_the_product_has_it(spread: float, place: tuple[float, float, float]) -> None:
    lamp = disc(spread)
    sources = LightSources(
        lamp.position[None],
        lamp.axis[None],
        np.array([1000.0]),
        np.array([spread]),
        np.array([0.9]),
        np.zeros(1),
    )
    axis = lamp.position - np.array(place)
    axis /= np.linalg.norm(axis)
    own = receptor_lux(sources, place, np.stack([axis, axis]), np.array([False, True]))[:, 0]
    true = [float(lamp.lux(np.array([place]), axis[None], weigh)[0]) for weigh in (flat, dome)]
    assert own == pytest.approx(true, rel=0.004)


@pytest.mark.parametrize(("tone", "within"), [("white", 0.1), ("average", 0.15), ("dark", 0.35)])
def test_the_law_of_the_sphere_foretells_the_mean(tone: str, within: float) -> None:
    own, lamp = room(tone), disc()
    reflectance = float((own.area * own.reflectance).sum() / own.area.sum())
    foretold = sphere_mean_lux(np.array([math.pi * 1000.0]), float(own.area.sum()), reflectance)[0]
    for place in ((0.0, 0.0, 1.2), (0.5, 0.3, 1.2), (-0.4, 0.5, 1.1)):
        assert rows_of(own, lamp, np.array(place)).mean() == pytest.approx(foretold, rel=within)


@pytest.mark.parametrize(("tone", "stops"), [("white", 0.1), ("average", 0.25)])
def test_four_numbers_say_the_rooms_light_at_the_subject(tone: str, stops: float) -> None:
    own, lamp = room(tone), disc()
    columns = np.concatenate([np.ones((len(DIRECTIONS), 1)), DIRECTIONS], axis=1)
    shown = rows_of(own, lamp, np.array([0.0, 0.0, 1.2]))
    numbers = np.linalg.lstsq(columns, shown, rcond=None)[0]
    assert float(np.linalg.norm(numbers[1:])) < 2 * numbers[0]
    off = np.log2(columns @ numbers / shown)
    assert float(np.sqrt(np.mean(off**2))) < stops


@pytest.mark.parametrize("tone", ["white", "average"])
def test_a_stated_room_adds_what_its_walls_send_back(tone: str) -> None:
    """The light of the product's rig, room included, on flat receptors and domes that face all ways."""
    own, lamp = room(tone), disc()
    head = {
        "name": "key", "role": "key", "position": lamp.position.tolist(), "aim": [0.0, 0.0, 1.2],
        "intensity": 1000.0,
        "modifier": {"kind": "softbox", "diameter": 0.9, "spread": 1.0},
        "dimming": {"curve": "linear"}, "drive": {"driver": "wire", "slot": 1},
    }  # fmt: skip
    fill = {
        **head,
        "name": "fill",
        "role": "fill",
        "position": [-1.3, -1.0, 1.8],
        "drive": {"driver": "wire", "slot": 2},
    }
    rig = Rig.model_validate(
        {
            "rig": {"name": "true"},
            "camera": {"position": [0.0, -2.2, 1.4]},
            "marks": {"chair": [0.0, 0.0, 1.2]},
            "balance": {"exposure": 400},
            "room": {"size": [3.6, 4.2, 2.5], "tone": tone},
            "heads": [head, fill],
            "drivers": {"wire": {"kind": "sim"}},
        }
    )
    place = np.array([0.0, 0.0, 1.2])
    exitance = own.exitance(lamp.lux(own.centre, own.normal, flat)[:, None])[:, 0]
    off = []
    for is_dome, weigh in ((False, flat), (True, dome)):
        said = received_lux(scene(rig).sources, place, DIRECTIONS, np.full(len(DIRECTIONS), is_dome))[:, 0]
        for axis, shown in zip(DIRECTIONS, said, strict=True):
            true = float(lamp.lux(place[None], axis[None], weigh)[0])
            off.append(
                math.log2(shown / (true + float(own.receptor_weights(place, axis, is_dome) @ exitance)))
            )
    # What is left are the directions of the room's light, which only readings tell.
    assert float(np.median(np.abs(off))) < 0.35
    assert abs(float(np.mean(off))) < 0.25


def test_the_true_studios_know_nothing_of_the_product() -> None:
    for module in (lamps, radiosity, studio):
        tree = ast.parse(Path(module.__file__ or "").read_text())
        named = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        named += [
            alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names
        ]
        assert not [name for name in named if name.startswith("fillside")]


def test_the_true_studios_are_not_what_is_believed_of_studios() -> None:
    """They leave the product's model in every way that it has."""
    drawn = [true_studio(seed, Ways(any_dimmers=True)) for seed in range(40)]
    every = [lamp for one in drawn for lamp in one.lamps]
    typed = [head for one in drawn for head in one.typed["heads"]]
    # Lamps leak behind, their light falls off otherwise than typed, their faces are no even discs.
    assert np.mean([lamp.behind for lamp in every]) > 0.15
    assert np.std([lamp.spread for lamp in every]) > 0.25
    assert {head["modifier"]["spread"] for head in typed} == {1.0}
    assert np.mean([lamp.hot for lamp in every]) > 2
    # Walls are of several tones, windows are wide, and labels are off by an even spread and not a normal one.
    assert np.mean([len(set(one.room.reflectances[:4])) > 1 for one in drawn]) == 1
    assert 0.3 < np.mean([bool(one.window_exitance.any()) for one in drawn]) < 0.8
    labels = [
        math.log2(head["intensity"] / lamp.intensity_cd) for head, lamp in zip(typed, every, strict=True)
    ]
    assert max(map(abs, labels)) < 0.81
    assert np.std(labels) > 0.3
    # Many dimmers are of no curve that a label can name.
    level = np.linspace(0.1, 1.0, 10)
    named = [level, level**2, 10 ** (3 * (level - 1)), ((100 * level + 16) / 116) ** 3]
    nearest = [min(float(np.abs(np.log2(lamp.dimmer(level) / one)).max()) for one in named) for lamp in every]
    assert 0.25 < np.mean(np.array(nearest) > 0.3) < 0.75
