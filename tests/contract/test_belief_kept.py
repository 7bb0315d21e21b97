"""Contract: what a calibration keeps of a belief: light, intervals, what was told; earlier ones are read."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.simulated_studio import Hidden, read_fixed_plan, studio
from fillside.balance.prediction import Prediction, predict
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence import Evidence, HeadEvent, TapeMeasure
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.observations import ambient_sides
from fillside.belief.result.calibrating import calibration_of
from fillside.belief.result.intervals import Intervals, own_light
from fillside.belief.result.restoring import known_belief
from fillside.photometry.room_light import received_lux
from fillside.photometry.source import head_directions
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

PLACES = ((0.0, 0.0, 1.2), (0.4, -0.3, 1.3), (-0.4, 0.4, 1.0))
LEVELS = ((1.0, 1.0), (0.7, 0.5), (0.45, 0.35), (0.62, 0.81), (0.2, 0.15))
EARLIER = json.loads((Path(__file__).parent / "earlier_calibration.json").read_text())


def told_of(seed: int) -> tuple[Rig, Evidence]:
    """Readings in a room with light, a tape measure, a stand that was moved, and readings after that."""
    hidden = studio(seed, Hidden(bounce=(0.05, 0.15), hand_m=0.02))
    hidden.read_ambient()
    read_fixed_plan(hidden, 6)
    morning = len(hidden.taken)
    for level in (1.0, 0.5):
        hidden.read({"key": level}, hidden.mark.tolist())
    rig = Rig.model_validate(hidden.rig_table())
    readings = [
        one.model_copy(update={"time": f"2026-02-11T{9 if number < morning else 18:02d}:00"})
        for number, one in enumerate(readings_from_csv(hidden.csv(), rig))
    ]
    away = math.dist(rig.heads[1].position, rig.first_mark)
    tape = TapeMeasure(head="fill", at=rig.first_mark, distance_m=away + 0.02, time="2026-02-11T10:00")
    moved = HeadEvent(head="key", kind="moved", time="2026-02-11T12:00")
    return rig, Evidence(tuple(readings), (tape,), (moved,))


def there_and_back(belief: Belief) -> tuple[Calibration, Belief]:
    calibration = Calibration.model_validate_json(calibration_of(belief).model_dump_json())
    return calibration, known_belief(belief.rig, calibration)


@pytest.mark.parametrize("seed", range(4))
def test_a_calibration_read_back_gives_the_light_of_its_belief(seed: int) -> None:
    rig, evidence = told_of(seed)
    belief = believe(evidence, rig)
    _, again = there_and_back(belief)
    for place in PLACES:
        for levels in LEVELS:
            lux = [own_light(one, place, np.array(levels))[0] for one in (again, belief)]
            assert np.log2(lux[0] / lux[1]) == pytest.approx([0.0, 0.0], abs=1e-3), (place, levels)
    sides = [one.model.lux(one.figures, one.model.quantities(ambient_sides(rig))) for one in (again, belief)]
    assert sides[0] == pytest.approx(sides[1], rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_a_calibration_read_back_is_as_sure_as_its_belief(seed: int) -> None:
    rig, evidence = told_of(seed)
    belief = believe(evidence, rig)
    calibration, again = there_and_back(belief)
    assert again.evidence == evidence
    assert again.wrong.tolist() == belief.wrong.tolist()
    assert again.hand_sd_m == pytest.approx(belief.hand_sd_m, rel=1e-4)
    for place in PLACES:
        for levels in LEVELS:
            at = dict(zip(belief.model.names, levels, strict=True))
            said = predict(rig, place, at, calibration=calibration)
            fitted, read_back = (
                told(Intervals(rig, calibration, one).of_prediction(said)) for one in (belief, again)
            )
            assert read_back == pytest.approx(fitted, rel=0.1), (place, levels)
            assert told(Intervals(rig, calibration).of_prediction(said)) == pytest.approx(read_back)


def told(prediction: Prediction) -> list[float]:
    values = prediction.uncertainty.model_dump().values()
    return [value for value in values if value is not None]


def test_what_was_told_stays_in_the_calibration() -> None:
    rig, evidence = told_of(1)
    data = json.loads(calibration_of(believe(evidence, rig)).model_dump_json())
    assert [(one["kind"], one["head"]) for one in data["told"]] == [("tape", "fill"), ("moved", "key")]
    assert data["told"][0]["distance_m"] == evidence.tapes[0].distance_m
    assert data["told"][1]["time"] == "2026-02-11T12:00"


# The key's light at full by this calibration as the version that printed it gave it; at 0.6 its table's.
EARLIER_KEY_LUX, EARLIER_OUTPUTS = 2210.92313141, (0.3142787109, 0.3706020947)


def earlier(**changed: Any) -> tuple[Rig, Calibration]:
    rig = Rig.model_validate(EARLIER["rig"])
    return rig, Calibration.model_validate({**EARLIER["calibration"], **changed})


def test_an_earlier_calibration_is_read_kept_and_passed_on() -> None:
    _, calibration = earlier()
    assert json.loads(calibration.model_dump_json()) == EARLIER["calibration"]
    key = calibration.heads["key"].model_dump()
    assert {"bounce", "dimmer", "exponent", "dead_zone", "full_from"} <= set(key)


def test_an_earlier_calibration_gives_the_light_that_it_gave() -> None:
    rig, calibration = earlier()
    own, place = scene(rig, calibration), (0.3, 0.2, 1.2)
    assert [curve.output_from_level(0.6) for curve in own.curves] == pytest.approx(EARLIER_OUTPUTS, rel=1e-6)
    faced, flat = head_directions(own.sources, place)[np.newaxis], np.array([False])
    direct = received_lux(own.sources.with_room_light(np.zeros(2), np.zeros((2, 3))), place, faced, flat)[
        0, 0
    ]
    assert direct == pytest.approx(EARLIER_KEY_LUX, rel=1e-4)
    bounced = received_lux(own.sources, place, faced, flat)[0, 0] - direct
    at_aim = received_lux(
        own.sources.with_room_light(np.zeros(2), np.zeros((2, 3))),
        rig.first_mark,
        head_directions(own.sources, rig.first_mark)[np.newaxis],
        flat,
    )[0, 0]
    assert bounced == pytest.approx(EARLIER["calibration"]["heads"]["key"]["bounce"] * at_aim, rel=1e-3)


def test_an_earlier_calibration_is_a_belief_of_the_same_light() -> None:
    """Its dimmer and its room included, so that nothing jumps when the new version takes it up."""
    rig, calibration = earlier()
    belief, own = known_belief(rig, calibration), scene(rig, calibration)
    assert len(belief.readings) == len(calibration.readings())
    for place in PLACES:
        faced = head_directions(own.sources, place)[np.newaxis]
        full = received_lux(own.sources, place, faced, np.array([False]))[0]
        for levels in LEVELS:
            outputs = [c.output_from_level(level) for c, level in zip(own.curves, levels, strict=True)]
            lux = own_light(belief, place, np.array(levels))[0]
            assert np.log2(lux / (full * np.array(outputs))) == pytest.approx([0.0, 0.0], abs=0.05)


def test_the_readings_of_an_earlier_calibration_are_weighed_anew() -> None:
    rig, calibration = earlier()
    anew = calibration_of(believe(known_belief(rig, calibration).evidence, rig))
    assert [one.value for one in anew.readings_in_order()] == [
        one.value for one in calibration.readings_in_order()
    ]
    assert anew.heads["key"].room is not None
