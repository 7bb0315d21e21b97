"""Sound orders of every word, to be spoiled; and what a message of orders looks like when it is wild."""

from __future__ import annotations

import random
from typing import Any

from fillside.orders import registry
from protocol.wild.matter import json_of, spoiled, value

ORDERS: tuple[dict[str, Any], ...] = (
    {"do": "trim", "role": "fill", "by": -1},
    {"do": "trim", "role": "key", "to": "out"},
    {"do": "trim", "role": "key", "to": "1/3"},
    {"do": "balance", "ratio": "3:1", "relative": {"hair": -0.5}, "protect": "ratio"},
    {"do": "balance", "relative": {"hair": "out"}},
    {"do": "balance", "most_over": 0.5, "most_under": "1/3", "when_lost": "solve"},
    {"do": "balance", "ratio": 2.5, "read_as": "key:fill", "against": {"background": "exposure"}},
    {"do": "expose", "by": 0.333},
    {"do": "expose", "to": "camera"},
    {"do": "camera", "aperture": 2.8, "iso": 800, "nd_stops": "1/3"},
    {"do": "camera", "shutter_angle": 180, "fps": 25},
    {"do": "camera", "shutter": "1/50", "offset_stops": -0.1},
    {"do": "move", "to": [0.6, 0.3, 1.25]},
    {"do": "move", "mark": "desk"},
    {"do": "subject", "to": [0.6, 0.3, 1.25]},
    {"do": "subject", "mark": "chair"},
    {"do": "dark"},
    {"do": "follow"},
    {"do": "freeze"},
    {"do": "undo"},
    {"do": "keep"},
    {"do": "all"},
    {"do": "only", "head": "key", "level": 0.5},
    {"do": "identify", "head": "key"},
    {"do": "show", "heads": {"key": 0.5}},
    {"do": "read", "head": "key", "level": 1.0, "at": "chair", "value": 640, "unit": "lux"},
    {
        "do": "read",
        "head": "key+fill",
        "level": "1.0+0.4",
        "at": [0, 0, 1.2],
        "unit": "f/4@400@1/50",
        "note": "x",
    },
    {"do": "read", "head": "fill", "at": "chair", "value": 1.62, "unit": "m"},
    {"do": "event", "head": "fill", "kind": "moved", "note": "bumped"},
    {"do": "strike", "reading": 1, "why": "a slip"},
    {"do": "calibrate", "act": "start"},
    {"do": "lineup", "act": "leave"},
    {"do": "round", "act": "start"},
    {"do": "calibration", "use": None},
    {"do": "sensor", "name": "window", "value": 640, "unit": "lux"},
    {
        "do": "import",
        "readings": "head,level,x,y,z,value,unit,receptor,facing\nkey,1,0,0,1.2,90,lux,flat,head\n",
    },
    {"do": "import", "calibration": {"rig": "corner", "heads": {"key": {"intensity_cd": 3000}}}},
)
MODELS = {word: kind.model for word, kind in registry.ORDERS.items()}
NAMES = tuple(sorted({name for model in MODELS.values() for name in model.model_fields}))
WORDS = (*MODELS, "flash", "")


def order(rng: random.Random) -> Any:
    """An order with something wrong in it, or one that is made up of what orders have."""
    if rng.random() < 0.7:
        return spoiled(rng, rng.choice(ORDERS), NAMES)
    said = {"do": rng.choice(WORDS)}
    return said | {rng.choice(NAMES): value(rng) for _ in range(rng.randrange(4))}


def body(rng: random.Random) -> bytes:
    return json_of(rng, order(rng) if rng.random() < 0.97 else value(rng))
