"""Ambient light that follows a sensor: a window changes by stops in an hour, a sensor that sees it tells.

Toward each direction the ambient light is a factor times what the sensor shows; the factors are learned when
the room is metered with all heads out. Light of our own heads that reaches the sensor is taken off by what
each adds to it at full, learned from the sensor's own values with heads lit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MOSTLY_OURS = 0.8
"""From this share of our own light on, a sensor says too little of the room to follow it."""


@dataclass(frozen=True)
class AmbientSensor:
    """A sensor as learned: ambient light toward key, fill and camera per lux it shows, and what each head
    (n,) adds to it at full [lux]."""

    toward_key: float
    toward_fill: float
    toward_camera: float
    heads_lux: tuple[float, ...]

    def room_lux(self, shown_lux: float, outputs: Sequence[float]) -> float | None:
        """What the sensor sees of the room alone [lux]; None where most of its light is our own.

        `outputs` (n,) are the heads' outputs 0..1 at the time.
        """
        ours = float(np.dot(self.heads_lux, outputs))
        if shown_lux < 0 or (ours > 0 and ours >= MOSTLY_OURS * shown_lux):
            return None
        return shown_lux - ours

    def ambient_lux(self, shown_lux: float, outputs: Sequence[float]) -> tuple[float, float, float] | None:
        """Ambient light toward key, fill and camera [lux], or None where the sensor cannot tell."""
        room = self.room_lux(shown_lux, outputs)
        if room is None:
            return None
        return room * self.toward_key, room * self.toward_fill, room * self.toward_camera


def sensor_learned(
    dark_lux: float,
    ambient_lux: tuple[float, float, float],
    lit: Sequence[tuple[Sequence[float], float]] = (),
    heads: int = 0,
) -> AmbientSensor:
    """A sensor's factors, from what it showed with all heads out and the ambient light metered then [lux].

    `lit` are outputs (heads,) with what the sensor showed under them; a head never lit is taken to be unseen.
    Raises ValueError when the sensor saw no light: a factor cannot be learned from darkness.
    """
    if not dark_lux > 0:
        raise ValueError("the sensor shows no light with all heads out; its factor is learned by daylight")
    key, fill, camera = (lux / dark_lux for lux in ambient_lux)
    added = np.zeros(heads)
    if lit:
        outputs = np.array([row for row, _ in lit], dtype=np.float64)
        more = np.array([shown for _, shown in lit]) - dark_lux
        added = np.maximum(np.linalg.lstsq(outputs, more, rcond=None)[0], 0.0)
    return AmbientSensor(key, fill, camera, tuple(added.tolist()))
