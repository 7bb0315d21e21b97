"""How sure ratio, exposure and face are: one formula for every command, the plan and the state."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bench.simulated_studio import Hidden, HiddenStudio, read_fixed_plan, studio
from fillside.balance.measure import measure
from fillside.balance.prediction import predict
from fillside.balance.rows import Metering
from fillside.balance.solution import solve_rig
from fillside.balance.target import target_from_rig
from fillside.belief.observations import ambient_sides
from fillside.belief.result.calibrating import belief_from_csv, calibration_from_csv
from fillside.belief.result.intervals import Intervals, own_light
from fillside.belief.result.restoring import known_belief
from fillside.cli.commands.offline import predict as predict_command
from fillside.cli.commands.offline import solve as solve_command
from fillside.cli.commands.planning import plan as plan_command
from fillside.cli.render import state as summary
from fillside.daemon.service import status_line
from fillside.hold.machine.hold import Hold
from fillside.orders.light import Only
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig
from fillside.rig_file import load_rig

DESK, INTERVIEW = (Path("config") / f"{name}.toml" for name in ("desk", "interview"))
NAMES = {"ratio_stops", "exposure_stops", "face_stops"}


def metered(count: int, hidden: Hidden | None = None) -> tuple[HiddenStudio, Rig]:
    found = studio(2, hidden)
    found.read_ambient()
    read_fixed_plan(found, count)
    return found, Rig.model_validate(found.rig_table())


def printed(command: Any, *words: str) -> Any:
    done = CliRunner().invoke(command, list(words))
    assert done.exit_code == 0, done.output
    return json.loads(done.output) if "--json" in words else done.output


def settled(rig: Rig, calibration: Calibration | None = None) -> Hold:
    held = Hold(rig, calibration=calibration)
    for step in range(300):
        held.tick(step / 10)
    return held


def test_every_way_says_the_same() -> None:
    rig = load_rig(DESK)
    solved = printed(solve_command, str(DESK), "--json")
    levels = ",".join(f"{head['name']}={head['level']}" for head in solved["heads"])
    predicted = printed(predict_command, str(DESK), "--at", "chair", "--levels", levels, "--json")
    planned = printed(plan_command, str(DESK), "--mark", "chair", "--json")["marks"][0]["balance"]
    state = settled(rig).snapshot().model_dump()
    for found in (solved, predicted, planned, state):
        assert set(found["uncertainty"]) == NAMES
        assert found["uncertainty"] == pytest.approx(solved["uncertainty"], rel=0.02)
    assert all(value > 1.0 for value in solved["uncertainty"].values())


def test_a_calibration_that_was_read_back_is_as_sure_as_its_fit() -> None:
    hidden, rig = metered(3)
    found = belief_from_csv(hidden.csv(), rig)
    calibration = Calibration.model_validate_json(calibration_from_csv(hidden.csv(), rig).model_dump_json())
    report = solve_rig(rig, calibration=calibration).report
    said = Intervals(rig, calibration).of(report, target_from_rig(rig)).uncertainty
    levels = [head.level for head in report.heads]
    target, lit = target_from_rig(rig), [level > 0 for level in levels]
    fitted = Intervals(rig, calibration, found).at(report.subject, levels, lit, target).uncertainty
    assert (said.ratio_stops, said.exposure_stops) == pytest.approx(
        (fitted.ratio_stops, fitted.exposure_stops), rel=0.03
    )
    assert said.ratio_stops is not None
    assert said.ratio_stops < 1.4  # two levels of either head were read, and a dimmer may be of any shape
    again = known_belief(rig, calibration)
    places = [(0.0, 0.0, 1.2), (0.4, -0.3, 1.3), (-0.4, 0.4, 1.0)]
    for at in places:
        lux = [own_light(one, at, np.array(levels))[0] for one in (again, found)]
        assert np.log2(lux[0] / lux[1]) == pytest.approx([0.0, 0.0], abs=1e-3)
    sides = [one.model.quantities(ambient_sides(rig)) for one in (again, found)]
    lux = [one.model.lux(one.figures, wanted) for one, wanted in zip((again, found), sides, strict=True)]
    assert lux[0] == pytest.approx(lux[1], rel=1e-3)


def test_the_face_is_as_sure_as_the_lights_on_it() -> None:
    """Propagation by slopes against propagation of distributions (JCGM 101:2008), drawn as believed."""
    _, rig = metered(0)
    table = rig.dump()
    for head in table["heads"]:
        head["dimming"] = {"curve": "square", "measured": True}
    rig = Rig.model_validate({**table, "ambient": {"lux": 0.0}})
    levels = {"key": 0.7, "fill": 0.6}
    said = Intervals(rig).of_prediction(predict(rig, rig.first_mark, levels)).uncertainty
    metering, wish = Metering(scene(rig)), target_from_rig(rig)
    rows, outputs = metering.rows_at(rig.first_mark), np.array([0.49, 0.36])
    drawn = np.exp2(0.8 * np.random.default_rng(5).standard_normal((400, 2)))
    faces, ratios, exposures = [], [], []
    for stronger in drawn:
        found = measure(metering, rows, wish, outputs * stronger)
        faces.append(math.log2(found.face_ratio or 1.0))
        ratios.append(found.ratio_stops)
        exposures.append(math.log2(found.exposure_lux))
    # Bounce and form, which nobody metered either, add a little to what the intensities alone give.
    for half, values in (
        (said.face_stops, faces), (said.ratio_stops, ratios), (said.exposure_stops, exposures)
    ):  # fmt: skip
        assert half == pytest.approx(2 * float(np.std(values)), rel=0.25)


def test_what_does_not_exist_has_no_interval() -> None:
    rig = load_rig(DESK)
    alone = Intervals(rig).of_prediction(predict(rig, rig.first_mark, {"key": 0.5}))
    assert (alone.ratio, alone.uncertainty.ratio_stops) == (None, None)
    assert alone.uncertainty.exposure_stops is not None
    table = rig.dump()
    dark = Rig.model_validate({**table, "ambient": {"lux": 0.0}})
    out = Intervals(dark).of_prediction(predict(dark, dark.first_mark, {}))
    assert out.ratio is None
    assert out.uncertainty.ratio_stops is None
    held = settled(rig)
    held.order(Only(do="only", head="key"), 30.0)
    for step in range(300, 600):
        held.tick(step / 10)
    state = held.snapshot()
    assert state.uncertainty.ratio_stops is None
    assert state.uncertainty.exposure_stops is not None


@pytest.mark.parametrize(
    "heads",
    [
        {"key": {"intensity_cd": 900.0}},
        {"key": {"intensity_cd": 1e7, "setback_m": -5.0, "diameter_m": 0.0, "bounce": 0.0, "exponent": "x"}},
        {"key": {"dimmer": 7, "exponent": 1e300, "readings": [{"number": 1}, {"heads": ["nobody"]}]}},
        {"nobody": {"intensity_cd": 5.0}},
    ],
)
def test_a_strange_calibration_is_passed_over(heads: dict[str, Any]) -> None:
    rig = load_rig(INTERVIEW)
    calibration = Calibration.model_validate({"heads": heads, "hand_sd_m": "far", "marks": 3})
    report = solve_rig(rig, calibration=calibration).report
    found = Intervals(rig, calibration).of(report, target_from_rig(rig))
    values = [*found.uncertainty.model_dump().values(), *found.relative_uncertainty_stops.values()]
    assert all(value is None or 0 < value < 20 for value in values)


def test_light_stated_with_its_uncertainty_is_believed() -> None:
    rig = load_rig(DESK)
    heads = {name: {"intensity_cd": 700.0, "sigma_stops": 0.1} for name in ("key", "fill")}
    calibration = Calibration.model_validate({"heads": heads})
    report = solve_rig(rig, calibration=calibration).report
    found = Intervals(rig, calibration).of(report, target_from_rig(rig)).uncertainty
    # Two independent lights of 0.1 stop: 0.14 stop, 0.28 expanded; the ambient light adds to it.
    assert found.ratio_stops == pytest.approx(0.28, abs=0.12)


def test_people_read_no_digit_that_is_not_known() -> None:
    for rig in (DESK, INTERVIEW):
        text = printed(solve_command, str(rig))
        assert "0.00 stop" not in text
        assert "within ±" in text
        assert "2.00:1" not in text
    text = printed(predict_command, str(DESK), "--at", "chair")
    assert "±" in text
    state = settled(load_rig(DESK)).snapshot().model_dump(mode="json")
    for line in (summary.one_line(state), status_line(state)):
        assert "0.00 stop" not in line
        assert "within ±" in line


def test_people_read_what_readings_made_known() -> None:
    hidden, rig = metered(6)
    calibration = calibration_from_csv(hidden.csv(), rig)
    state = settled(rig, calibration).snapshot().model_dump(mode="json")
    half = state["uncertainty"]["ratio_stops"]
    assert 0.02 < half < 0.45
    assert f"ratio 2.0:1 ±{half:.2f} stop" in summary.one_line(state)
    assert f"within ±{half:.2f} stop" in "\n".join(summary.state_lines(state))


def test_an_error_larger_than_its_uncertainty_is_a_number() -> None:
    _, rig = metered(0)
    state = solve_rig(rig, ratio=60.0).report.model_dump(mode="json")
    state["uncertainty"] = {"ratio_stops": 0.12, "exposure_stops": 0.1, "face_stops": 0.2}
    state["achieved"]["ratio_error_stops"] = -0.35
    assert "-0.35 ±0.12 stop" in "\n".join(summary.state_lines(state))


def test_a_plan_gives_the_face_no_more_digits_than_are_known() -> None:
    """By labels alone two digits are known of any light."""
    told = printed(plan_command, str(INTERVIEW), "--mark", "host", "--all")
    face = told[told.index("on the face") : told.index("read as")]
    found = [text.replace(".", "").strip("0") for text in re.findall(r"(\d+(?:\.\d+)?) lx", face)]
    assert found
    assert max(map(len, found)) <= 2
