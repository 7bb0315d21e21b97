"""The estimator's parts against published formulas: disc law, dimming curve, propagation, least variance."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from fillside.calibration.estimate.dimmer import log2_output
from fillside.calibration.estimate.gauss_newton import FitProblem
from fillside.calibration.estimate.model import PER_HEAD, Quantities, Shapes, Term, model_of
from fillside.calibration.estimate.priors import EXPONENT, FIGURES, INTENSITY, LIT_SHARE, SETBACK
from fillside.calibration.estimate.uncertainty import propagated

from fillside.belief.belief import believe
from fillside.belief.evidence import Reading
from fillside.belief.observations import observations
from fillside.rig.tables.model import Rig


def rig(**key: Any) -> Rig:
    def head(name: str, x: float) -> dict[str, Any]:
        return {
            "name": name,
            "role": name,
            "position": [x, -2.0, 1.2],
            "intensity": 40_000.0 if name == "key" else 80_000.0,
            "dimming": {"curve": "linear", "measured": True},
            "drive": {"driver": "wire", "slot": 1 if name == "key" else 2},
        }

    return Rig.model_validate(
        {
            "rig": {"name": "reference"},
            "camera": {"position": [0.0, -2.4, 1.2]},
            "marks": {"chair": [0.0, 0.0, 1.2]},
            "balance": {"exposure": 500.0},
            "heads": [{**head("key", 0.0), **key}, head("fill", 1.0)],
            "drivers": {"wire": {"kind": "sim"}},
        }
    )


def plain_shapes() -> Shapes:
    return Shapes(np.zeros(2, dtype=bool), np.zeros(2, dtype=bool))


# On the axis of a uniform Lambertian disc E = pi L R^2 / (R^2 + d^2), I0 = pi L R^2 (Howell, A Catalog of
# Radiation Configuration Factors, B-13 facing; Siegel and Howell, Thermal Radiation Heat Transfer).
@pytest.mark.parametrize(
    ("diameter_m", "setback_m", "distance_m"), [(1.0, 0.0, 1.0), (0.6, 0.3, 1.5), (1.2, 0.1, 2.0)]
)
def test_light_on_the_axis_of_a_disc(diameter_m: float, setback_m: float, distance_m: float) -> None:
    model = model_of(rig(modifier={"kind": "softbox", "diameter": diameter_m}))
    place = (0.0, -2.0 + distance_m, 1.2)
    wanted = model.quantities([([Term(0, 1.0, place, "key")], None)])
    z = np.zeros(model.size)
    lit_share = 0.8
    z[SETBACK] = (setback_m - model.beliefs.mean[0, SETBACK]) / model.beliefs.sd[0, SETBACK]
    z[LIT_SHARE] = (lit_share - model.beliefs.mean[0, LIT_SHARE]) / model.beliefs.sd[0, LIT_SHARE]
    figures = model.figures(z)[0]
    radius, distance = diameter_m * figures[LIT_SHARE] / 2, distance_m + figures[SETBACK]
    assert figures[LIT_SHARE] == pytest.approx(lit_share, abs=0.01)
    lux = model.lux(z, plain_shapes(), wanted)[0]
    assert lux == pytest.approx(40_000.0 / (radius**2 + distance**2), rel=1e-4)


# IEC 62386-102: P = 10^((n - 1) / (253 / 3) - 1) per cent; printed tables have 3.12 % at 127, 50.53 % at 229.
@pytest.mark.parametrize(
    ("code", "per_cent"), [(50, 0.381), (127, 3.12), (170, 10.09), (229, 50.53), (254, 100.0)]
)
def test_a_logarithmic_dimmer_at_exponent_two(code: int, per_cent: float) -> None:
    figures = np.zeros((1, FIGURES))
    figures[0, EXPONENT] = 2.0
    log2, _ = log2_output(np.array([(code - 1) / 253]), figures, np.array([True]))
    assert 100 * 2 ** log2[0] == pytest.approx(per_cent, abs=0.005)


def test_propagation_of_correlated_inputs() -> None:
    # JCGM 100:2008, H.2: five simultaneous readings of voltage [V], current [mA] and phase (table H.2), and
    # resistance, reactance and impedance with their combined standard uncertainties (table H.3, worked with
    # rounded intermediates, hence one unit of the last digit). From memory.
    read = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    volt, ampere, phase = read.mean(axis=1)
    covariance = np.cov(read) / 5
    c, s, z = math.cos(phase), math.sin(phase), volt / ampere
    slopes = np.array(
        [
            [c / ampere, -z * c / ampere, -z * s],
            [s / ampere, -z * s / ampere, z * c],
            [1 / ampere, -z / ampere, 0],
        ]
    )
    assert [z * c, z * s, z] == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert propagated(slopes, covariance) == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)


# Least standard deviations (Cramer and Rao; S. M. Kay, Fundamentals of Statistical Signal Processing I, 1993)
# of log2 K and log2 F from readings of the key alone (k), the fill alone (f) and both (b), each 0.1 stop:
# the inverse of J'J / sigma^2, b's row of J being (w, 1 - w) with w = K / (K + F).
LEAST_SD = [
    (1, "kf", 0.1000, 0.1000),
    (1, "kfb", 0.0913, 0.0913),
    (1, "bf", 0.2236, 0.1000),
    (2, "kfb", 0.0845, 0.0964),
    (2, "bf", 0.1581, 0.1000),
    (4, "kfb", 0.0787, 0.0988),
    (4, "bk", 0.1000, 0.6403),
    (8, "kfb", 0.0749, 0.0997),
    (8, "bf", 0.1132, 0.1000),
]


@pytest.mark.parametrize(("ratio", "taken", "key_sd", "fill_sd"), LEAST_SD)
def test_information_of_readings_of_one_and_of_both(
    ratio: float, taken: str, key_sd: float, fill_sd: float
) -> None:
    model = model_of(rig())
    quantities = both_at(model_quantities(model, taken, fill_level=level_for(model, ratio)))
    seen = observations([_dummy()] * len(taken), model)
    question = FitProblem(
        model,
        plain_shapes(),
        type(seen)(seen.stops, quantities, seen.meter_sd),
        np.full(len(taken), 0.1),
        np.ones(len(taken), dtype=bool),
    )
    information = question.information(question.at(np.zeros(model.size))) - np.eye(model.size)
    unknown = [INTENSITY, PER_HEAD + INTENSITY]
    in_stops = information[np.ix_(unknown, unknown)] / np.outer(*[model.beliefs.sd[:, INTENSITY]] * 2)
    assert np.sqrt(np.diag(np.linalg.inv(in_stops))) == pytest.approx([key_sd, fill_sd], abs=1e-4)


def both_at(quantities: Quantities) -> Quantities:
    """Without ambient light, of which the bound knows nothing."""
    return Quantities(
        quantities.row, quantities.path, quantities.level, quantities.paths, np.full(len(quantities), -1)
    )


def model_quantities(model: Any, taken: str, fill_level: float) -> Quantities:
    place = (0.0, 0.0, 1.2)
    key, fill = Term(0, 1.0, place, "key"), Term(1, fill_level, place, "fill")
    terms = {"k": [key], "f": [fill], "b": [key, fill]}
    quantities: Quantities = model.quantities([(terms[letter], None) for letter in taken])
    return quantities


def level_for(model: Any, ratio: float) -> float:
    """The fill's level, linear, at which the key alone gives `ratio` times as much."""
    key, fill = model.lux(np.zeros(model.size), plain_shapes(), model_quantities(model, "kf", 1.0))
    return float(key / fill / ratio)


def _dummy() -> Reading:
    return Reading(heads=("key",), levels=(1.0,), at=(0.0, 0.0, 1.2), value=10_000.0)


def test_many_readings_average_as_the_mean_does() -> None:
    # sd of a mean of n independent readings: sigma / sqrt(n) (Kay 1993, example 3.3; JCGM 100, 4.2.3). What
    # the label adds (0.8 stop) and ambient light take from that is below the printed digits.
    table = rig().dump()
    table["meter"] = {"sigma": 0.1}
    table["ambient"] = {"lux": 0.0}
    one = Rig.model_validate(table)
    found = believe([_dummy()] * 25, one)
    model = found.model
    wanted = model.quantities([([Term(0, 1.0, (0.0, 0.0, 1.2), "key")], None)])
    lux, slopes = model.lux_and_slopes(found.z, found.shapes, wanted)
    sd = propagated(slopes / lux[:, None] / math.log(2), found.covariance)[0]
    expected = math.sqrt(float(found.question.sd[0]) ** 2 / 25)
    assert sd == pytest.approx(expected, rel=0.02)
    assert float(found.question.sd[0]) >= 0.1
