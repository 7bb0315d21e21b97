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
from scipy.special import ndtr

from bench.simulated_studio import Hidden, HiddenHead, HiddenStudio, Taken

Vector = npt.NDArray[np.float64]
PER_HEAD = 6


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
            side: float(level * (0.6 + 0.4 * shares[-3 + k]))
            for k, side in enumerate(("key", "fill", "camera"))
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


def levels_held(
    guess: HiddenStudio, place: Vector, outputs: Callable[..., dict[str, float]]
) -> dict[str, float]:
    """The levels at which a guessed studio gives the wish at a place."""
    wanted = outputs(guess, place)
    return {head.name: level_of(head, wanted[head.name]) for head in guess.heads}


def level_of(head: HiddenHead, output: float) -> float:
    """The level of a guessed head's power-law dimmer that gives an output."""
    share = min(max(output, 1e-6), 1.0) ** (1 / head.exponent)
    return head.dead_zone + share * (head.saturation - head.dead_zone)
