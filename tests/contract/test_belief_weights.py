"""Contract: what a display's last digit and a label weigh when readings become a calibration.

JCGM 100:2008, 4.3.7: a number known to be within half a step has a standard uncertainty of step / sqrt 12.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from bench.simulated_studio import Hidden, studio
from fillside.belief.evidence import Evidence, Reading
from fillside.belief.forward.model import model_of
from fillside.belief.observations import observations
from fillside.belief.result.calibrating import calibration_from_csv
from fillside.rig.tables.model import Rig


def reading(value: float, unit: str = "lux") -> Reading:
    return Reading(heads=("key",), levels=(1.0,), at=(0.0, 0.0, 1.2), value=value, unit=unit)


def meter_sd_stops(*readings: Reading) -> list[float]:
    """The meter's part of each reading's standard uncertainty, in a rig whose meter has 0.05 stop."""
    rig = Rig.model_validate(studio(1).rig_table())
    return [float(sd) for sd in observations(Evidence(readings), model_of(rig)).meter_sd[: len(readings)]]


@pytest.mark.parametrize("lux", [3.0, 5.0, 640.0])
def test_a_reading_of_few_whole_lux_weighs_less(lux: float) -> None:
    """d log2 E = dE / (E ln 2); the display's step is one lux. A lux of darkness more or less is the rest."""
    by_the_digit = 1 / math.sqrt(12) / (lux * math.log(2))
    (found,) = meter_sd_stops(reading(lux))
    assert found == pytest.approx(math.hypot(0.05, by_the_digit), rel=0.12)


def test_tenths_written_weigh_more_than_none() -> None:
    whole, tenths = meter_sd_stops(reading(3.0), reading(3.1))
    assert whole > 1.8 * tenths


def test_an_f_stop_without_tenths_is_known_to_a_third() -> None:
    third, tenth = meter_sd_stops(
        Reading(heads=("key",), levels=(1.0,), at=(0.0, 0.0, 1.2), unit="f/4@400@1/50"),
        Reading(heads=("key",), levels=(1.0,), at=(0.0, 0.0, 1.2), unit="f/4+0.1@400@1/50"),
    )
    assert third == pytest.approx(math.hypot(0.05, 1 / 3 / math.sqrt(12)), rel=0.01)
    assert tenth == pytest.approx(math.hypot(0.05, 0.1 / math.sqrt(12)), rel=0.01)


def stops_down_found(label: str, stops_down: float, at: float) -> float:
    """How far the key's dimmer is believed down at a level [stops] that was metered so many down at 0.6."""
    hidden = studio(6, Hidden(label_curve=label))
    exponent = stops_down / -math.log2(0.6)
    levels = np.linspace(0.01, 1.0, 100)
    steps = tuple(levels.tolist()), tuple((levels**exponent).tolist())
    hidden = replace(hidden, heads=tuple(replace(head, steps=steps) for head in hidden.heads))
    hidden.read_ambient()
    for level in (1.0, 0.6):
        hidden.read({"key": level}, hidden.mark.tolist())
    curve = calibration_from_csv(hidden.csv(), Rig.model_validate(hidden.rig_table())).heads["key"].curve
    assert curve is not None
    return -math.log2(np.interp(at, curve.levels, curve.outputs))


@pytest.mark.parametrize("stops_down", [2.1, 2.2, 2.3, 3.0])
def test_a_label_is_evidence_for_levels_that_nobody_metered(stops_down: float) -> None:
    """Two readings settle what is metered, whatever the label; below, the label counts: the 7 stops of
    IEC 62386-102 at level 0.3 pull one way, the 1.7 of a straight line the other."""
    settled = [stops_down_found(label, stops_down, 0.6) for label in ("log", "linear")]
    assert settled == pytest.approx([stops_down, stops_down], abs=0.3)
    low = [stops_down_found(label, stops_down, 0.3) for label in ("log", "linear")]
    assert low[0] > low[1] + 0.2
    assert low[1] > stops_down
