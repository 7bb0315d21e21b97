"""Ambient light that follows a sensor: a window changes by stops in an hour, a sensor that sees it tells.

Toward each direction the ambient light is a factor times what the sensor shows; the factors are learned when
the room is metered with all heads out. Light of our own heads that reaches the sensor is taken off by what
each adds to it at full, learned from the sensor's own values with heads lit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.drift.expected_readings import point_of
from fillside.photometry.room_light import received_lux
from fillside.rig.calibration import Calibration, SensorFactors
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Sensor

FloatArray = NDArray[np.float64]

MOSTLY_OURS = 0.8
"""From this share of our own light on, a sensor says too little of the room to follow it."""
_TOWARD = ("toward_key", "toward_fill", "toward_camera")


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


def own_light(scene: Scene, sensor: Sensor) -> FloatArray:
    """What each head (n,) at full adds to what a sensor shows [lux]; nothing where the file does not say
    where it is."""
    if sensor.at is None or sensor.facing is None:
        return np.zeros(len(scene.names))
    at, faced = np.array(point_of(scene.rig, sensor.at)), np.array(point_of(scene.rig, sensor.facing))
    axis = (faced - at) / np.linalg.norm(faced - at)
    dome = np.array([sensor.receptor == "dome"])
    return np.asarray(received_lux(scene.sources, at, axis[np.newaxis], dome)[0])


def with_sensors(calibration: Calibration, shown: Mapping[str, Sequence[float]]) -> Calibration:
    """A calibration with the factors of the sensors that showed so many lux while the room was metered."""
    ambient = calibration.ambient
    if ambient is None or not shown:
        return calibration
    toward = tuple(getattr(ambient, side) or 0.0 for side in _TOWARD)
    found: dict[str, SensorFactors] = {}
    for name, lux in shown.items():
        mean = sum(lux) / len(lux)
        if mean > 0:
            learned = sensor_learned(mean, (toward[0], toward[1], toward[2]))
            factors = {side: float(f"{getattr(learned, side):.6g}") for side in _TOWARD}
            found[name] = SensorFactors.model_validate(factors)
    return calibration.model_copy(update={"sensors": found}) if found else calibration


def sensor_from(calibration: Calibration | None, name: str, heads_lux: FloatArray) -> AmbientSensor | None:
    """A sensor as a calibration has learned it; None where it has not."""
    factors = None if calibration is None else calibration.sensors.get(name)
    if factors is None:
        return None
    key, fill, camera = factors.toward_key, factors.toward_fill, factors.toward_camera
    if key is None or fill is None or camera is None or min(key, fill, camera) < 0:
        return None
    return AmbientSensor(float(key), float(fill), float(camera), tuple(heads_lux.tolist()))
