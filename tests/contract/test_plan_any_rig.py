"""Whatever the rig, the plan is answered in finite numbers and the sheet is drawn."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from fillside.cli.render.plan_brief import brief_plan_lines
from fillside.cli.render.plan_full import full_plan_lines
from fillside.planning.figures import Lengths
from fillside.planning.plan import plan_rig
from fillside.rig.file.build import build_rig
from fillside.rig.tables.model import Rig
from fillside.sheet.drawing.page import PageText, text_outline
from fillside.sheet.layout import lay_out

numbers = st.floats(-4, 4).map(lambda value: round(value, 3))
heights = st.floats(0, 4).map(lambda value: round(value, 3))
places = st.tuples(numbers, numbers, heights).map(list)


@st.composite
def heads(draw: st.DrawFn) -> list[dict[str, Any]]:
    roles = draw(
        st.lists(st.sampled_from(["key", "fill", "hair", "background", "work"]), min_size=1, max_size=5)
    )
    made = []
    for i, role in enumerate(roles):
        fixed = draw(st.booleans())
        head: dict[str, Any] = {
            "name": f"{role}-{i}",
            "role": role,
            "position": draw(places),
            "intensity": draw(st.floats(1, 50_000)),
            "modifier": {"diameter": draw(st.floats(0, 3)), "spread": draw(st.floats(0, 20))},
            "lamp": {"kind": "led", "cct": draw(st.sampled_from([2700, 5600])), "watts": 40},
            "dimming": {"curve": "fixed" if fixed else "square"},
        }
        if role == "background":
            head["aim"] = draw(places)
        if not fixed:
            head["drive"] = {"driver": "wire", "bits": 16}
        made.append(head)
    return made


@st.composite
def rigs(draw: st.DrawFn) -> dict[str, Any]:
    own = draw(heads())
    glasses: dict[str, Any] = draw(st.sampled_from([{}, {"glasses": {}}]))
    return {
        "rig": {"name": "any"},
        "camera": {"position": draw(places), "iso": 400, "shutter": "1/60", "aperture": 2.8, "fps": 24},
        "marks": {"here": draw(places), "there": draw(places)},
        "subject": {"looks": draw(st.sampled_from(["camera", "here", "there"]))},
        "balance": {"ratio": 3.0, "exposure": draw(st.floats(1, 5000)), "read_as": "face"},
        "ambient": {"lux": draw(st.sampled_from([0.0, 20.0]))},
        "heads": own,
        "drivers": {"wire": {"kind": "sim"}},
        "plan": {
            "wall": draw(numbers),
            "ceiling": draw(st.floats(1, 5)),
            "mains_volts": 230,
            "mains_hertz": 50,
            "ambient_cct": 3000,
            "pose": {"yaw": draw(st.floats(-60, 60)), "pitch": draw(st.floats(-60, 60)), **glasses},
            "circuits": {"socket": {"amps": 16, "heads": [own[0]["name"]]}},
            "screens": {"monitor": {"position": draw(places)}},
            "umbrellas": {own[0]["name"]: {"bulb": 0.5}},
        },
    }


@settings(max_examples=10, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(rigs())
def test_plan_and_sheet_of_any_rig(data: dict[str, Any]) -> None:
    rig, problems = build_rig(data, None)
    if rig is None:
        assert problems
        return
    report = plan_rig(rig, wander=False)
    assert "NaN" not in json.dumps(json.loads(report.model_dump_json()))
    for lines in (brief_plan_lines, full_plan_lines):
        assert "nan" not in "\n".join(lines(report, Lengths(feet=True)))
    for mark in report.marks:
        for page in lay_out(rig, report, mark, Lengths(), "a4"):
            written = [one for one in page.items if isinstance(one, PageText)]
            corners = [corner for one in written for corner in text_outline(one)]
            assert all(0 <= x <= page.width_mm and 0 <= y <= page.height_mm for x, y in corners)


def test_map_of_a_bare_rig_without_a_fill(capsys: pytest.CaptureFixture[str]) -> None:
    rig = Rig.model_validate(
        {
            "rig": {"name": "one"},
            "camera": {"position": [0.0, -2.0, 1.2]},
            "marks": {"here": [0.0, 0.0, 1.2]},
            "balance": {"exposure": 100.0},
            "heads": [
                {
                    "name": "key",
                    "role": "key",
                    "position": [1.0, -1.0, 1.7],
                    "intensity": 500.0,
                    "drive": {"driver": "wire"},
                }
            ],
            "drivers": {"wire": {"kind": "sim"}},
        }
    )
    report = plan_rig(rig)
    wander = report.marks[0].wander
    assert wander is not None
    assert all(place.alone is None or place.alone.ratio_error_stops is None for place in wander.places)
    for lines in (brief_plan_lines, full_plan_lines):
        assert "it takes a key and a fill" in "\n".join(lines(report, Lengths(), maps=True))
