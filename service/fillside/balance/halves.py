"""The light on the two halves of a matt ball in the subject's place: what a picture shows of the ratio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import Metering
from fillside.balance.solver.relative import DARK_LUX
from fillside.photometry.ball import half_ball_lux, half_ball_room_lux, half_ball_window_lux

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Halves:
    """Mean illuminance of the half on the key's side and of the other, weighted as the camera sees them.

    `matrix` (2, heads) is in lux with heads at full, `ambient` (2,) with all heads out.
    """

    matrix: FloatArray
    ambient: FloatArray

    def ratio(self, outputs: FloatArray) -> float | None:
        """Return the key's half over the other at outputs (heads,); None where the other is dark."""
        key, other = (self.matrix @ outputs + self.ambient).tolist()
        return key / other if other > DARK_LUX else None


class BallInPlace:
    """Finds the halves for one metering; those of the latest place are cached, as levels change oftener."""

    def __init__(self, metering: Metering) -> None:
        self._metering = metering
        self._found: tuple[tuple[float, ...], Halves] | None = None

    def at(self, point: Sequence[float]) -> Halves:
        """Return the halves of a ball in a subject's place [m]."""
        place = tuple(point)
        if self._found is None or self._found[0] != place:
            self._found = place, self._halves(np.asarray(point, dtype=float))
        return self._found[1]

    def _halves(self, place: FloatArray) -> Halves:
        scene = self._metering.scene
        toward, aside = self._metering.picture_axes(place)
        lux = half_ball_lux(scene.sources, place, toward, aside)
        ambient = half_ball_room_lux(scene.ambient_light, toward, aside)
        if scene.window is not None:
            ambient = ambient + half_ball_window_lux(scene.window, place, toward, aside)
        return Halves(lux * self._metering.is_lit, ambient)
