"""The light of a rig stated a second time, as plainly as it can be: thousands of small lamps on a disc.

Shares nothing with the package but the rig file's model; slow, and good to about 1e-4.
"""

from __future__ import annotations

import math

import numpy as np

from fillside.rig.tables.model import Head, Rig

RINGS, SPOKES = 120, 180


def _unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.sqrt((vector * vector).sum())


def small_lamps(centre: np.ndarray, axis: np.ndarray, diameter: float) -> np.ndarray:
    """Points that share a disc's area evenly, (n, 3)."""
    across = _unit(np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0.0, 0.0]))
    upward = np.cross(axis, across)
    radius = diameter / 2 * np.sqrt((np.arange(RINGS) + 0.5) / RINGS)
    turn = 2 * math.pi * np.arange(SPOKES) / SPOKES
    r, t = (m.ravel() for m in np.meshgrid(radius, turn))
    return centre + np.outer(r * np.cos(t), across) + np.outer(r * np.sin(t), upward)


def lux(rig: Rig, head: Head, at: np.ndarray, facing: np.ndarray, receptor: str) -> float:
    """What a receptor at a place shows from one head at full, its bounce not counted [lux]."""
    centre = np.array(head.position)
    axis = _unit(np.array(rig.aim_of(head)) - centre)
    lamps = small_lamps(centre, axis, head.modifier.diameter)
    way = at - lamps
    distance = np.sqrt((way * way).sum(axis=1))
    leaving = way @ axis / distance
    candela = head.intensity_cd * np.where(leaving > 0, np.abs(leaving) ** head.modifier.spread_exponent, 0.0)
    arriving = -(way @ _unit(facing)) / distance
    weight = np.maximum(0, arriving) if receptor == "flat" else (1 + arriving) / 2
    return float((candela * weight / distance**2).mean())


def facing_lux(rig: Rig, head: Head, at: np.ndarray) -> float:
    """A flat receptor facing the centre of the head [lux]."""
    return lux(rig, head, at, np.array(head.position) - at, "flat")


def metered_lux(rig: Rig, head: Head, at: np.ndarray) -> float:
    """The exposure receptor as the rig's meter is held, with the head's bounce [lux]."""
    keys = [h for h in rig.heads if h.role == "key"]
    to = keys[0].position if rig.meter.facing == "key" and keys else rig.camera.position
    direct = lux(rig, head, at, np.array(to) - at, rig.meter.receptor)
    return direct + head.bounce * facing_lux(rig, head, at)


def face_lux(rig: Rig, outputs: list[float], at: np.ndarray) -> tuple[float, float]:
    """The face's key side and fill side, 45 degrees to either side of the line to the camera [lux]."""
    look = _unit(np.array(rig.camera.position) - at)
    right = _unit(np.cross(look, [0.0, 0.0, 1.0]))
    key_side = sum((np.array(h.position) - at) @ right for h in rig.heads if h.role == "key") > 0
    sign = 1.0 if key_side else -1.0
    toward_key, toward_fill, _ = rig.ambient_toward
    sides = []
    for way, ambient in ((sign, toward_key), (-sign, toward_fill)):
        axis = look * math.cos(math.pi / 4) + right * way * math.sin(math.pi / 4)
        heads = zip(rig.heads, outputs, strict=True)
        sides.append(
            ambient
            + sum(o * (lux(rig, h, at, axis, "flat") + h.bounce * facing_lux(rig, h, at)) for h, o in heads)
        )
    return sides[0], sides[1]
