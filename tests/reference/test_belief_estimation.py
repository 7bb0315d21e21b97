"""The estimator's parts against published formulas: disc law, dimming curve, propagation, least variance."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from fillside.belief.belief import believe
from fillside.belief.evidence import Evidence, Reading
from fillside.belief.forward.dimmer import KNOTS, DimmerPriors
from fillside.belief.forward.model import PER_HEAD, Model, model_of
from fillside.belief.forward.priors import (
    INTENSITY,
    INTENSITY_SD_STOPS,
    LIT_SHARE,
    METER,
    METER_SD_STOPS,
    ROOM,
    SETBACK,
)
from fillside.belief.forward.quantities import Quantities, Term, Wanted
from fillside.belief.observations import observations
from fillside.belief.posterior import InverseProblem, Posterior
from fillside.photometry.dimming import curve
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


# On the axis of a uniform Lambertian disc E = pi L R^2 / (R^2 + d^2), I0 = pi L R^2 (Howell, A Catalog of
# Radiation Configuration Factors, B-13 facing; Siegel and Howell, Thermal Radiation Heat Transfer).
@pytest.mark.parametrize(
    ("diameter_m", "setback_m", "distance_m"), [(1.0, 0.0, 1.0), (0.6, 0.3, 1.5), (1.2, 0.1, 2.0)]
)
def test_light_on_the_axis_of_a_disc(diameter_m: float, setback_m: float, distance_m: float) -> None:
    model = model_of(rig(modifier={"kind": "softbox", "diameter": diameter_m}, bounce=0.0))
    place = (0.0, -2.0 + distance_m, 1.2)
    wanted = model.quantities([Wanted((Term(0, 1.0, place, "key"),), place)])
    z, lit_share = np.zeros(model.size), 0.8
    z[SETBACK] = model.prior.unknown_of_setback(0, setback_m)
    z[LIT_SHARE] = model.prior.unknown_of_share(0, lit_share)
    z[ROOM] = -15.0
    figures = model.figures(z)
    assert figures.lit_share[0] == pytest.approx(lit_share, abs=1e-9)
    assert figures.setback_m[0] == pytest.approx(setback_m, abs=2e-3)
    radius, distance = diameter_m * lit_share / 2, distance_m + figures.setback_m[0]
    assert model.lux(figures, wanted)[0] == pytest.approx(40_000.0 / (radius**2 + distance**2), rel=1e-4)


# IEC 62386-102: P = 10^((n - 1) / (253 / 3) - 1) per cent; printed tables have 3.12 % at 127, 50.53 % at 229.
@pytest.mark.parametrize(
    ("code", "per_cent"), [(50, 0.381), (127, 3.12), (170, 10.09), (229, 50.53), (254, 100.0)]
)
def test_a_logarithmic_dimmer_as_it_is_labelled(code: int, per_cent: float) -> None:
    labelled = DimmerPriors((curve("log"),), np.array([False])).at(np.zeros((1, KNOTS)))
    log2 = labelled.log2_output(np.array([0]), np.array([(code - 1) / 253]))
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
    # The three inputs as a belief holds them: unknowns of unit variance, nothing of them told, and slopes in
    # those by a root of the covariance.
    untold = Posterior(np.zeros((0, 3)))
    variance = untold.variance(slopes @ np.linalg.cholesky(covariance))
    assert np.sqrt(variance) == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)


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
    model = model_of(rig(bounce=0.0))
    quantities = model_quantities(model, taken, level_for(model, ratio))
    none = observations(Evidence(), model)
    seen = replace(none, stops=np.zeros(len(taken)), quantities=quantities, readings=len(taken))
    point = InverseProblem(model, seen, 0.01 * np.eye(len(taken))).at(np.zeros(model.size))
    unknown = [INTENSITY, PER_HEAD + INTENSITY]
    rows = point.rows[:, unknown] / INTENSITY_SD_STOPS
    assert np.sqrt(np.diag(np.linalg.inv(rows.T @ rows / 0.01))) == pytest.approx([key_sd, fill_sd], abs=1e-4)


def model_quantities(model: Model, taken: str, fill_level: float) -> Quantities:
    """Readings of the key alone, the fill alone and both, without ambient light, of which the bound knows
    nothing."""
    place = (0.0, 0.0, 1.2)
    key, fill = Term(0, 1.0, place, "key"), Term(1, fill_level, place, "fill")
    terms = {"k": (key,), "f": (fill,), "b": (key, fill)}
    return model.quantities([Wanted(terms[letter], place) for letter in taken])


def level_for(model: Model, ratio: float) -> float:
    """The fill's level, linear, at which the key alone gives `ratio` times as much."""
    key, fill = model.lux(model.figures(np.zeros(model.size)), model_quantities(model, "kf", 1.0))
    return float(key / fill / ratio)


def _dummy() -> Reading:
    return Reading(heads=("key",), levels=(1.0,), at=(0.0, 0.0, 1.2), value=10_000.0)


def test_many_readings_average_as_the_mean_does() -> None:
    # sd of a mean of n independent readings: sigma / sqrt(n) (Kay 1993, example 3.3; JCGM 100, 4.2.3), and
    # beside it what all share: the meter's own error. The label's 0.8 stop is below the printed digits.
    table = rig().dump()
    table["meter"] = {"sigma": 0.1}
    table["ambient"] = {"lux": 0.0}
    found = believe([_dummy()] * 25, Rig.model_validate(table))
    model = found.model
    place = (0.0, 0.0, 1.2)
    wanted = model.quantities([Wanted((Term(0, 1.0, place, "key"),), place)])
    lux, slopes = model.lux_and_slopes(found.figures, wanted)
    sd = math.sqrt(found.posterior.variance(slopes / lux[:, None] / math.log(2))[0])
    meter = np.eye(model.size)[[model.index_of_shared(METER)]]
    shared = METER_SD_STOPS * math.sqrt(found.posterior.variance(meter)[0])
    assert sd == pytest.approx(math.hypot(found.sd[0] / 5, shared), rel=0.02)
    assert float(found.sd[0]) >= 0.1
