"""Three hundred made-up studios, each from its number alone, and what happens in one of them for an hour.

Only `random.Random` draws, whose numbers are the same on every machine.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from typing import Any

from fillside.rig.tables.model import Rig

STUDIOS = 300
CURVES: tuple[Any, ...] = (
    "square",
    "square",
    "linear",
    "log",
    "lightness",
    {"levels": [0.05, 0.3, 0.6, 1.0], "outputs": [0.0, 0.08, 0.4, 1.0]},
)


def studio(number: int) -> Rig:
    """Draw a rig such as a person might build in a small room; some of them cannot do what they are asked."""
    draw = random.Random(number)
    read_as = draw.choice(("key:fill", "key:fill", "key+fill:fill", "face"))
    ratio = round(draw.uniform(1.1, 9.0), 2)
    heads = [*_heads(draw, "key", 1, 2), *_heads(draw, "fill", -1, 2)]
    for role, most in (("hair", 1), ("background", 1), ("work", 1)):
        if draw.random() < 0.4:
            heads += _heads(draw, role, draw.choice((-1, 1)), most)
    rig: dict[str, Any] = {
        "rig": {"name": f"studio-{number}"},
        "camera": {"position": [0.0, -2.4, 1.4], "iso": draw.choice((100, 400, 800)), "shutter": "1/50"},
        "meter": {"receptor": draw.choice(("dome", "flat")), "facing": draw.choice(("camera", "key"))},
        "marks": {"chair": [0.0, 0.0, 1.2], "aside": _near(draw, 0.6)},
        "balance": {
            "ratio": ratio,
            "read_as": read_as,
            "exposure": draw.choice(("camera", round(10 ** draw.uniform(1.5, 3.3), 1))),
            "protect": draw.choice(("ratio", "ratio", "exposure")),
        },
        "hold": {"pace": draw.choice(("calm", "quick"))},
        "heads": heads,
        "drivers": {"wire": {"kind": "sim"}},
    }
    rig["camera"]["aperture"] = draw.choice((2.0, 2.8, 4.0))
    if draw.random() < 0.4:
        rig["subject"] = {"most_lux": round(10 ** draw.uniform(2.3, 3.5))}
    if draw.random() < 0.6:
        rig["ambient"] = {f"toward_{way}": round(draw.uniform(0, 60), 1) for way in ("key", "fill", "camera")}
    return Rig.model_validate(rig)


def direct_studio(number: int) -> Rig:
    """The same studio, of whose room nothing is said."""
    table = studio(number).dump()
    table.pop("ambient", None)
    for head in table["heads"]:
        del head["bounce"]
    return Rig.model_validate(table)


def _near(draw: random.Random, far_m: float) -> list[float]:
    return [round(draw.uniform(-far_m, far_m), 2), round(draw.uniform(-far_m, far_m), 2), 1.25]


def _heads(draw: random.Random, role: str, side: int, most: int) -> Iterator[dict[str, Any]]:
    for number in range(draw.randint(1, most)):
        behind = role in ("hair", "background")
        angle = math.radians(draw.uniform(110, 160) if behind else draw.uniform(15, 75))
        distance_m = draw.uniform(0.9, 2.2)
        fixed = role in ("key", "fill") and draw.random() < 0.06
        head: dict[str, Any] = {
            "name": f"{role}-{number}",
            "role": role,
            "position": [
                round(side * distance_m * math.sin(angle), 2),
                round(-distance_m * math.cos(angle), 2),
                round(draw.uniform(1.3, 2.3), 2),
            ],
            "intensity": round(10 ** draw.uniform(2.2, 3.6)),
            "modifier": {
                "diameter": round(draw.uniform(0, 1.2), 2),
                "spread": round(draw.uniform(0, 3), 1),
            },
            "bounce": round(draw.uniform(0, 0.1), 2),
            "dimming": {"curve": "fixed"},
        }
        if role == "background":
            head["aim"] = [round(draw.uniform(-0.5, 0.5), 2), 2.0, 1.4]
        if not fixed:
            head["dimming"] = {"curve": draw.choice(CURVES), "floor": draw.choice((0.0, 0.01, 0.03, 0.2))}
            head["drive"] = {"driver": "wire", "bits": draw.choice((8, 8, 16))}
        yield head


def orders(number: int) -> list[dict[str, Any]]:
    """Draw what is ordered in a studio, one after the other, each once the light has settled."""
    draw = random.Random(-1 - number)
    role = draw.choice(("key", "fill"))
    pool: list[dict[str, Any]] = [
        {"do": "trim", "role": role, "by": round(draw.uniform(-2, 2), 2)},
        {"do": "balance", "ratio": round(draw.uniform(1.1, 9.0), 2)},
        {"do": "expose", "by": round(draw.uniform(-1.5, 1.5), 2)},
        {"do": "move", "mark": "aside"},
        {"do": "move", "to": _near(draw, 0.7)},
        {"do": "freeze"},
        {"do": "follow"},
        {"do": "keep"},
        {"do": "only", "head": f"{role}-0", "level": 0.5},
        {"do": "dark"},
        {"do": "undo"},
    ]
    return draw.sample(pool, 4)


HOUR_S = 3600
DAY: tuple[dict[str, Any], ...] = (
    {"do": "balance", "ratio": "2:1"},
    {"do": "trim", "role": "fill", "by": -1},
    {"do": "move", "mark": "board"},
    {"do": "freeze"},
    {"do": "trim", "role": "hair", "to": "out"},
    {"do": "follow"},
    {"do": "trim", "role": "hair", "to": 0},
    {"do": "undo"},
    {"do": "expose", "by": 0.5},
    {"do": "camera", "aperture": 4.0},
    {"do": "move", "mark": "middle"},
    {"do": "keep"},
    {"do": "dark"},
    {"do": "follow"},
    {"do": "balance", "ratio": "3:1"},
    {"do": "only", "head": "key", "level": 0.4},
    {"do": "all"},
    {"do": "camera", "aperture": 2.8},
)
"""What is ordered in the hour, one every minute, again and again."""


def report_at(second: int) -> tuple[float, float, float] | None:
    """Where a tracker saw the subject in a second of the hour; it looks half of each minute."""
    if second % 60 < 30:
        return None
    draw = random.Random(second)
    walked = math.sin(2 * math.pi * second / 240)
    x, y, z = (draw.gauss(centre, 0.02) for centre in (0.3 + 0.3 * walked, 0.1, 1.6))
    return (x, y, z)
