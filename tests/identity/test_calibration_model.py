"""What must be so of any estimator: slopes are slopes, order does not matter, more readings only help."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from bench.simulated_studio import Hidden, read_fixed_plan, studio
from fillside.calibration.estimate.fit import fit
from fillside.calibration.estimate.model import Shapes, model_of
from fillside.calibration.estimate.observations import ambient_direction, observations
from fillside.calibration.estimate.uncertainty import held_sigma_stops, own_light
from fillside.calibration.readings import Reading, csv_from_readings, readings_from_csv
from fillside.calibration.result.expected_levels import ExpectedLevels, dimmer_table
from fillside.calibration.result.outcome import fit_again, fit_csv, fit_text, readings_of
from fillside.photometry.source import facing_lux
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

SEEDS = range(4)


def metered(seed: int, count: int, hidden: Hidden | None = None) -> tuple[Rig, tuple[Reading, ...]]:
    hidden_studio = studio(seed, hidden)
    hidden_studio.read_ambient()
    read_fixed_plan(hidden_studio, count)
    rig = Rig.model_validate(hidden_studio.rig_table())
    return rig, readings_from_csv(hidden_studio.csv(), rig)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("logarithmic", [False, True])
def test_slopes_are_those_of_small_steps(seed: int, logarithmic: bool) -> None:
    rig, readings = metered(seed, 6, Hidden(bounce=(0.05, 0.1)))
    x, y, z = rig.marks["chair"]
    both = Reading(heads=("key", "fill"), levels=(0.6, 0.5), at=(x + 0.1, y, z), value=500, facing="camera")
    across = Reading(heads=("key",), levels=(0.9,), at=(x, y, z), value=30, facing="fill")
    more = (both, both.model_copy(update={"receptor": "dome"}), across)
    model = model_of(rig, [ambient_direction(rig, r) for r in (*readings, *more)])
    wanted = observations((*readings, *more), model).quantities
    at = 0.5 * np.random.default_rng(seed).standard_normal(model.size)
    shapes = Shapes(np.array([logarithmic, False]), np.array([True, True]))
    lux, slopes = model.lux_and_slopes(at, shapes, wanted)
    step = 1e-5
    stepped = [
        (model.lux(at + step * axis, shapes, wanted) - model.lux(at - step * axis, shapes, wanted))
        / (2 * step)
        for axis in np.eye(model.size)
    ]
    assert lux == pytest.approx(model.lux(at, shapes, wanted))
    assert slopes == pytest.approx(np.array(stepped).T, rel=0.01, abs=2e-4 * float(lux.max()))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_order_of_readings_does_not_matter(seed: int) -> None:
    rig, readings = metered(seed, 3)
    place = rig.first_mark
    one, other = fit(readings, rig), fit(readings[::-1], rig)
    levels = [ExpectedLevels(f).at(place) for f in (one, other)]
    assert levels[0] == pytest.approx(levels[1], abs=1e-3)


@pytest.mark.parametrize("seed", SEEDS)
def test_twice_the_light_is_twice_the_intensity(seed: int) -> None:
    rig, readings = metered(seed, 3)
    doubled = tuple(r.model_copy(update={"value": 2 * (r.value or 0)}) for r in readings)
    table = rig.dump()
    heads = [{**head, "intensity": 2 * head["intensity"]} for head in table["heads"]]
    brighter = Rig.model_validate({**table, "heads": heads})
    one, other = fit(readings, rig), fit(doubled, brighter)
    assert np.exp2(other.model.figures(other.z)[:, 0] - one.model.figures(one.z)[:, 0]) == pytest.approx(
        [2.0, 2.0], rel=0.01
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_every_further_reading_makes_it_surer_or_as_sure(seed: int) -> None:
    rig, readings = metered(seed, 6)
    sigmas = []
    for count in range(len(readings) + 1):
        found = fit(readings[:count], rig)
        levels = np.full(2, 0.6)
        sigmas.append(held_sigma_stops(found, rig.first_mark, levels)[0])
    # The spread of the hand is itself learned from the readings, so a bad one may cost a little.
    assert all(later < earlier * 1.1 for earlier, later in pairwise(sigmas))
    assert sigmas[-1] < 0.12 * sigmas[0]


def test_without_readings_the_labels_stand() -> None:
    rig, _ = metered(0, 1)
    found = fit((), rig)
    for i, head in enumerate(rig.heads):
        assert 2 ** found.model.figures(found.z)[i, 0] == pytest.approx(head.intensity_cd)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_calibration_keeps_its_readings(seed: int) -> None:
    hidden_studio = studio(seed)
    hidden_studio.read_ambient()
    read_fixed_plan(hidden_studio, 3)
    rig = Rig.model_validate(hidden_studio.rig_table())
    calibration = fit_csv(hidden_studio.csv(), rig)
    assert readings_of(calibration) == readings_from_csv(hidden_studio.csv(), rig)
    again = type(calibration).model_validate_json(calibration.model_dump_json())
    assert fit_again(again, rig).z == pytest.approx(fit_text(hidden_studio.csv(), rig).z)


@pytest.mark.parametrize("seed", SEEDS)
def test_dimmers_are_monotone_tables(seed: int) -> None:
    rig, readings = metered(seed, 6)
    found = fit(readings, rig)
    for bent in (False, True):
        z = found.z.copy()
        shapes = Shapes(found.shapes.logarithmic, np.array([bent, bent]))
        z[found.model.head_block(0)][8:] = np.random.default_rng(seed).standard_normal(7)
        levels, outputs = dimmer_table(found.model, z, shapes, 0)
        assert (np.diff(levels) > 0).all()
        assert (np.diff(outputs) >= 0).all()
        assert (levels[0], levels[-1], outputs[0], outputs[-1]) == (0.0, 1.0, 0.0, 1.0)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_scene_of_the_calibration_gives_the_light_of_the_fit(seed: int) -> None:
    rig, readings = metered(seed, 6)
    found = fit(readings, rig)
    believed = scene(rig, fit_csv(csv_from_readings(readings), rig))
    for place, levels in (((0.2, 0.1, 1.2), (0.7, 0.5)), ((-0.3, 0.4, 1.5), (1.0, 0.35))):
        outputs = [c.output_from_level(v) for c, v in zip(believed.curves, levels, strict=True)]
        faced = facing_lux(believed.sources, place) + believed.sources.room_mean_lux
        expected = faced * np.array(outputs)
        assert own_light(found, place, np.array(levels))[0] == pytest.approx(expected, rel=3e-3)


def test_a_stated_bounce_is_not_counted_twice_in_what_was_read() -> None:
    """A reading that faces the head has the room's light in it; away from the aim the two differ a little."""
    rig, readings = metered(0, 6)
    table = rig.dump()
    rig = Rig.model_validate({**table, "heads": [{**head, "bounce": 0.1} for head in table["heads"]]})
    found = fit(readings, rig)
    believed = scene(rig, fit_csv(csv_from_readings(readings), rig))
    levels = np.array([0.7, 0.5])
    outputs = [c.output_from_level(v) for c, v in zip(believed.curves, levels, strict=True)]
    faced = facing_lux(believed.sources, rig.first_mark) + believed.sources.room_mean_lux
    assert believed.sources.room_mean_lux.min() > 0.04 * faced.min()
    assert own_light(found, rig.first_mark, levels)[0] == pytest.approx(faced * np.array(outputs), rel=0.01)
