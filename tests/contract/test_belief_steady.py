"""Contract: what a reading moves: nothing where it only bears out, other heads only by what they share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from bench.simulated_studio import Hidden, read_fixed_plan, studio
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence import Reading
from fillside.belief.evidence_table import readings_from_csv
from fillside.belief.observations import wanted_of
from fillside.belief.result.calibrating import calibration_of
from fillside.belief.result.comparing import shared_words
from fillside.belief.result.expected_levels import ExpectedLevels
from fillside.photometry.room_light import received_lux
from fillside.photometry.source import head_directions
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

STEADY_STOPS = 0.06
"""A reading off by 0.02 stop moves the light at another place or level a little more than at its own."""
MARK = (0.0, 0.0, 1.2)
FARTHER = (0.1, 0.4, 1.2)


Levels = npt.NDArray[np.float64]


def levels_in_use(belief: Belief) -> Levels:
    """Levels (heads, levels) that hold the balance at the marks and at places about them, and full."""
    held, expected = [], ExpectedLevels(belief)
    for mark in belief.rig.marks.values():
        for step in ((0.0, 0.0, 0.0), (0.3, 0.0, 0.0), (-0.3, 0.0, 0.1), (0.0, 0.3, -0.1), (0.0, -0.3, 0.0)):
            held.append(expected.at((np.array(mark) + step).tolist()))
    return np.stack([*held, np.ones(len(belief.model.names))], axis=1)


def light(rig: Rig, calibration: Calibration | None, levels: Levels) -> npt.NDArray[np.float64]:
    """log2 of each head's light at the marks at levels (marks, heads, levels), as the balance has it."""
    own = scene(rig, calibration)
    outputs = [curve.output_from_level(at) for curve, at in zip(own.curves, levels, strict=True)]
    found = []
    for mark in rig.marks.values():
        faced = head_directions(own.sources, mark)[np.newaxis]
        full = received_lux(own.sources, mark, faced, np.array([False]))[0]
        found.append(np.log2(full[:, np.newaxis] * np.array(outputs)))
    return np.array(found)


def metered(seed: int, count: int, hidden: Hidden | None = None) -> tuple[Rig, tuple[Reading, ...]]:
    own = studio(seed, hidden or Hidden(bounce=(0.03, 0.12), hand_m=0.02))
    own.read_ambient()
    read_fixed_plan(own, count)
    rig = Rig.model_validate(own.rig_table())
    return rig, readings_from_csv(own.csv(), rig)


def as_foretold(belief: Belief, asked: Reading, off_stops: float) -> Reading:
    """The reading with what a belief foretells of it, but for so many stops."""
    wanted = belief.model.quantities([wanted_of(asked, belief.model)])
    lux = float(belief.model.lux(belief.figures, wanted)[0])
    return asked.model_copy(update={"value": lux * 2**off_stops})


ASKED = (
    Reading(heads=("key",), levels=(1.0,), at=MARK, value=1.0),
    Reading(heads=("key",), levels=(0.4,), at=MARK, value=1.0),
    Reading(heads=("fill",), levels=(0.65,), at=FARTHER, value=1.0),
    Reading(heads=("key",), levels=(0.8,), at=MARK, value=1.0, facing="camera", receptor="dome"),
    Reading(heads=("key",), levels=(0.7,), at=MARK, value=1.0, facing="fill"),
    Reading(heads=("key", "fill"), levels=(0.7, 0.7), at=MARK, value=1.0, facing="camera", receptor="dome"),
    Reading(at=MARK, value=1.0, facing="key"),
)


@pytest.mark.parametrize("off_stops", [-0.0199, 0.0, 0.0199])
@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_a_reading_as_foretold_moves_no_light(count: int, off_stops: float) -> None:
    for seed in range(3):
        rig, readings = metered(seed, count)
        belief = believe(readings, rig)
        used = levels_in_use(belief)
        before = light(rig, calibration_of(belief), used)
        for asked in ASKED:
            one = as_foretold(belief, asked, off_stops)
            after = light(rig, calibration_of(believe((*readings, one), rig)), used)
            assert float(np.abs(after - before).max()) <= STEADY_STOPS, (seed, asked.heads, asked.facing)


@pytest.mark.parametrize("off_stops", [-0.0199, 0.0, 0.0199])
@pytest.mark.parametrize("room", [None, {"size": [4.0, 5.0, 2.6], "tone": "average"}])
def test_a_first_reading_as_foretold_moves_no_light(room: dict[str, object] | None, off_stops: float) -> None:
    """What is foretold is what the rig file alone gives: with a room, or by the direct light where none is
    stated."""
    for seed in range(3):
        own = studio(seed, Hidden(bounce=(0.03, 0.12)))
        rig = Rig.model_validate({**own.rig_table(), **({} if room is None else {"room": room})})
        used = levels_in_use(believe((), rig))
        before = light(rig, None, used)
        full_lux = float(np.exp2(before[0, 0, -1]))
        one = Reading(heads=("key",), levels=(1.0,), at=MARK, value=full_lux * 2**off_stops)
        after = light(rig, calibration_of(believe((one,), rig)), used)
        assert float(np.abs(after - before).max()) <= STEADY_STOPS


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("off_stops", [-0.4, 0.4])
def test_a_reading_of_one_head_moves_another_only_by_what_they_share(seed: int, off_stops: float) -> None:
    """What moved of a head that was not read is named, and what is not named did not move."""
    rig, readings = metered(seed, 3)
    belief = believe(readings, rig)
    asked = as_foretold(belief, ASKED[1], off_stops)
    before, after = calibration_of(belief), calibration_of(believe((*readings, asked), rig))
    used = levels_in_use(belief)
    moved = np.abs(light(rig, after, used) - light(rig, before, used))
    assert moved[:, 0].max() > STEADY_STOPS
    assert moved[:, 1].max() < 0.1
    words = shared_words(rig, before, after, ("key",))
    assert ("fill now counts as" in words) is bool(moved[:, 1].max() > STEADY_STOPS)
    assert "key" not in words


def test_nothing_is_shared_where_nothing_of_the_other_was_read() -> None:
    rig, readings = metered(2, 0, Hidden(tells_ambient=True))
    assert not any(one.heads for one in readings)
    key = Reading(heads=("key",), levels=(1.0,), at=MARK, value=900.0)
    before, after = (calibration_of(believe(own, rig)) for own in (readings, (*readings, key)))
    used = levels_in_use(believe((), rig))
    assert (light(rig, after, used)[:, 1] == light(rig, before, used)[:, 1]).all()
    assert "fill" not in shared_words(rig, before, after, ("key",))
