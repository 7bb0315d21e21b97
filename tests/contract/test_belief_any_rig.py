"""No legal rig and no readings, however odd, make the fit raise or print a number that is none."""

from __future__ import annotations

import json
import math
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from contract.test_any_legal_rig import legal_rigs
from fillside.belief.belief import believe
from fillside.belief.evidence import Reading, ReadingError, check_against, reading_from_words
from fillside.belief.result.calibrating import calibration_of
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig


@st.composite
def _reading(draw: st.DrawFn, rig: Rig) -> Reading | None:
    names = [head.name for head in rig.heads]
    heads = draw(st.lists(st.sampled_from(names), max_size=2, unique=True))
    facing = draw(st.sampled_from([*names, "camera", *(["head"] if heads else [])]))
    place = [draw(st.floats(-2, 2)), draw(st.floats(-2, 2)), draw(st.floats(0, 3))]
    unit = draw(st.sampled_from(["lux", "fc", "ev100", "f/4@400@1/50"]))
    try:
        reading = reading_from_words(
            heads=heads,
            levels=[draw(st.floats(0, 1)) for _ in heads],
            at=place,
            value=None if "/" in unit else draw(st.sampled_from([0.0, 1e-3, 12.0, 640.0])),
            unit=unit if draw(st.booleans()) else "lux" if "/" not in unit else unit,
            receptor=draw(st.sampled_from(["flat", "dome"])),
            facing=facing,
            rig=rig,
        )
        return check_against(reading, rig)
    except ReadingError:
        return None


def _finite(value: Any) -> bool:
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    if isinstance(value, list):
        return all(map(_finite, value))
    return not isinstance(value, float) or math.isfinite(value)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_readings_of_any_rig_make_a_calibration(data: st.DataObject) -> None:
    rig = data.draw(legal_rigs())
    readings = [r for r in data.draw(st.lists(_reading(rig), max_size=9)) if r is not None]
    text = calibration_of(believe(readings, rig)).model_dump_json()
    assert _finite(json.loads(text))
    assert "NaN" not in text
    assert "Infinity" not in text
    scene(rig, Calibration.model_validate_json(text))
