"""A daylight sensor in a rig: what of our own light reaches it, and what a calibration knows of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.drift.daylight import AmbientSensor, sensor_learned
from fillside.photometry.source import facing_lux, receptor_lux
from fillside.rig.calibration import Calibration, SensorFactors
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point, Rig
from fillside.rig.tables.sensors import Sensor

FloatArray = NDArray[np.float64]
_TOWARD = ("toward_key", "toward_fill", "toward_camera")


def own_light(scene: Scene, sensor: Sensor) -> FloatArray:
    """What each head (n,) at full adds to what a sensor shows [lux]; nothing where the file does not say
    where it is."""
    if sensor.at is None or sensor.facing is None:
        return np.zeros(len(scene.names))
    at, faced = np.array(_point(scene.rig, sensor.at)), np.array(_point(scene.rig, sensor.facing))
    axis = (faced - at) / np.linalg.norm(faced - at)
    dome = np.array([sensor.receptor == "dome"])
    direct = receptor_lux(scene.sources, at, axis[np.newaxis], dome)[0]
    return np.asarray(direct + scene.sources.bounce * facing_lux(scene.sources, at))


def _point(rig: Rig, place: str | Point) -> Point:
    if not isinstance(place, str):
        return place
    if place == "camera":
        return rig.camera.position
    return rig.marks[place] if place in rig.marks else rig.head(place).position


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
