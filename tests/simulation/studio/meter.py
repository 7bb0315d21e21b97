"""What a meter, a tape or a sensor shows in a studio of point lamps, and how somebody is wrong about it.

The light is that of the lamps in truth: their curve, the inverse square, and cosines.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from random import Random
from typing import Any

from simulation.studio.lamps import CURVES

Args = dict[str, Any]
HAND_STOPS, TAPE_M = 0.03, 0.01
"""How far the hand that holds the meter or the tape is out (one standard deviation)."""
LIE_STOPS, LIE_M = 1.0, 0.5
LIES = 0.2
"""The share of what somebody says that is a lie."""
METRES_PER_FOOT = 0.3048


def names_of(rig: Args) -> list[str]:
    return [head["name"] for head in rig["heads"]]


def outputs_at(rig: Args, levels: Mapping[str, float]) -> dict[str, float]:
    """Return the outputs that levels of heads make."""
    heads = {head["name"]: head for head in rig["heads"]}
    return {
        name: CURVES[heads[name]["dimming"]["curve"]](level)
        for name, level in levels.items()
        if name in heads
    }


def lux_at(
    rig: Args, outputs: Mapping[str, float], at: Iterable[float], receptor: str = "flat", facing: str = "head"
) -> float:
    """Return the light of these outputs on a receptor at a place, pointed at the lamp itself, at another
    head by its name, or at the camera."""
    place, found = tuple(at), 0.0
    towards = {head["name"]: head["position"] for head in rig["heads"]}
    towards["camera"] = rig["camera"]["position"]
    for head in rig["heads"]:
        output = outputs.get(head["name"], 0.0)
        if output <= 0:
            continue
        lux = output * head["intensity"] / math.dist(head["position"], place) ** 2
        cosine = _cosine(place, head["position"], towards.get(facing, head["position"]))
        found += lux * ((1 + cosine) / 2 if receptor == "dome" else max(0.0, cosine))
    return found


def _cosine(place: tuple[float, ...], one: Iterable[float], other: Iterable[float]) -> float:
    a, b = ([each - here for each, here in zip(to, place, strict=True)] for to in (one, other))
    return sum(x * y for x, y in zip(a, b, strict=True)) / (math.hypot(*a) * math.hypot(*b))


def said_lux(random: Random, lux: float) -> float:
    """Return what somebody says who reads this light: near it, or a stop off."""
    off = random.gauss(0.0, HAND_STOPS)
    if random.random() < LIES:
        off += random.choice([-LIE_STOPS, LIE_STOPS])
    return float(f"{lux * 2.0**off:.6g}")


def said_m(random: Random, metres: float) -> float:
    """Return what somebody says who measures this distance: near it, or half a metre off."""
    off = random.gauss(0.0, TAPE_M)
    if random.random() < LIES:
        off += random.choice([-LIE_M, LIE_M])
    return round(max(metres + off, 0.05), 3)


def tape_of(random: Random, rig: Args, head: str, place: Iterable[float]) -> Args:
    """Return the value and the unit of a tape from a place to a head."""
    lamp = next(one for one in rig["heads"] if one["name"] == head)
    metres = said_m(random, math.dist(lamp["position"], tuple(place)))
    if random.random() < 0.2:
        return {"value": round(metres / METRES_PER_FOOT, 2), "unit": "ft"}
    return {"value": metres, "unit": "m"}
