"""How sure a fit is of the light anywhere, by the law of propagation of uncertainty (JCGM 100:2008, 5.2)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.fit import Fit
from fillside.calibration.estimate.model import (
    LN2,
    Model,
    Quantities,
    Term,
    exposure_direction,
    exposure_facing,
)

FloatArray = NDArray[np.float64]
Place = tuple[float, float, float]

LIT, SHADOW, EXPOSURE = range(3)


def balance_quantities(model: Model, places: Sequence[Place], levels: FloatArray) -> Quantities:
    """Lit side, shadow side and exposure at each place, at levels (places, n); three rows a place."""
    rules = [head.rule for head in model.rig.heads]
    exposure = exposure_direction(model.rig)
    facing = exposure_facing(model.rig)
    wanted = []
    for place, at in zip(places, levels, strict=True):
        for rule in ("key", "fill"):
            own = [i for i, r in enumerate(rules) if r == rule]
            wanted.append(
                ([Term(i, float(at[i]), place, model.beliefs.names[i]) for i in own], (rule, "flat"))
            )
        both = [i for i, r in enumerate(rules) if r in ("key", "fill")]
        dome = model.rig.meter.receptor == "dome"
        wanted.append(([Term(i, float(at[i]), place, facing, dome) for i in both], exposure))
    return model.quantities(wanted)


def log2_slopes(lux: FloatArray, slopes: FloatArray) -> FloatArray:
    """Slopes of lux (m, k) as slopes of its log2; 0 where there is no light."""
    return np.asarray(slopes / (np.maximum(lux, 1e-6) * LN2)[:, None])


def balance_slopes(fit: Fit, places: Sequence[Place], levels: FloatArray) -> FloatArray:
    """Slopes (places, 3, size) of log2 of lit side, shadow side and exposure, at levels (places, n)."""
    wanted = balance_quantities(fit.model, places, levels)
    lux, slopes = fit.model.lux_and_slopes(fit.z, fit.shapes, wanted)
    return log2_slopes(lux, slopes).reshape(len(places), 3, fit.model.size)


def held_slopes(fit: Fit, places: Sequence[Place], levels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slopes (places, size) of the ratio and of the exposure [stops] at levels (places, n)."""
    rows = balance_slopes(fit, places, levels)
    return rows[:, LIT] - rows[:, SHADOW], rows[:, EXPOSURE]


def propagated(slopes: FloatArray, covariance: FloatArray) -> FloatArray:
    """Standard uncertainty (m,) of quantities with slopes (m, k) in inputs of a covariance (k, k).

    u^2 = sum over i, j of c_i c_j u(x_i, x_j): JCGM 100:2008, 5.2.2, equation (13).
    """
    return np.asarray(np.sqrt(np.maximum(np.einsum("mk,kl,ml->m", slopes, covariance, slopes), 0.0)))


def spread_stops(fit: Fit, slopes: FloatArray) -> FloatArray:
    """Standard uncertainty [stops] of quantities with such slopes (m, size)."""
    return np.asarray(np.sqrt(fit.posterior.variance(slopes)))


def own_term(model: Model, head: int, level: float, place: Place) -> Term:
    """What a head is shown by: flat, facing it at a place; a background head at its aim, to the camera."""
    own = model.rig.heads[head]
    if own.rule == "background":
        return Term(head, level, model.rig.aim_of(own), "camera")
    return Term(head, level, place, own.name)


def own_light(fit: Fit, place: Place, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each head's own light [lux] (n,) at a place and levels (n,), and slopes of its log2 (n, size)."""
    model = fit.model
    terms = [own_term(model, i, float(level), place) for i, level in enumerate(levels)]
    lux, slopes = model.lux_and_slopes(
        fit.z, fit.shapes, model.quantities([([term], None) for term in terms])
    )
    return lux, log2_slopes(lux, slopes)


def light_sigma_stops(fit: Fit, place: Place, levels: FloatArray) -> FloatArray:
    """Standard uncertainty [stops] (n,) of each head's own light at a place and levels (n,)."""
    return spread_stops(fit, own_light(fit, place, levels)[1])


def held_sigma_stops(fit: Fit, place: Place, levels: FloatArray) -> tuple[float, float]:
    """Standard uncertainty [stops] of ratio and exposure at a place under levels (n,)."""
    ratio, exposure = held_slopes(fit, [place], levels[None])
    return float(spread_stops(fit, ratio)[0]), float(spread_stops(fit, exposure)[0])
