"""What a calibration says: figures, suspects with reasons, uncertainties, the next best reading."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bench.simulated_studio import Hidden, HiddenStudio, read_fixed_plan, studio
from fillside.belief.belief import believe
from fillside.belief.evidence import Reading
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.questions.candidates import Candidate
from fillside.belief.questions.next_reading import next_reading
from fillside.belief.result.calibrating import belief_from_csv, calibration_from_csv
from fillside.belief.suspicions import suspicions
from fillside.rig.calibration import Calibration
from fillside.rig.tables.model import Rig


def suspicion(reading: Reading, earlier: Sequence[Reading], rig: Rig) -> str | None:
    return suspicions((reading,), believe(tuple(earlier), rig))[0]


def calibrated(hidden: HiddenStudio) -> tuple[Rig, Calibration]:
    rig = Rig.model_validate(hidden.rig_table())
    return rig, calibration_from_csv(hidden.csv(), rig)


def metered(
    seed: int, count: int, hidden: Hidden | None = None, spoilt: dict[int, float] | None = None
) -> HiddenStudio:
    found = studio(seed, hidden)
    found.spoilt.update(spoilt or {})
    found.read_ambient()
    read_fixed_plan(found, count)
    return found


def test_the_printed_calibration_is_read_back() -> None:
    hidden = metered(2, 6)
    _, calibration = calibrated(hidden)
    text = calibration.model_dump_json()
    assert Calibration.model_validate_json(text).model_dump_json() == text
    data = json.loads(text)
    for name in ("key", "fill"):
        head = data["heads"][name]
        figures = {"intensity_cd", "setback_m", "diameter_m", "room", "curve", "floor", "sigma_stops"}
        assert figures <= set(head)
        assert not {"dimmer", "exponent", "dead_zone", "full_from"} & set(head)
        assert {"mean", "vector"} == set(head["room"])
        assert {"levels", "outputs"} == set(head["curve"])
        assert [entry["number"] for entry in head["readings"]] == sorted(
            e["number"] for e in head["readings"]
        )
        assert all({"residual_stops", "suspect"} <= set(entry) for entry in head["readings"])
    assert set(data["next"]) >= {"head", "level", "at", "receptor", "facing", "expected_lux", "enough"}
    sides = {"toward_key", "toward_fill", "toward_camera"}
    assert sides | {"mean", "vector", "window", "window_m"} <= set(data["ambient"])


def test_figures_are_near_the_truth_where_readings_can_tell() -> None:
    hidden = metered(2, 6)
    _, calibration = calibrated(hidden)
    for head in hidden.heads:
        found = calibration.heads[head.name]
        assert found.curve is not None
        assert found.intensity_cd == pytest.approx(head.intensity_cd, rel=0.3)
        outputs = np.interp((0.45, 0.7), found.curve.levels, found.curve.outputs)
        assert np.log2(outputs) == pytest.approx(np.log2(head.output(np.array([0.45, 0.7]))), abs=0.2)
        full = head.facing_lux(hidden.mark)
        fitted = next(e for e in found.readings if e.levels == (1.0,)).expected_lux
        assert np.log2(fitted / (full + hidden.ambient_lux[head.role])) == pytest.approx(0, abs=0.12)
    assert calibration.ambient is not None
    assert calibration.ambient.toward_key == pytest.approx(hidden.ambient_lux["key"], rel=0.2)


@pytest.mark.parametrize("seed", range(6))
def test_a_slip_of_one_stop_in_six_readings_is_named(seed: int) -> None:
    slip = 3 + (2, 3, 11, 9, 11, 5)[seed]  # no level that was read once and lies beyond all others
    hidden = metered(seed, 6, spoilt={slip: 1.0 if seed % 2 else -1.0})
    _, calibration = calibrated(hidden)
    entries = {e.number: e for head in calibration.heads.values() for e in head.readings}
    suspects = [number for number, entry in entries.items() if entry.suspect]
    assert suspects == [slip + 1]
    assert ("above" if seed % 2 else "below") in (entries[slip + 1].why or "")
    assert "stop" in (entries[slip + 1].why or "")


def test_an_unlikely_reading_is_taken_and_flagged() -> None:
    hidden = metered(3, 1)
    rig = Rig.model_validate(hidden.rig_table())
    readings = list(readings_from_csv(hidden.csv(), rig))
    key = next(r for r in readings if r.heads == ("key",))
    wild = key.model_copy(update={"value": 60 * (key.value or 0)})
    why = suspicion(wild, readings, rig)
    assert why is not None
    assert "stops above what this head can give" in why
    assert suspicion(key, readings, rig) is None
    weak = key.model_copy(update={"value": 0.0})
    assert "no light" in (suspicion(weak, readings, rig) or "")
    assert believe([*readings, wild], rig).readings[-1] == wild


def test_an_unlikely_reading_is_flagged_in_the_calibration_too() -> None:
    hidden = metered(3, 1, spoilt={3: 5.0})
    _, calibration = calibrated(hidden)
    (entry,) = calibration.heads["key"].readings
    assert "can give" in (entry.why or "")
    assert not entry.left_out


def test_a_reading_that_the_others_bear_out_is_not_held_against_the_labels() -> None:
    """A head unlike most: it gives stops more than its label lets one believe; all readings agree."""
    dark = Hidden(exponent=(0.9, 0.9), dead_zone=(0.0, 0.0), saturation=(1.0, 1.0), ambient_lux=(1.0, 2.0))
    hidden = studio(4, replace(dark, tells_ambient=True))
    key, fill = hidden.heads
    hidden = replace(hidden, heads=(replace(key, intensity_cd=16 * key.label_cd), fill))
    for level in (1.0, 1.0, 1.0, 0.5, 0.25, 0.1):
        hidden.read({"key": level}, hidden.mark.tolist())
    rig, calibration = calibrated(hidden)
    for full in readings_from_csv(hidden.csv(), rig)[:3]:
        assert "stops above what" in (suspicion(full, (), rig) or "")
    assert [entry.why for entry in calibration.heads["key"].readings] == [None] * 6


@pytest.mark.parametrize("dimming", [
    {"curve": {"levels": [0.0, 0.5, 1.0], "outputs": [0.0, 0.1, 1.0]}}, {"curve": "linear", "measured": True}
])  # fmt: skip
def test_a_measured_curve_is_believed(dimming: dict[str, Any]) -> None:
    hidden = metered(4, 6)
    table = hidden.rig_table()
    table["heads"][0]["dimming"] = dimming
    rig = Rig.model_validate(table)
    curve = calibration_from_csv(hidden.csv(), rig).heads["key"].curve
    assert curve is not None
    wanted = 0.5 if dimming["curve"] == "linear" else 0.1
    assert np.interp(0.5, curve.levels, curve.outputs) == pytest.approx(wanted, abs=1e-6)


def test_a_logarithmic_dimmer_is_found_out() -> None:
    # IEC 62386-102 shape behind a label that says linear.
    levels = tuple(np.linspace(0.01, 1, 100))
    steps = levels, tuple(10 ** (3 * (np.array(levels) - 1)))
    hidden = studio(5)
    truth = tuple(type(h)(**{**vars(h), "steps": steps}) for h in hidden.heads)
    hidden = type(hidden)(**{**vars(hidden), "heads": truth})
    hidden.read_ambient()
    read_fixed_plan(hidden, 4)
    _, calibration = calibrated(hidden)
    for name in ("key", "fill"):
        curve = calibration.heads[name].curve
        assert curve is not None
        metered_at = np.array([0.45, 0.7])
        measured = np.log2(np.interp(metered_at, curve.levels, curve.outputs))
        assert measured == pytest.approx(3 * (metered_at - 1) * np.log2(10), abs=0.25)


def test_a_dead_head_reading_nothing_is_weighed_too() -> None:
    hidden = studio(6)
    rig = Rig.model_validate(hidden.rig_table())
    mark = rig.first_mark
    full = hidden.read({"key": 1.0}, mark)
    readings = (
        Reading(heads=("key",), levels=(1.0,), at=mark, value=full.value_lux),
        Reading(heads=("key",), levels=(0.12,), at=mark, value=0.0),
        Reading(at=mark, value=0.0, facing="key"),
    )
    found = believe(readings, rig)
    assert np.isfinite(found.z).all()
    levels = np.array([0.12, 0.5, 1.0])
    labels, believed = (one.figures.dimmers.outputs(0, levels) for one in (believe((), rig), found))
    assert labels[0] == pytest.approx(0.12**2, rel=0.02)
    assert believed[0] < labels[0] / 2
    assert 0 < believed[1] < 1


def test_readings_of_heads_together_are_split() -> None:
    hidden = studio(7)
    hidden.read_ambient()
    mark = hidden.mark.tolist()
    hidden.read({"key": 1.0, "fill": 1.0}, mark, "key")
    hidden.read({"fill": 1.0}, mark, "key")
    hidden.read({"fill": 1.0}, mark, "fill")
    _, calibration = calibrated(hidden)
    key = calibration.heads["key"]
    assert len(key.readings) == 1
    # At full, where they were read; what lower levels give is not known yet.
    assert key.model_dump()["sigma_full_stops"] < 0.4


def test_bounce_shows_where_a_key_is_metered_toward_the_fill() -> None:
    hidden = studio(8, Hidden(bounce=(0.12, 0.15)))
    hidden.read_ambient()
    read_fixed_plan(hidden, 2)
    hidden.read({"key": 1.0}, hidden.mark.tolist(), "camera", "dome")
    hidden.read({"key": 1.0}, hidden.mark.tolist(), "fill")
    hidden.read({"key": 1.0}, hidden.mark.tolist(), "camera", "dome")
    _, calibration = calibrated(hidden)
    key, found = hidden.head("key"), calibration.heads["key"]
    assert found.room is not None
    assert found.room.mean / key.facing_lux(hidden.mark) == pytest.approx(key.bounce, abs=0.05)


def test_the_first_reading_asked_for_is_at_the_working_level() -> None:
    rig = Rig.model_validate(studio(9).rig_table())
    asked = next_reading(believe((), rig))
    assert asked is not None
    assert isinstance(asked.asked, Candidate)
    assert asked.asked.head in {"key", "fill"}
    assert asked.asked.receptor == "flat"
    assert 0.3 <= asked.asked.level <= 0.85
    assert (asked.after.ratio or 9.0) < 0.8 * (asked.now.ratio or 0.0)
    assert not asked.enough


def test_asking_goes_on_until_it_is_good_enough_to_shoot() -> None:
    hidden = studio(10)
    rig = Rig.model_validate(hidden.rig_table())
    mark = np.array(rig.first_mark)
    asked_of, places, to_come = [], [], []
    for _ in range(20):
        found = believe(readings_from_csv(hidden.csv(), rig) if hidden.taken else (), rig)
        asked = next_reading(found)
        assert asked is not None
        if asked.enough:
            break
        one = asked.asked
        assert isinstance(one, Candidate)
        hidden.read({} if one.head is None else {one.head: one.level}, one.at, one.facing, one.receptor)
        to_come.append(asked.to_come)
        asked_of.append(one.head)
        places.append(np.array(one.at) - mark)
    assert asked.good
    assert asked.to_come == 0
    assert max(asked.now.ratio or 9.0, asked.now.exposure or 9.0) <= 0.1
    assert (asked.now.face or 9.0) <= 0.15
    assert 4 <= len(asked_of) <= to_come[0] < 12
    assert {"key", "fill", None} == set(asked_of)
    assert set(asked_of[:2]) == {"key", "fill"}
    assert all(np.linalg.norm(step) <= 0.61 for step in places)
    assert all(np.linalg.norm(place + mark - h.position) > 0.3 for place in places for h in hidden.heads)


def test_only_heads_that_may_be_asked_for_are() -> None:
    rig = Rig.model_validate(studio(9).rig_table())
    found = believe((), rig)
    asked = next_reading(found, only={"fill"})
    assert asked is not None
    assert asked.asked.head == "fill"
    assert next_reading(found, only=()) is None


def test_what_the_next_reading_promises_comes_about() -> None:
    hidden = metered(11, 2)
    rig = Rig.model_validate(hidden.rig_table())
    before = next_reading(belief_from_csv(hidden.csv(), rig))
    assert before is not None
    one = before.asked
    assert isinstance(one, Candidate)
    hidden.read({} if one.head is None else {one.head: one.level}, one.at, one.facing, one.receptor)
    after = next_reading(belief_from_csv(hidden.csv(), rig))
    assert after is not None
    assert after.now.ratio == pytest.approx(before.after.ratio, rel=0.25)
    assert abs(np.log2(hidden.taken[-1].value_lux / before.expected)) < 3 * before.expected_sigma


def test_other_heads_are_asked_for_as_well() -> None:
    hidden = metered(12, 4)
    table = hidden.rig_table()
    hair = {**table["heads"][0], "name": "top", "role": "hair", "position": [0.2, 0.9, 2.2]}
    wall = {**table["heads"][0], "name": "wall", "role": "background", "position": [1.0, 1.0, 0.6]}
    wall["aim"] = [0.4, 1.9, 1.2]
    for slot, head in ((9, hair), (11, wall)):
        head["drive"] = {"driver": "wire", "slot": slot, "bits": 16}
    rig = Rig.model_validate({**table, "heads": [*table["heads"], hair, wall]})
    asked = next_reading(belief_from_csv(hidden.csv(), rig))
    assert asked is not None
    assert asked.asked.head in {"top", "wall"}
    behind = next_reading(belief_from_csv(hidden.csv(), rig), only={"wall"})
    assert behind is not None
    assert isinstance(behind.asked, Candidate)
    assert (behind.asked.at, behind.asked.facing) == ((0.4, 1.9, 1.2), "camera")


def test_the_fit_needs_neither_scipy_nor_matplotlib_nor_a_clock() -> None:
    program = (
        "import sys, fillside.belief.result.calibrating, fillside.belief.since.drift\n"
        "import fillside.metering.routine.warmth\n"
        "import fillside.belief.daylight\n"
        "print(sorted({'scipy', 'matplotlib', 'asyncio', 'sqlite3'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
