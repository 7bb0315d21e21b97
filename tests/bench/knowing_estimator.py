"""An estimator that knows the hidden studio's family and ranges: the yardstick for one that does not.

It fits with the simulator's own light, so that it judges an estimator of another making; it is never shipped.
Parameters are standard normal numbers behind the uniform ranges, and the fit is their posterior mode.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.special import ndtr, ndtri

from bench.simulated_studio import (
    Hidden,
    HiddenHead,
    HiddenStudio,
    Taken,
    held_errors_stops,
    true_outputs,
)

Vector = npt.NDArray[np.float64]
PER_HEAD = 6
SIDES = {"key": 1.0, "fill": 1.0, "camera": 2.0}
"""Toward where the ambient light is metered, and how many times a flat receptor's light is shown there."""


@dataclass(frozen=True)
class Knowing:
    """The readings and the ranges; `unpack` turns standard normal numbers into a studio."""

    studio: HiddenStudio
    hidden: Hidden

    @property
    def size(self) -> int:
        return PER_HEAD * len(self.studio.heads) + 4

    def unpack(self, z: Vector) -> HiddenStudio:
        shares = ndtr(z)
        heads = [
            self._head(head, shares[PER_HEAD * i : PER_HEAD * (i + 1)])
            for i, head in enumerate(self.studio.heads)
        ]
        low, high = self.hidden.ambient_lux
        level = low + (high - low) * shares[-4]
        sides = {
            side: float(level * dome * (0.6 + 0.4 * shares[-3 + k]))
            for k, (side, dome) in enumerate(SIDES.items())
        }
        if self.studio.tells_ambient:
            sides = self.studio.ambient_lux
        return replace(self.studio, heads=tuple(heads), ambient_lux=sides)

    def _head(self, head: HiddenHead, shares: Vector) -> HiddenHead:
        def between(bounds: tuple[float, float], share: float) -> float:
            return bounds[0] + (bounds[1] - bounds[0]) * float(share)

        h = self.hidden
        stops = between((-h.intensity_stops, h.intensity_stops), shares[0])
        return replace(
            head,
            intensity_cd=head.label_cd * 2**stops,
            setback_m=between(h.setback_m, shares[1]),
            diameter_m=head.label_diameter_m * between(h.lit_share, shares[2]),
            exponent=between(h.exponent, shares[3]),
            dead_zone=between(h.dead_zone, shares[4]),
            saturation=between(h.saturation, shares[5]),
            bounce=0.0,
        )

    def true_z(self) -> Vector:
        """The numbers behind the studio's truth."""
        h, shares = self.hidden, []

        def share(value: float, bounds: tuple[float, float]) -> float:
            return (value - bounds[0]) / (bounds[1] - bounds[0])

        for head in self.studio.heads:
            stops = float(np.log2(head.intensity_cd / head.label_cd))
            shares += [
                share(stops, (-h.intensity_stops, h.intensity_stops)),
                share(head.setback_m, h.setback_m),
                share(head.diameter_m / head.label_diameter_m, h.lit_share),
                share(head.exponent, h.exponent),
                share(head.dead_zone, h.dead_zone),
                share(head.saturation, h.saturation),
            ]
        sides = {side: self.studio.ambient_lux[side] / dome for side, dome in SIDES.items()}
        level = share(max(sides.values()) / 0.9, h.ambient_lux)
        shares += [level, *(share(sides[s] / (level * h.ambient_lux[1]), (0.6, 1.0)) for s in sides)]
        return np.asarray(ndtri(np.clip(shares, 0.01, 0.99)))

    def residuals(self, z: Vector) -> Vector:
        guess = self.unpack(z)
        misfit = [log_misfit(guess, reading) for reading in self.studio.taken]
        return np.concatenate([np.array(misfit) / self.studio.meter_stops, z])

    def fit(self) -> HiddenStudio:
        found = least_squares(self.residuals, np.zeros(self.size), method="lm", max_nfev=4000)
        return self.unpack(found.x)


def log_misfit(guess: HiddenStudio, reading: Taken) -> float:
    """Read over expected, in stops."""
    levels = dict(zip(reading.heads, reading.levels, strict=True))
    lux = guess.shown_lux(levels, np.array(reading.place), reading.facing, reading.receptor == "dome")
    return float(np.log2(reading.value_lux / max(lux, 1e-9)))


def least_sd(knowing: Knowing, place: Vector, levels: dict[str, float]) -> tuple[float, float]:
    """Least standard deviations [stops] of ratio and exposure at a place that any estimator can reach.

    H. L. van Trees, Detection, Estimation and Modulation Theory I, 1968, 2.4.3: the inverse of the readings'
    Fisher information and that of the ranges together, taken at the truth.
    """
    truth = knowing.true_z()

    def held(z: Vector) -> Vector:
        return np.array(held_errors_stops(knowing.unpack(z), place, levels))

    rows = _slopes(lambda z: knowing.residuals(z)[: -len(z)], truth)
    spread = np.linalg.inv(rows.T @ rows + np.eye(len(truth)))
    ratio, exposure = _slopes(held, truth)
    return float(np.sqrt(ratio @ spread @ ratio)), float(np.sqrt(exposure @ spread @ exposure))


def _slopes(of: Callable[[Vector], Vector], z: Vector) -> Vector:
    step = 1e-4
    return np.array([(of(z + step * e) - of(z - step * e)) / (2 * step) for e in np.eye(len(z))]).T


def levels_held(guess: HiddenStudio, place: Vector) -> dict[str, float]:
    """The levels at which a guessed studio gives the wish at a place."""
    wanted = true_outputs(guess, place)
    return {head.name: level_of(head, wanted[head.name]) for head in guess.heads}


def level_of(head: HiddenHead, output: float) -> float:
    """The level of a guessed head's power-law dimmer that gives an output."""
    share = min(max(output, 1e-6), 1.0) ** (1 / head.exponent)
    return head.dead_zone + share * (head.saturation - head.dead_zone)
