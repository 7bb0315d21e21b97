"""Contract: any dimmer that never falls is found in the limit of readings, whatever its label says."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from bench.simulated_studio import Hidden, HiddenStudio, studio
from fillside.belief.belief import Belief, believe
from fillside.belief.evidence_table import readings_from_csv
from fillside.rig.tables.model import Rig

IN_USE = np.linspace(0.1, 1.0, 91)
SMALL_NOISE_STOPS = 0.02


def lightness(level: float) -> float:
    return ((100 * level + 16) / 116) ** 3 if level > 0.08 else 100 * level * 27 / 24389


def s_curve(level: float) -> float:
    """A logistic between its ends, steepest in the middle."""
    low, high = 1 / (1 + math.exp(4.0)), 1 / (1 + math.exp(-4.0))
    return (1 / (1 + math.exp(-8 * (level - 0.5))) - low) / (high - low)


def phase_cut(level: float) -> float:
    """Mean power of a sine wave let through for the last `level` of each half: the level less a sine."""
    return level - math.sin(2 * math.pi * level) / (2 * math.pi)


# The laws as their standards print them: IEC 62386-102, and CIE 1976 lightness (ISO/CIE 11664-4).
DIMMERS: dict[str, Callable[[float], float]] = {
    "linear": lambda level: level,
    "square": lambda level: level**2,
    "dali": lambda level: 10 ** (3 * (level - 1)),
    "lightness": lightness,
    "s": s_curve,
    "phase cut": phase_cut,
    "dead zone": lambda level: max((level - 0.05) / 0.95, 0.0) ** 1.5,
}
LABELS = ("linear", "square", "log", "lightness")


def with_dimmer(law: Callable[[float], float], label: str, seed: int = 1) -> HiddenStudio:
    """A dark studio whose key follows a law, so bright that low levels can be metered, by a meter that errs
    little."""
    dark = Hidden(label_curve=label, meter_stops=SMALL_NOISE_STOPS, ambient_lux=(0.0, 0.0))
    hidden = studio(seed, dark)
    levels = np.linspace(0.0005, 1.0, 2000)
    outputs = np.maximum([law(float(level)) for level in levels], 1e-9)
    steps = tuple(levels.tolist()), tuple(outputs.tolist())
    bright = [
        replace(head, steps=steps, label_cd=30 * head.label_cd, intensity_cd=30 * head.intensity_cd)
        for head in hidden.heads
    ]
    return replace(hidden, heads=tuple(bright))


def read_levels(hidden: HiddenStudio, levels: np.ndarray) -> Belief:
    """The belief of the room with all heads out, and of the key at the levels."""
    hidden.read_ambient()
    for level in levels.tolist():
        hidden.read({"key": level}, hidden.mark.tolist())
    rig = Rig.model_validate(hidden.rig_table())
    return believe(readings_from_csv(hidden.csv(), rig), rig)


def off_stops(belief: Belief, law: Callable[[float], float], levels: np.ndarray) -> np.ndarray:
    """The believed dimmer of the key over the true one [stops]."""
    true = np.log2([law(float(level)) for level in levels])
    return np.asarray(belief.figures.dimmers.log2_output(np.zeros(len(levels), dtype=np.intp), levels) - true)


@pytest.mark.parametrize("label", LABELS)
@pytest.mark.parametrize("name", DIMMERS)
def test_any_dimmer_is_found_by_thirty_readings(name: str, label: str) -> None:
    hidden = with_dimmer(DIMMERS[name], label)
    belief = read_levels(hidden, np.concatenate([np.linspace(0.1, 1.0, 28), [0.04, 1.0]]))
    off = off_stops(belief, DIMMERS[name], IN_USE)
    assert float(np.abs(off).max()) < 0.1, IN_USE[int(np.abs(off).argmax())]


@pytest.mark.parametrize("name", DIMMERS)
def test_no_sound_reading_of_any_dimmer_is_taken_for_a_slip(name: str) -> None:
    """At levels in use; no light where a label without a dead zone has some may be either."""
    hidden = with_dimmer(DIMMERS[name], "square")
    belief = read_levels(hidden, np.concatenate([np.linspace(0.1, 1.0, 28), [0.04, 1.0]]))
    wrong = [reading for reading, slip in zip(belief.readings, belief.wrong, strict=True) if slip]
    assert [reading for reading in wrong if not reading.levels or reading.levels[0] >= 0.1] == []


@pytest.mark.parametrize("label", LABELS)
def test_more_readings_of_more_levels_are_nearer(label: str) -> None:
    worst = []
    for count in (1, 3, 10, 30):
        belief = read_levels(with_dimmer(s_curve, label), np.linspace(1.0, 0.1, count))
        worst.append(float(np.abs(off_stops(belief, s_curve, IN_USE)).max()))
    assert worst[3] < 0.1
    assert worst[2] < worst[0] / 2
    assert worst[3] < worst[1]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("label", LABELS)
def test_a_right_label_is_right_after_one_reading(label: str, seed: int) -> None:
    """Its dimmer at every level in use, and so its light."""
    law = {**DIMMERS, "log": DIMMERS["dali"]}[label]
    belief = read_levels(with_dimmer(law, label, seed), np.array([1.0]))
    assert off_stops(belief, law, IN_USE) == pytest.approx(np.zeros(len(IN_USE)), abs=0.02)


@pytest.mark.parametrize("label", LABELS)
def test_the_curve_never_falls_whatever_was_read(label: str) -> None:
    """Readings that no rising dimmer can give, more light at lower levels, bend it at most to be level."""
    hidden = with_dimmer(lambda level: 1.2 - level, label)
    belief = read_levels(hidden, np.linspace(0.1, 1.0, 10))
    outputs = belief.figures.dimmers.outputs(0, np.linspace(0.0, 1.0, 500))
    assert (np.diff(outputs) >= 0).all()
    assert (outputs[0], outputs[-1]) == (0.0, 1.0)


def test_levels_that_nobody_metered_are_less_sure() -> None:
    """A dimmer read at two levels is surest there, less between, least beyond."""
    belief = read_levels(with_dimmer(DIMMERS["square"], "square"), np.array([1.0, 0.5, 1.0, 0.5]))
    levels = np.array([0.5, 0.7, 0.3, 0.15])
    slopes = belief.figures.dimmers.log2_and_slopes(np.zeros(4, dtype=np.intp), levels)[1]
    block = belief.model.head_block(0)
    rows = np.zeros((4, belief.model.size))
    rows[:, block.stop - slopes.shape[1] : block.stop] = slopes
    metered, between, beyond, far = np.sqrt(belief.posterior.variance(rows)).tolist()
    assert metered < between < beyond < far
    assert metered < 0.1
