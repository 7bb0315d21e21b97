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
    """What a receptor at a place shows from one head at full, what the room sends back not counted [lux]."""
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


def room_lux(rig: Rig, head: Head) -> float:
    """What the room sends back of a head to a flat receptor that faces anywhere [lux]."""
    aim = np.array(rig.aim_of(head))
    return (head.bounce or 0.0) * lux(rig, head, aim, np.array(head.position) - aim, "flat")


def facing_lux(rig: Rig, head: Head, at: np.ndarray) -> float:
    """A flat receptor facing the centre of the head [lux]."""
    return lux(rig, head, at, np.array(head.position) - at, "flat") + room_lux(rig, head)


def metered_lux(rig: Rig, head: Head, at: np.ndarray) -> float:
    """The exposure receptor as the rig's meter is held; a dome takes the room's light twice [lux]."""
    keys = [h for h in rig.heads if h.role == "key"]
    to = keys[0].position if rig.meter.facing == "key" and keys else rig.camera.position
    direct = lux(rig, head, at, np.array(to) - at, rig.meter.receptor)
    return direct + (2 if rig.meter.receptor == "dome" else 1) * room_lux(rig, head)


def face_lux(rig: Rig, outputs: list[float], at: np.ndarray) -> tuple[float, float]:
    """The face's key side and fill side, 45 degrees to either side of the line to the camera [lux]."""
    look = _unit(np.array(rig.camera.position) - at)
    right = _unit(np.cross(look, [0.0, 0.0, 1.0]))
    key_side = sum((np.array(h.position) - at) @ right for h in rig.heads if h.role == "key") > 0
    sign = 1.0 if key_side else -1.0
    mean, vector = most_even_ambient(rig)
    sides = []
    for way in (sign, -sign):
        axis = look * math.cos(math.pi / 4) + right * way * math.sin(math.pi / 4)
        heads = zip(rig.heads, outputs, strict=True)
        lit = sum(o * (lux(rig, h, at, axis, "flat") + room_lux(rig, h)) for h, o in heads)
        sides.append(max(0.0, mean + float(vector @ axis)) + lit)
    return sides[0], sides[1]


def most_even_ambient(rig: Rig) -> tuple[float, np.ndarray]:
    """The mean and the shortest vector that give the ambient numbers at the first mark, by a search."""
    mark = np.array(rig.first_mark)
    key, fill = (
        next((np.array(h.position) - mark for h in rig.heads if h.role == role), None)
        for role in ("key", "fill")
    )
    exposure = key if rig.meter.facing == "key" and key is not None else np.array(rig.camera.position) - mark
    weights = (1.0, 1.0, 2.0 if rig.meter.receptor == "dome" else 1.0)
    stated = [rig.ambient.lux is not None or given is not None for given in rig.ambient.directions_given]
    faced = zip((key, fill, exposure), weights, rig.ambient_toward, stated, strict=True)
    rows = [(_unit(axis), weight, lux) for axis, weight, lux, told in faced if axis is not None and told]
    if not rows:
        return 0.0, np.zeros(3)

    def shortest(mean: float) -> tuple[float, np.ndarray]:
        vector = np.linalg.pinv(np.array([row[0] for row in rows])) @ [row[2] - row[1] * mean for row in rows]
        return float(vector @ vector), vector

    low, high = 0.0, 10 * max(rig.ambient_toward) + 1e-9
    for _ in range(200):
        a, b = low + (high - low) / 3, high - (high - low) / 3
        low, high = (low, b) if shortest(a)[0] < shortest(b)[0] else (a, high)
    return low, shortest(low)[1]
