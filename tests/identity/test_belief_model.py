"""What must be so of any estimator: slopes are slopes, order does not matter, more readings only help."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from bench.simulated_studio import Hidden, read_fixed_plan, studio
from fillside.balance.target import target_from_rig
from fillside.belief.belief import believe
from fillside.belief.evidence import Evidence, HeadEvent, Reading
from fillside.belief.evidence_table import csv_from_readings, readings_from_csv
from fillside.belief.forward.model import model_of
from fillside.belief.observations import observations, steps_of
from fillside.belief.result.calibrating import belief_from_csv, calibration_from_csv
from fillside.belief.result.expected_levels import ExpectedLevels, dimmer_table, plain_calibration
from fillside.belief.result.intervals import Intervals, own_light
from fillside.belief.result.restoring import evidence_of
from fillside.photometry.room_light import received_lux
from fillside.photometry.source import head_directions
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

SEEDS = range(4)


def metered(seed: int, count: int, hidden: Hidden | None = None) -> tuple[Rig, tuple[Reading, ...]]:
    hidden_studio = studio(seed, hidden)
    hidden_studio.read_ambient()
    read_fixed_plan(hidden_studio, count)
    rig = Rig.model_validate(hidden_studio.rig_table())
    return rig, readings_from_csv(hidden_studio.csv(), rig)


def stepped_evidence(rig: Rig, readings: tuple[Reading, ...]) -> Evidence:
    """The readings in the morning and again in the evening, a stand moved and a lamp changed between."""
    x, y, z = rig.marks["chair"]
    both = Reading(heads=("key", "fill"), levels=(0.6, 0.5), at=(x + 0.1, y, z), value=500, facing="camera")
    across = Reading(heads=("key",), levels=(0.9,), at=(x, y, z), value=30, facing="fill")
    dome = both.model_copy(update={"receptor": "dome"})
    outside = Reading(at=(x + 0.3, y - 0.2, z), value=25, facing="fill", receptor="dome")
    every = (*readings, both, dome, across, outside)
    morning, evening = (
        tuple(one.model_copy(update={"time": f"2026-02-11T{hour}:00"}) for one in every)
        for hour in ("09", "18")
    )
    events = (
        HeadEvent(head="key", kind="moved", time="2026-02-11T12:00"),
        HeadEvent(head="fill", kind="changed", time="2026-02-11T13:00"),
    )
    return Evidence((*morning, *evening), events=events)


@pytest.mark.parametrize("seed", SEEDS)
def test_slopes_are_those_of_small_steps(seed: int) -> None:
    rig, readings = metered(seed, 6, Hidden(bounce=(0.05, 0.1)))
    evidence = stepped_evidence(rig, readings)
    model = model_of(rig, steps_of(evidence, rig))
    wanted = observations(evidence, model).quantities
    wanted = replace(wanted, daylight=np.linspace(0.2, 3.0, len(wanted)))
    at = 0.5 * np.random.default_rng(seed).standard_normal(model.size)
    lux, slopes = model.lux_and_slopes(model.figures(at), wanted)
    step = 1e-4
    stepped = np.array(
        [
            model.lux(model.figures(at + step * axis), wanted)
            - model.lux(model.figures(at - step * axis), wanted)
            for axis in np.eye(model.size)
        ]
    ).T / (2 * step)
    assert (np.abs(stepped).max(axis=0) > 0).all(), "every unknown moves some reading"
    assert lux == pytest.approx(model.lux(model.figures(at), wanted))
    for unknown in range(model.size):
        largest = float(np.abs(stepped[:, unknown]).max())
        assert slopes[:, unknown] == pytest.approx(stepped[:, unknown], rel=0.01, abs=0.01 * largest), unknown


@pytest.mark.parametrize("seed", SEEDS)
def test_the_order_of_readings_does_not_matter(seed: int) -> None:
    rig, readings = metered(seed, 3)
    place = rig.first_mark
    one, other = believe(readings, rig), believe(readings[::-1], rig)
    levels = [ExpectedLevels(f).at(place) for f in (one, other)]
    assert levels[0] == pytest.approx(levels[1], abs=1e-3)


@pytest.mark.parametrize("seed", SEEDS)
def test_twice_the_light_is_twice_the_intensity(seed: int) -> None:
    rig, readings = metered(seed, 3)
    doubled = tuple(r.model_copy(update={"value": 2 * (r.value or 0)}) for r in readings)
    table = rig.dump()
    heads = [{**head, "intensity": 2 * head["intensity"]} for head in table["heads"]]
    brighter = Rig.model_validate({**table, "heads": heads})
    one, other = believe(readings, rig), believe(doubled, brighter)
    assert np.exp2(other.figures.log2_cd - one.figures.log2_cd) == pytest.approx([2.0, 2.0], rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_further_reading_makes_it_surer_or_as_sure(seed: int) -> None:
    rig, readings = metered(seed, 6)
    sigmas = []
    for count in range(len(readings) + 1):
        found = believe(readings[:count], rig)
        intervals = Intervals(rig, plain_calibration(found), found)
        told = intervals.at(rig.first_mark, (0.6, 0.6), (True, True), target_from_rig(rig)).uncertainty
        sigmas.append(told.ratio_stops)
    # The spread of the hand is itself learned from the readings, so a bad one may cost a little.
    assert all(later < earlier * 1.1 for earlier, later in pairwise(sigmas))
    assert sigmas[-1] < 0.12 * sigmas[0]


def test_without_readings_the_labels_stand() -> None:
    rig, _ = metered(0, 1)
    found = believe((), rig)
    for i, head in enumerate(rig.heads):
        assert 2 ** found.figures.log2_cd[i] == pytest.approx(head.intensity_cd)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_calibration_keeps_its_readings(seed: int) -> None:
    hidden_studio = studio(seed)
    hidden_studio.read_ambient()
    read_fixed_plan(hidden_studio, 3)
    rig = Rig.model_validate(hidden_studio.rig_table())
    calibration = calibration_from_csv(hidden_studio.csv(), rig)
    assert evidence_of(calibration).readings == readings_from_csv(hidden_studio.csv(), rig)
    again = type(calibration).model_validate_json(calibration.model_dump_json())
    assert believe(evidence_of(again).readings, rig).z == pytest.approx(
        belief_from_csv(hidden_studio.csv(), rig).z
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_dimmers_are_monotone_tables(seed: int) -> None:
    rig, readings = metered(seed, 6)
    found = believe(readings, rig)
    wild = np.random.default_rng(seed).standard_normal(found.model.size)
    for z in (found.z, wild, 4 * wild):
        figures = found.model.figures(z)
        levels, outputs = dimmer_table(replace(found, point=replace(found.point, figures=figures)), 0)
        assert (np.diff(levels) > 0).all()
        assert (np.diff(outputs) >= 0).all()
        assert (levels[0], levels[-1], outputs[0], outputs[-1]) == (0.0, 1.0, 0.0, 1.0)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_scene_of_the_calibration_gives_the_light_of_the_fit(seed: int) -> None:
    rig, readings = metered(seed, 6)
    found = believe(readings, rig)
    believed = scene(rig, calibration_from_csv(csv_from_readings(readings), rig))
    for place, levels in (((0.2, 0.1, 1.2), (0.7, 0.5)), ((-0.3, 0.4, 1.5), (1.0, 0.35))):
        outputs = [c.output_from_level(v) for c, v in zip(believed.curves, levels, strict=True)]
        faced = head_directions(believed.sources, place)[np.newaxis]
        lux = received_lux(believed.sources, place, faced, np.array([False]))[0]
        expected = lux * np.array(outputs)
        assert own_light(found, place, np.array(levels))[0] == pytest.approx(expected, rel=1.5e-3)
