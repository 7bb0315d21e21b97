"""Rigs for stories: point lamps, so that the light anywhere follows by the inverse square."""

from __future__ import annotations

from random import Random
from typing import Any

import rigs
from simulation.studio.broker_rigs import with_broker

CHAIR, DESK = [0.0, 0.0, 1.2], [0.6, 0.3, 1.25]
KEY_AT, FILL_AT, HAIR_AT = [0.6, -0.85, 1.8], [-0.88, -1.3, 1.5], [0.4, 1.3, 2.3]
STRONG_CD, WEAK_CD = 3000.0, 800.0
"""Weak lamps reach their full light soon."""
STAGE_AT = "10.0.0.9"
"""Address of the E1.31 receiver."""
SLOT_STEP = 2
WITH_BROKER = 0.4
"""The share of rigs with a broker."""
FACE_SENSOR = {"watches": "heads", "at": "chair", "facing": "camera", "receptor": "dome"}
SENSORS: list[dict[str, Any]] = [{"window": {}}, {"face": FACE_SENSOR}, {"window": {}, "face": FACE_SENSOR}]

Args = dict[str, Any]


def any_studio(random: Random) -> Args:
    """A rig of two or three heads on E1.31, or some of them on other wires."""
    curve, bits = random.choice(["square", "linear", "log"]), random.choice([8, 16, 16])
    candelas = random.choice([STRONG_CD, STRONG_CD, WEAK_CD])
    places = [("key", KEY_AT), ("fill", FILL_AT)]
    if random.random() < 0.4:
        places.append(("hair", HAIR_AT))
    heads = [
        rigs.head_at(
            name,
            place,
            aim=CHAIR,
            intensity=candelas,
            modifier={"diameter": 0.0, "spread": 0.0},
            dimming=rigs.dimming(0.02, curve),
            drive={"driver": "stage", "universe": 1, "slot": 1 + SLOT_STEP * number, "bits": bits},
        )
        for number, (name, place) in enumerate(places)
    ]
    tables: Args = {
        "subject": {"most_lux": random.choice([300.0, 450.0, 900.0])} if random.random() < 0.5 else {},
        "balance": {
            "ratio": random.choice([1.5, 2.0, 3.0]),
            "exposure": random.choice([300.0, 500.0, 500.0, 1000.0]),
        },
        "hold": {
            "pace": random.choice(["calm", "quick"]),
            "order_speed": random.choice([0.5, 1.0, 3.0]),
        },
    }
    if random.random() < 0.5:
        tables["doors"] = {"osc": {"listen": f"127.0.0.1:{random.choice([9000, 9005])}"}}
    if random.random() < 0.4:
        tables["sensors"] = SENSORS[int(random.random() * len(SENSORS))]
    drivers = {"stage": {"kind": "sacn", "to": [STAGE_AT], "listen": random.random() < 0.3}}
    rig = rigs.studio("corner", marks=rigs.CHAIR_AND_DESK, heads=heads, drivers=drivers, **tables)
    return with_broker(random, rig) if random.random() < WITH_BROKER else rig
