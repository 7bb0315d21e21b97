"""The light with all heads out, as a sensor at the window tells of it.

A sensor does not say how bright the subject is, but how many times as bright as before: all ambient light is
taken to grow and fall with what the sensor shows of the room. So readings under a cloud and in the sun agree
about one studio, and its ambient light now is that of the calibration, times a ratio.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fillside.belief.evidence import Evidence, Reading, seconds_of
from fillside.photometry.room_light import received_lux
from fillside.rig.calibration import Calibration, SensorFactors
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Rig, Sensor

FloatArray = NDArray[np.float64]

LEAST_SHOWN_LUX = 0.01
"""From so little light nothing is learned of more, and less than this counts as this."""
MOSTLY_OURS = 0.8
"""From this share of our own light on, a sensor says too little of the room to follow it."""
LITTLE_OURS = 0.2
"""Up to this share, what it shows is kept beside a reading."""
OWN_SD_STOPS = 0.85
"""Standard deviation of our own light at a sensor, far from the marks and lit by walls, as it is worked out:
that of the true studios that the belief is judged in."""
WATCHED: Literal["daylight"] = "daylight"


@dataclass(frozen=True)
class Sky:
    """The daylight for which a studio is believed: what the sensor shows of it [lx], and when that was read
    [s], if that is known."""

    shown_lux: float
    at_s: float | None

    def times(self, shown_lux: float) -> float:
        """The light over that of this sky when the sensor shows so much [lx]."""
        return max(shown_lux, LEAST_SHOWN_LUX) / self.shown_lux


def told_lux(reading: Reading, rig: Rig) -> float | None:
    """The room's light on the rig's daylight sensor beside a reading [lx]; None without one, or by
    another."""
    own = reading.daylight_sensor in (None, rig.sensor_of(WATCHED))
    return reading.daylight_lux if own else None


def sky_of(evidence: Evidence, rig: Rig) -> Sky | None:
    """The daylight of the newest reading with all heads out and a sensor beside it; None without one."""
    told = [
        Sky(shown, seconds_of(one.time))
        for one in evidence.readings
        if not one.heads and (shown := told_lux(one, rig)) is not None and shown >= LEAST_SHOWN_LUX
    ]
    # Without a time it is as new as can be; of two, the one told later.
    return max(reversed(told), key=lambda sky: np.inf if sky.at_s is None else sky.at_s, default=None)


def sensors_of(evidence: Evidence, rig: Rig) -> dict[str, SensorFactors]:
    """The rig's daylight sensor as evidence knows it, by its name."""
    name, sky = rig.sensor_of(WATCHED), sky_of(evidence, rig)
    if name is None or sky is None:
        return {}
    return {name: SensorFactors(shown_lux=float(f"{sky.shown_lux:.6g}"))}


def learned_lux(calibrated: Scene, calibration: Calibration | None, name: str) -> float | None:
    """The value of a sensor when the ambient light is as the calibration says [lx]; None where nobody knows.

    `calibrated` is the scene of the calibration. An older one has factors instead: the ambient light that it
    states is so many times what the sensor showed.
    """
    known = None if calibration is None else calibration.sensors.get(name)
    if known is None:
        return None
    if known.shown_lux is not None:
        return float(known.shown_lux) if known.shown_lux >= LEAST_SHOWN_LUX else None
    factors = known.toward_key, known.toward_fill, known.toward_camera
    least, total = min(own or 0 for own in factors), sum(own or 0 for own in factors)
    shown = sum(calibrated.ambient) / total if total > 0 and least >= 0 else 0.0
    return shown if None not in factors and shown >= LEAST_SHOWN_LUX else None


def own_light(scene: Scene, sensor: Sensor) -> FloatArray:
    """The light of each head (n,) at full on a sensor [lx]; zeros where the file does not give its place."""
    if sensor.at is None or sensor.facing is None:
        return np.zeros(len(scene.names))
    at, faced = (np.array(scene.rig.point_of(place)) for place in (sensor.at, sensor.facing))
    axis = (faced - at) / np.linalg.norm(faced - at)
    dome = np.array([sensor.receptor == "dome"])
    return np.asarray(received_lux(scene.sources, at, axis[np.newaxis], dome)[0])


@dataclass(frozen=True)
class SensorLight:
    """The light on a sensor, and the part of it that is worked out to be our own [lx]."""

    shown_lux: float
    own_lux: float

    @property
    def room_lux(self) -> float | None:
        """The room's light alone [lx]; None where most of its light is our own."""
        return self._room_lux(MOSTLY_OURS)

    @property
    def lux_beside_a_reading(self) -> float | None:
        """The room's light alone [lx]; None unless little of the sensor's light is our own."""
        return self._room_lux(LITTLE_OURS)

    @property
    def sd_stops(self) -> float:
        """Standard uncertainty of the room's light [stops], from that of our own."""
        return OWN_SD_STOPS * self.own_lux / max(self.shown_lux - self.own_lux, LEAST_SHOWN_LUX)

    def _room_lux(self, most_ours: float) -> float | None:
        ours, shown = self.own_lux, self.shown_lux
        return None if shown < 0 or (ours > 0 and ours >= most_ours * shown) else shown - ours
