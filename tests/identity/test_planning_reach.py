"""The region of a place and the map about it agree with the solver and with what is worked by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.planning.look.mark import MarkSolution, solve_mark
from fillside.planning.look.reach import ReachAnswer, ReachSpan, head_margins, reach_answer
from fillside.planning.look.wander import LightErrors, wander_answer
from fillside.planning.plan import plan_rig
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig


def rig(ratio: float = 2.0, exposure: float = 120.0, **more: Any) -> Rig:
    """A key and a fill as points 2 m from the stool, 100 and 80 lux at full, floors 0.1 and 0.2."""
    key = {"position": [math.sqrt(2), -math.sqrt(2), 1.2], "intensity": 400.0, "floor": 0.1}
    fill = {"position": [0.0, -2.0, 1.2], "intensity": 320.0, "floor": 0.2}
    return Rig.model_validate(
        {
            "rig": {"name": "points"},
            "camera": {"position": [0.0, -2.4, 1.2]},
            "meter": {"receptor": "flat"},
            "marks": {"stool": [0.0, 0.0, 1.2]},
            "balance": {"exposure": exposure, "ratio": ratio},
            "heads": [
                {
                    "name": role,
                    "role": role,
                    "position": head["position"],
                    "intensity": head["intensity"],
                    "modifier": {"spread": 0.0},
                    "dimming": {"floor": head["floor"]},
                    "drive": {"driver": "wire", "bits": 16},
                }
                for role, head in (("key", key), ("fill", fill))
            ],
            "drivers": {"wire": {"kind": "sim"}},
            **more,
        }
    )


def planned(own: Rig) -> MarkSolution:
    solver = BalanceSolver(scene(own))
    return solve_mark(solver, target_from_rig(own), (0.0, 0.0, 1.2))


def reach(own: Rig) -> ReachAnswer:
    at = planned(own)
    return reach_answer(at.metering, at.rows, at.target, at.limits, at.outputs)


def test_corners_worked_by_hand() -> None:
    # E = I / d^2: key 10..100 lux, fill 16..80 lux; a flat receptor sees the key at 45 degrees
    corners = reach(rig()).corners
    half = math.cos(math.radians(45))
    by_hand = [(10, 16), (100, 16), (100, 80), (10, 80)]
    for corner, (key, fill) in zip(corners, by_hand, strict=True):
        assert corner.ratio == pytest.approx(key / fill, rel=1e-3)
        assert corner.exposure_lux == pytest.approx(key * half + fill, rel=1e-3)
    assert corners[1].full == ("key",)
    assert corners[1].floor == ("fill",)


def test_spans_worked_by_hand() -> None:
    half = math.cos(math.radians(45))
    answer = reach(rig(ratio=2.0, exposure=100.0))
    assert answer.ratios is not None
    # at 100 lux: a full fill leaves (100 - 80) / cos 45 to the key; a full key leaves 100 - 100 cos 45
    assert answer.ratios.least.ratio == pytest.approx(20 / half / 80, rel=1e-3)
    assert answer.ratios.least.full == ("fill",)
    assert answer.ratios.most.ratio == pytest.approx(100 / (100 - 100 * half), rel=1e-3)
    assert answer.ratios.most.full == ("key",)
    # at 2:1: the fill's floor of 16 lux asks a key of 32 lux; a full key of 100 lux asks a fill of 50 lux
    assert answer.exposures is not None
    assert answer.exposures.least.exposure_lux == pytest.approx(32 * half + 16, rel=1e-3)
    assert answer.exposures.least.floor == ("fill",)
    assert answer.exposures.most.exposure_lux == pytest.approx(100 * half + 50, rel=1e-3)
    assert answer.exposures.most.full == ("key",)


@pytest.mark.parametrize("ratio", [0.3, 1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("exposure", [20.0, 60.0, 110.0, 170.0])
def test_what_the_region_promises_the_solver_delivers(ratio: float, exposure: float) -> None:
    own = rig(ratio, exposure)
    answer, report = reach(own), planned(own).report

    def holds(span: ReachSpan | None, value: float) -> bool:
        if span is None or span.least.ratio is None or span.most.ratio is None:
            return False
        return span.least.ratio <= value <= span.most.ratio

    met = report.worst_error_stops < 0.01
    assert met == holds(answer.ratios, ratio)


def test_outline_is_closed_and_inside_its_corners() -> None:
    outline = reach(rig()).outline
    assert outline[0] == pytest.approx(outline[-1])
    ratios = [corner.ratio_stops for corner in reach(rig()).corners]
    assert min(r for r, _ in outline) == pytest.approx(min(r for r in ratios if r is not None))
    assert max(r for r, _ in outline) == pytest.approx(max(r for r in ratios if r is not None))


def test_without_a_fill_there_is_no_region() -> None:
    own = rig()
    alone = own.model_copy(update={"heads": own.heads[:1]})
    answer = reach(alone)
    assert answer.corners == ()
    assert answer.ratios is None


def test_margins_are_stops_to_the_ends() -> None:
    at = planned(rig())
    margins = {m.head: m for m in head_margins(("key", "fill"), at.limits, np.array([0.5, 0.4]))}
    assert margins["key"].to_full_stops == pytest.approx(1.0)
    assert margins["key"].to_floor_stops == pytest.approx(math.log2(5), abs=1e-3)
    assert margins["fill"].to_floor_stops == pytest.approx(1.0, abs=1e-3)


def at_place(places: Any, x: float, y: float, how: str) -> LightErrors:
    for place in places:
        if math.isclose(place.x_m, x, abs_tol=1e-9) and math.isclose(place.y_m, y, abs_tol=1e-9):
            held = getattr(place, how)
            assert isinstance(held, LightErrors)
            return held
    raise AssertionError("no such place on the map")


def test_map_of_levels_left_alone_is_inverse_square() -> None:
    own = rig(exposure=100.0)
    at = planned(own)
    answer = wander_answer(at.solver, at.target, at.rows.point, at.outputs, 0.4, across=5)
    here = at_place(answer.places, 0.0, 0.0, "alone")
    assert here.ratio_error_stops == pytest.approx(0.0, abs=0.01)
    # 0.4 m straight back from the camera: the key at hypot(1.414, 1.814), the fill at 2.4 m
    back = at_place(answer.places, 0.0, 0.4, "alone")
    key, fill = math.hypot(math.sqrt(2), math.sqrt(2) + 0.4), 2.4
    by_hand = 2 * math.log2(2 / key) - 2 * math.log2(2 / fill)
    assert back.ratio_error_stops == pytest.approx(by_hand, abs=0.01)


def test_following_is_never_worse_than_leaving_alone() -> None:
    own = rig(exposure=80.0)
    at = planned(own)
    answer = wander_answer(at.solver, at.target, at.rows.point, at.outputs, 0.3, across=5)
    assert answer.followed.ratio_error_stops < 0.01
    assert answer.followed.exposure_error_stops < 0.01
    assert answer.alone.ratio_error_stops > 0.1


def test_a_place_inside_a_lamp_is_left_out() -> None:
    own = rig()
    near = own.heads[1].model_copy(update={"position": (0.0, -0.4, 1.2)})
    crowded = own.model_copy(update={"heads": (own.heads[0], near)})
    at = planned(crowded)
    answer = wander_answer(at.solver, at.target, at.rows.point, at.outputs, 0.4, across=5)
    assert [p.alone for p in answer.places if (p.x_m, p.y_m) == (0.0, -0.4)] == [None]


def test_whole_plan_of_a_bare_rig_says_what_it_does_not_know() -> None:
    report = plan_rig(rig(), wander=False)
    assert [mark.mark for mark in report.marks] == ["stool"]
    assert report.marks[0].wander is None
    assert report.flicker == ()
    assert len(report.unknown) >= 5
    keys = ("plan.", "lamp.", "camera.", "room.")
    assert all(any(key in line for key in keys) for line in report.unknown)


def test_whole_plan_answers_everything_it_is_told() -> None:
    told = rig(
        camera={"position": [0.0, -2.4, 1.2], "shutter": "1/60", "fps": 24, "iso": 400, "aperture": 2.8},
        plan={
            "wall": 1.5,
            "mains_volts": 230,
            "mains_hertz": 50,
            "ambient_cct": 2700,
            "view": {"degrees": 40},
            "pose": {"glasses": {}},
            "circuits": {"wall-a": {"amps": 10, "heads": ["key", "fill"]}},
            "ripple": {"fill": {"hertz": 1000, "pulsed": True}},
            "umbrellas": {"key": {"bulb": 0.3, "open_diameter": 0.9}},
            "screens": {"monitor": {"position": [0.3, -1.0, 1.1]}},
        },
    )
    report = plan_rig(told, wander=False)
    mark = report.marks[0]
    assert {g.source for g in mark.glasses} == {"key", "fill", "monitor"}
    assert mark.wall is not None
    assert mark.wall.stops is not None
    assert {f.head for f in report.flicker} == {"key", "fill"}
    key = next(f for f in report.flicker if f.head == "key")
    assert not key.known
    assert key.variation_stops == pytest.approx(math.log2((1 + 0.1654) / (1 - 0.1654)), abs=1e-3)
    assert report.power.circuits[0].load_watts == 0
    assert report.power.circuits[0].unknown == ("key", "fill")
    assert report.umbrellas[0].face is not None
