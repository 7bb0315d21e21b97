"""Random but legal rigs for the balance's tests, and the policy stated a second time, by brute force."""

from __future__ import annotations

from typing import Any

import numpy as np

from fillside.rig.tables.model import Rig
from rigs import CAMERA, sim, studio


def random_rig(random: np.random.Generator, **balance: Any) -> Rig:
    """A rig with one to two keys, one to two fills and a hair light, at places a person might choose."""
    heads = []
    for role, side, most in (("key", 1, 2), ("fill", -1, 2), ("hair", -1, 1)):
        for number in range(int(random.integers(1, most + 1))):
            heads.append(_head(random, role, side, number))
    rig = studio(
        "random",
        camera={"position": CAMERA["position"]},
        meter={"receptor": str(random.choice(["dome", "flat"]))},
        balance={"relative": {"hair": -0.5}, **balance},
        ambient={
            "toward_key": float(random.uniform(0, 30)),
            "toward_fill": float(random.uniform(0, 30)),
        },
        heads=heads,
        drivers=sim("wire"),
    )
    return Rig.model_validate(rig)


def _head(random: np.random.Generator, role: str, side: int, number: int) -> dict[str, Any]:
    angle = np.radians(random.uniform(110, 160) if role == "hair" else random.uniform(20, 70))
    distance = random.uniform(0.9, 2.2)
    x, y = side * distance * np.sin(angle), -distance * np.cos(angle)
    return {
        "name": f"{role}-{number}",
        "role": role,
        "position": [float(x), float(y), float(random.uniform(1.3, 2.2))],
        "intensity": float(random.uniform(300, 3000)),
        "modifier": {"diameter": float(random.uniform(0, 1.2)), "spread": float(random.uniform(0, 3))},
        "bounce": float(random.uniform(0, 0.1)),
        "dimming": {"curve": "square", "floor": float(random.uniform(0.01, 0.3))},
        "drive": {"driver": "wire", "bits": 16},
    }
