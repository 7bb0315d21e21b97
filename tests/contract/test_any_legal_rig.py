"""Contract: no legal rig and no wish makes the balance raise, or print a number that is none."""

from __future__ import annotations

import json
import math
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from fillside.balance.limits import limits_of
from fillside.balance.prediction import predict
from fillside.balance.remedies.search import remedies
from fillside.balance.solution import solve_rig
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

CURVES: list[Any] = [
    "linear",
    "square",
    "log",
    "lightness",
    {"levels": [0.05, 0.5, 0.9], "outputs": [0.0, 0.2, 1.0]},
    "fixed",
]


def _numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


LEFT_AND_BEHIND = {"toward_key": 900.0, "toward_fill": 0.0, "toward_camera": 3.0}
"""Daylight that no room gives: the nearest that one can is taken."""


@st.composite
def _head(draw: st.DrawFn, number: int) -> dict[str, Any]:
    role = draw(st.sampled_from(["key", "fill", "hair", "background", "rim", "work"]))
    curve = draw(st.sampled_from(CURVES))
    head: dict[str, Any] = {
        "name": f"head-{number}",
        "role": role,
        "position": [draw(_numbers(-3, 3)), draw(_numbers(-3, 3)), draw(_numbers(0.2, 3.5))],
        "aim": [draw(_numbers(-2, 2)), draw(_numbers(-2, 2)), draw(_numbers(4, 6))],
        "intensity": draw(st.sampled_from([0.001, 5.0, 500.0, 1e6])),
        "modifier": {"diameter": draw(st.sampled_from([0.0, 0.3, 2.0])), "spread": draw(_numbers(0, 60))},
        **draw(st.sampled_from([{}, {"bounce": 0.0}, {"bounce": 0.1}, {"bounce": 1.0}])),
        "dimming": {"curve": curve, "floor": draw(st.sampled_from([0.0, 0.03, 0.99]))},
    }
    if curve != "fixed":
        head["drive"] = {"driver": "wire", "bits": draw(st.sampled_from([8, 16]))}
    if role == "rim":
        head["holds_like"] = "hair"
    return head


@st.composite
def legal_rigs(draw: st.DrawFn) -> Rig:
    read_as = draw(st.sampled_from(["key:fill", "key+fill:fill", "face"]))
    heads = [draw(_head(number)) for number in range(draw(st.integers(1, 6)))]
    least = 1.001 if read_as == "key+fill:fill" else 0.002
    balance = {
        "ratio": draw(st.one_of(st.sampled_from([1.5, 2.0]), _numbers(least, 900))),
        "read_as": read_as,
        "exposure": draw(st.sampled_from([0.01, 50.0, 600.0, 1e5])),
        "protect": draw(st.sampled_from(["ratio", "exposure"])),
        "most_over": draw(st.sampled_from([0.0, 0.5, 10.0])),
        "relative": {
            "hair": draw(st.one_of(_numbers(-12, 12), st.just("out"))),
            "background": draw(st.one_of(_numbers(-12, 12), st.just("out"))),
        },
        "against": {"hair": draw(st.sampled_from(["key", "exposure"]))},
    }
    room = {"size": [draw(_numbers(1, 200)), 4.0, 2.5], "tone": draw(st.sampled_from(["white", "dark"]))}
    subject = {"most_lux": draw(st.sampled_from([None, 1.0, 800.0]))}
    return Rig.model_validate(
        {
            "rig": {"name": "any"},
            "camera": {"position": [0.0, -2.4, 1.4]},
            "marks": {"chair": [0.0, 0.0, 1.2]},
            "meter": {"receptor": draw(st.sampled_from(["flat", "dome"])), "facing": "key"},
            "subject": {k: v for k, v in subject.items() if v is not None},
            "balance": balance,
            **draw(st.sampled_from([{}, {"room": room}])),
            "ambient": draw(st.sampled_from([{}, {"lux": 20.0}, {"lux": 5000.0}, LEFT_AND_BEHIND])),
            "heads": heads,
            "drivers": {"wire": {"kind": "sim"}},
        }
    )


def _all_finite(value: Any) -> bool:
    if isinstance(value, dict):
        return all(map(_all_finite, value.values()))
    if isinstance(value, list):
        return all(map(_all_finite, value))
    return not isinstance(value, float) or math.isfinite(value)


@settings(max_examples=150, deadline=None)
@given(rig=legal_rigs())
def test_solve_answers_any_legal_rig(rig: Rig) -> None:
    solution = solve_rig(rig)
    assert _all_finite(json.loads(solution.report.model_dump_json()))
    limits = limits_of(scene(rig))
    for i, code in enumerate(solution.codes):
        if rig.balance.relative.get(rig.heads[i].role) == "out":
            assert code == 0
        else:
            assert not limits.held[i] or code >= max(1, limits.floor_codes[i])
    assert _all_finite(json.loads(predict(rig, rig.start).model_dump_json()))


@settings(max_examples=6, deadline=None)
@given(rig=legal_rigs())
def test_remedies_of_any_legal_rig_leave_less_than_before(rig: Rig) -> None:
    error = solve_rig(rig).report.worst_error_stops
    for remedy in remedies(rig):
        assert math.isfinite(remedy.leaves_stops)
        assert remedy.leaves_stops < error
