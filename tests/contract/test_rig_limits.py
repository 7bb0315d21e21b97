"""Contract: where a subject may be, and how far a place is from a lit disc."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillside.rig.scene.scene import distance_to_disc_m, subject_place_error
from fillside.rig.tables.model import Head, Rig


def rig_with(position: tuple[float, float, float], diameter: float) -> Rig:
    return Rig.model_validate(
        {
            "rig": {"name": "loft"},
            "camera": {"position": [0.0, -3.0, 1.4]},
            "marks": {"stool": [1.0, 0.0, 1.2], "bench": [2.0, 0.0, 1.2]},
            "balance": {"exposure": 300},
            "heads": [
                {
                    "name": "key",
                    "role": "key",
                    "position": position,
                    "intensity": 500,
                    "modifier": {"diameter": diameter},
                    "dimming": {"curve": "fixed"},
                }
            ],
        }
    )


RIG = rig_with((1.0, -2.0, 1.2), 0.8)  # facing the first mark along +y


@pytest.mark.parametrize(
    "place",
    [
        (1.0, 0.0, 1.2),
        (1.0, 0.0, 0.0),
        (1.0, 0.0, 4.0),
        (16.0, 0.0, 1.2),
        (-14.0, 0.0, 1.2),
        (1.0, -1.95, 1.2),
        (1.0, -2.05, 1.2),
        (1.45, -2.0, 1.2),
    ],
)
def test_a_place_on_the_edge_is_allowed(place: tuple[float, float, float]) -> None:
    assert subject_place_error(RIG, place) is None


@pytest.mark.parametrize(
    ("place", "why"),
    [
        ((1.0, 0.0, -0.01), "-0.01 m high is outside 0 to 4 m"),
        ((1.0, 0.0, 4.01), "4.01 m high is outside 0 to 4 m"),
        ((16.1, 0.0, 1.2), "15.1 m from the first mark is more than 15 m"),
        ((1.0, -1.96, 1.2), "4.0 cm from the lit face of key is less than 5 cm"),
        ((1.0, -2.04, 1.2), "4.0 cm from the lit face of key"),
        ((1.44, -2.0, 1.2), "4.0 cm from the lit face of key"),
        ((1.2, -2.0, 1.2), "0.0 cm from the lit face of key"),
        ((math.nan, 0.0, 1.2), "three finite numbers"),
        ((0.0, math.inf, 1.2), "three finite numbers"),
        ((0.0, 0.0), "three finite numbers"),
        ((), "three finite numbers"),
        ((1e300, -1e300, 1.2), "m from the first mark is more than 15 m"),
    ],
)
def test_a_place_beyond_is_refused_with_the_figure(place: tuple[float, ...], why: str) -> None:
    told = subject_place_error(RIG, place)
    assert told is not None
    assert why in told


coordinates = st.floats(-3.0, 3.0)


@given(st.tuples(coordinates, coordinates, coordinates), st.floats(0.0, 2.0), st.floats(0, 2 * math.pi))
def test_no_spot_of_the_disc_is_nearer_than_its_distance(
    point: tuple[float, float, float], diameter: float, turn: float
) -> None:
    """The distance to a disc is the least over its spots: any spot is a bound, and some spot comes near."""
    head: Head = rig_with((1.0, -2.0, 1.2), diameter).heads[0]
    nearest = distance_to_disc_m(point, head, (1.0, 0.0, 1.2))
    for share in (0.0, 0.5, 1.0):
        radius = share * diameter / 2
        spot = (1.0 + radius * math.cos(turn), -2.0, 1.2 + radius * math.sin(turn))
        assert nearest <= math.dist(point, spot) + 1e-9
    across = math.hypot(point[0] - 1.0, point[2] - 1.2)
    shrink = min(1.0, diameter / 2 / across) if across else 0.0
    foot = (1.0 + shrink * (point[0] - 1.0), -2.0, 1.2 + shrink * (point[2] - 1.2))
    assert nearest == pytest.approx(math.dist(point, foot), abs=1e-7)
