"""Contract: every remedy was tried, says what it leaves, and comes in the order a person would try it."""

from __future__ import annotations

from typing import Any

import pytest

from fillside.balance.offline import solve_rig
from fillside.balance.remedies import remedies
from fillside.rig.change import apply_change
from fillside.rig.model import Rig

CAMERA_KEYS = ("camera.iso", "camera.aperture", "camera.nd_stops", "camera.shutter", "camera.shutter_angle")


def desk(**change: Any) -> Rig:
    """Two umbrellas and a hair light before a camera at f/4, ISO 400 and 1/50 s."""
    wire = {"driver": "wire", "bits": 16}
    square = {"curve": "square", "floor": 0.03}
    umbrella = {"kind": "shoot-through", "diameter": 1.0, "efficiency": 0.45}
    heads = [
        {"name": "key", "role": "key", "position": [1.1, -1.0, 1.9], "modifier": umbrella},
        {"name": "fill", "role": "fill", "position": [-1.2, -1.4, 1.6], "modifier": umbrella},
    ]
    for head in heads:
        head["lamp"] = {"kind": "led", "lumens": 6000, "count": 2, "watts": 60}
        head |= {"dimming": square, "drive": wire}
    rig = Rig.model_validate(
        {
            "rig": {"name": "desk"},
            "camera": {
                "position": [0.0, -2.4, 1.4],
                "iso": 400,
                "shutter": "1/50",
                "aperture": 4.0,
                "fps": 25,
            },
            "marks": {"chair": [0.0, 0.0, 1.2]},
            "balance": {"ratio": "2:1"},
            "heads": heads,
            "drivers": {"wire": {"kind": "sim"}},
        }
    )
    return apply_change(rig, change) if change else rig


UNREACHABLE = {
    "too dark for the camera": {"camera.iso": 100},
    "fill too bright at its floor": {"balance.ratio": "40:1"},
    "too bright at every floor": {"balance.exposure": 10.0},
    "key too weak for the ratio": {"heads.key.lamp.lumens": 900},
}


@pytest.mark.parametrize("change", UNREACHABLE.values(), ids=UNREACHABLE)
def test_each_remedy_leaves_what_it_says(change: dict[str, Any]) -> None:
    rig = desk(**change)
    error = solve_rig(rig).report.worst_error_stops
    offered = remedies(rig)
    assert error > 0.05
    assert len({next(iter(remedy.change)) for remedy in offered}) >= 3
    for remedy in offered:
        left = solve_rig(apply_change(rig, remedy.change)).report.worst_error_stops
        assert left == pytest.approx(remedy.leaves_stops, abs=1e-4)
        assert left < error


def test_a_reached_balance_needs_no_remedy() -> None:
    assert remedies(desk()) == ()


def test_the_wish_changes_last_and_the_shutter_last_of_the_camera() -> None:
    keys = [next(iter(r.change)) for r in remedies(desk(**{"camera.iso": 100, "camera.shutter": "1/100"}))]
    ranks = [0 if k.startswith("heads") else 1 if k.startswith("camera") else 2 for k in keys]
    assert ranks == sorted(ranks)
    assert [k for k in keys if k in CAMERA_KEYS][-1] == "camera.shutter"


def test_the_shutter_never_leaves_half_the_frame() -> None:
    keys = [key for remedy in remedies(desk(**{"camera.iso": 100})) for key in remedy.change]
    assert "camera.shutter" not in keys


def test_a_head_moves_along_its_line_to_the_subject() -> None:
    rig = desk(**{"camera.iso": 100})
    moves = [r for r in remedies(rig) if "heads.key.position" in r.change]
    new, old = moves[0].change["heads.key.position"], rig.head("key").position
    factors = {round((n - t) / (o - t), 1) for n, o, t in zip(new, old, rig.start, strict=True)}
    assert len(factors) == 1
