"""What a meter that looks somewhere should show of each head, by the calibration."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fillside.belief.evidence import CAMERA, OWN_HEAD, Reading
from fillside.belief.observations import DARK_LUX, HAND_SD_M
from fillside.photometry.room_light import received_lux
from fillside.photometry.source import head_directions
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point, Rig, Sensor

FloatArray = NDArray[np.float64]
UNCALIBRATED_STOPS = 0.5
"""How far labels alone are wont to be off."""
_STEP_M = 0.01


@dataclass(frozen=True)
class Look:
    """Where a receptor is and faces [m]; `faced` None is each head in turn. `side` is what tells which of the
    room's light it sees: a head's name, or "camera"."""

    at: Point
    faced: Point | None
    dome: bool
    side: str


def look_of(reading: Reading, rig: Rig) -> Look:
    """Where the meter looked for a reading; KeyError for a head that the rig does not have."""
    dome = reading.receptor == "dome"
    if reading.facing == OWN_HEAD:
        return Look(reading.at, None, dome, reading.heads[0])
    faced = rig.camera.position if reading.facing == CAMERA else rig.head(reading.facing).position
    return Look(reading.at, faced, dome, reading.facing)


def look_of_sensor(sensor: Sensor, rig: Rig) -> Look:
    """Where a sensor that watches the heads looks; its table says both places."""
    assert sensor.at is not None, "the file says where it is"
    assert sensor.facing is not None, "the file says where it faces"
    side = sensor.facing if isinstance(sensor.facing, str) and sensor.facing not in rig.marks else CAMERA
    return Look(point_of(rig, sensor.at), point_of(rig, sensor.facing), sensor.receptor == "dome", side)


def point_of(rig: Rig, place: str | Point) -> Point:
    """The point [m] that a sensor's table names: a place, the camera, a mark or a head."""
    if not isinstance(place, str):
        return place
    if place == CAMERA:
        return rig.camera.position
    return rig.marks[place] if place in rig.marks else rig.head(place).position


def at_full_lux(scene: Scene, look: Look) -> FloatArray:
    """What each head (n,) adds at full, direct and by the room [lux]."""
    sources, dome = scene.sources, np.array([look.dome])
    if look.faced is None:
        axes = head_directions(sources, look.at)[np.newaxis]
    else:
        away = np.array(look.faced) - np.array(look.at)
        axes = (away / max(float(np.linalg.norm(away)), 1e-9))[np.newaxis]
    return np.asarray(received_lux(sources, look.at, axes, dome)[0])


def room_lux(scene: Scene, look: Look) -> float:
    """The light without our heads as the receptor sees it [lux]: as it was metered, else by its direction."""
    meter = scene.rig.meter
    dome = meter.receptor == "dome"
    if look.side == CAMERA:
        if meter.facing == CAMERA and look.dome == dome:
            return scene.ambient[2]
    elif not look.dome and scene.rules[scene.index(look.side)] in ("key", "fill"):
        return scene.ambient[0 if scene.rules[scene.index(look.side)] == "key" else 1]
    faced = scene.sources.position[scene.index(look.side)] if look.faced is None else np.array(look.faced)
    away = faced - np.array(look.at)
    axis = away / max(float(np.linalg.norm(away)), 1e-9)
    return float(scene.ambient_light.on([axis], [look.dome])[0])


def outputs_at(scene: Scene, levels: Mapping[str, float]) -> FloatArray:
    """Outputs (n,) at levels; a head that is not named is out, one that cannot be dimmed gives 1 if named."""
    found = np.zeros(len(scene.names))
    for name, level in levels.items():
        i = scene.index(name)
        found[i] = 1.0 if scene.fixed[i] else scene.curves[i].output_from_level(level)
    return found


def hand_stops(scene: Scene, look: Look, outputs: FloatArray) -> float:
    """Standard uncertainty [stops] from where the receptor was against where it was said to be."""
    changes = []
    for axis in np.eye(3):
        lux = []
        for sign in (1.0, -1.0):
            x, y, z = (float(v) for v in np.array(look.at) + sign * _STEP_M * axis)
            moved = replace(look, at=(x, y, z))
            lux.append(float(at_full_lux(scene, moved) @ outputs) + room_lux(scene, look) + DARK_LUX)
        changes.append(math.log2(lux[0] / lux[1]) / (2 * _STEP_M))
    return HAND_SD_M * math.hypot(*changes)


def calibrated_stops(calibration: Calibration, head: str) -> float:
    """How unsure a head's light was when it was calibrated [stops]."""
    known = calibration.heads.get(head)
    stated = None if known is None else known.sigma_stops
    return UNCALIBRATED_STOPS if stated is None else stated
