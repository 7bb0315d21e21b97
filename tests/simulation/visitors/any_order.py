"""Orders of every word in the registry, drawn for a rig: most can be obeyed, some not at that moment."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random
from typing import Any

from simulation.studio.lamps import CURVES
from simulation.studio.meter import tape_of
from simulation.studio.studios import CHAIR

Args = dict[str, Any]
Order = dict[str, Any]
METER_SIGMA_STOPS = 0.03
HEADER = "head,level,x,y,z,value,unit,receptor,facing"
SLOWLY_WEIGHED = ("read", "event", "strike", "calibrate", "lineup", "round", "calibration", "import")
"""Orders that are answered only once readings are weighed."""
SETTING = "homie setting"
"""Stands for the order that home automation gives by setting a property."""
MOVES_FROZEN = frozenset(
    {
        SETTING,
        "trim",
        "only",
        "show",
        "all",
        "undo",
        "dark",
        "follow",
        "freeze",
        "identify",
        "calibrate",
        "lineup",
        "round",
    }
)
"""Orders that may move the light in a freeze."""
GO_ON = frozenset({"read", "event", "strike"})
"""Orders by which a routine that is under way goes on, and moves the light in a freeze too."""


def lux_of(head: Args, level: float, at: list[float]) -> float:
    """Return what a flat meter facing a point lamp shows: its cosine is 1, in the direction of its axis."""
    distance_m = math.dist(head["position"], at)
    return head["intensity"] * CURVES[head["dimming"]["curve"]](level) / distance_m**2


def _head(random: Random, rig: Args) -> str:
    name: str = random.choice(rig["heads"])["name"]
    return name


def _role(random: Random, rig: Args) -> str:
    role: str = random.choice(rig["heads"])["role"]
    return role


def place(random: Random) -> list[float]:
    """Draw a place where the subject may be [m]."""
    x_m, y_m = random.uniform(-0.5, 0.7), random.uniform(-0.4, 0.4)
    return [round(x_m, 2), round(y_m, 2), round(random.uniform(1.1, 1.3), 2)]


def _trim(random: Random, rig: Args) -> Order:
    how = random.choice(
        [{"by": round(random.choice([-6, -2, -1, 1, 2, 4]) / 3, 3)}, {"to": 0}, {"to": "1/3"}]
    )
    if random.random() < 0.1:
        how = {"to": "out"}
    return {"role": _role(random, rig), **how}


def _balance(random: Random, rig: Args) -> Order:
    return random.choice(
        [
            {"ratio": random.choice(["1.5:1", "2:1", "4:1", 3.0, "1 stop"])},
            {"ratio": 2.5, "read_as": "key+fill:fill"},
            {"protect": random.choice(["ratio", "exposure"])},
            {"most_over": 0.3, "most_under": "1/3", "when_lost": random.choice(["solve", "keep"])},
            {"relative": {"hair": round(random.uniform(-1.5, 0.5), 1)}},
            {"relative": {"hair": "out"}},
        ]
    )


def _expose(random: Random, rig: Args) -> Order:
    third = round(random.choice([-3, -1, 1, 2]) / 3, 3)
    return random.choice([{"by": third}, {"to": random.choice([250, 400, "camera"])}])


def _camera(random: Random, rig: Args) -> Order:
    return random.choice(
        [{"aperture": 2.8, "iso": 800}, {"nd_stops": "1/3"}, {"shutter_angle": 180, "fps": 25}, {"iso": 200}]
    )


def _place(random: Random, rig: Args) -> Order:
    return {"mark": random.choice(list(rig["marks"]))} if random.random() < 0.4 else {"to": place(random)}


def _only(random: Random, rig: Args) -> Order:
    level = {"level": round(random.random(), 2)} if random.random() < 0.5 else {}
    return {"head": _head(random, rig), **level}


def _show(random: Random, rig: Args) -> Order:
    names = [head["name"] for head in rig["heads"] if random.random() < 0.5]
    return {"heads": {name: round(random.random(), 2) for name in names}}


def _read(random: Random, rig: Args) -> Order:
    head, level = random.choice(rig["heads"]), round(random.uniform(0.4, 1.0), 2)
    if random.random() < 0.2:
        return {"head": head["name"], "at": "chair", **tape_of(random, rig, head["name"], CHAIR)}
    lux = lux_of(head, level, CHAIR) * 2 ** random.gauss(0.0, METER_SIGMA_STOPS)
    given = {"value": round(max(lux, 0.1), 1), "unit": "lux", "receptor": "flat", "facing": "head"}
    if random.random() < 0.3:
        return {**given, "check": True, "at": "chair", "head": head["name"], "level": level}
    return {**given, "head": head["name"], "level": level, "at": "chair"}


def _event(random: Random, rig: Args) -> Order:
    return {"head": _head(random, rig), "kind": random.choice(["moved", "changed"])}


def _routine(random: Random, rig: Args) -> Order:
    act = random.choice(
        ["start", "start", "go", "tick", "skip", "repeat", "leave", "resume", "finish", "more"]
    )
    return {"act": act, "item": "lamps"} if act == "tick" else {"act": act}


def _import(random: Random, rig: Args) -> Order:
    if random.random() < 0.3:
        name = _head(random, rig)
        return {"calibration": {"rig": rig["rig"]["name"], "heads": {name: {"intensity_cd": 2800}}}}
    lines = [HEADER]
    for head in rig["heads"][:2]:
        lux = lux_of(head, 1.0, CHAIR) * 2 ** random.gauss(0.0, METER_SIGMA_STOPS)
        lines.append(f"{head['name']},1,{CHAIR[0]},{CHAIR[1]},{CHAIR[2]},{lux:.1f},lux,flat,head")
    return {"readings": "\n".join(lines) + "\n"}


def _sensor(random: Random, rig: Args) -> Order:
    value = random.choice([0, 35.5, 120, 640, 90_000, 1_000_000])
    unit = {"unit": random.choice(["lux", "fc"])} if random.random() < 0.3 else {}
    return {"name": random.choice([*rig.get("sensors", {}), "window"]), "value": value, **unit}


def _nothing(random: Random, rig: Args) -> Order:
    return {}


DRAW: dict[str, tuple[float, Callable[[Random, Args], Order]]] = {
    "trim": (4.0, _trim),
    "balance": (3.0, _balance),
    "expose": (2.0, _expose),
    "camera": (0.7, _camera),
    "move": (3.0, _place),
    "subject": (2.0, _place),
    "only": (1.5, _only),
    "show": (1.0, _show),
    "all": (1.5, _nothing),
    "identify": (1.5, lambda random, rig: {"head": _head(random, rig)}),
    "follow": (3.0, _nothing),
    "freeze": (4.0, _nothing),
    "dark": (1.0, _nothing),
    "keep": (1.0, _nothing),
    "undo": (3.0, _nothing),
    "read": (0.6, _read),
    "event": (0.2, _event),
    "strike": (0.3, lambda random, rig: {"reading": random.choice([1, 1, 2, 3])}),
    "calibrate": (0.5, _routine),
    "lineup": (0.5, _routine),
    "round": (0.3, _routine),
    "calibration": (0.3, lambda random, rig: {"use": random.choice([None, 1])}),
    "import": (0.3, _import),
    "sensor": (1.5, _sensor),
}
"""How often each word is drawn, and its fields."""


def any_order(random: Random, rig: Args) -> Order:
    """Draw an order."""
    word = random.choices(list(DRAW), [share for share, _ in DRAW.values()])[0]
    return {"do": word, **DRAW[word][1](random, rig)}


def wrong_text(random: Random, rig: Args) -> str:
    """Draw the text of an order that nobody may obey."""
    role = _role(random, rig)
    return random.choice(
        [
            '{"do": "trim", "role": "nobody", "by": 1}',
            f'{{"do": "trim", "role": "{role}", "by": NaN}}',
            f'{{"do": "trim", "role": "{role}", "by": 1e9}}',
            f'{{"do": "trim", "role": "{role}", "by": "a lot"}}',
            f'{{"do": "trim", "role": "{role}", "by": 1, "to": 1}}',
            '{"do": "balance", "ratio": Infinity}',
            '{"do": "balance", "ratio": "-3:1"}',
            '{"do": "balance", "ratio": [2]}',
            '{"do": "expose", "to": 1e308}',
            '{"do": "expose", "by": null}',
            '{"do": "move", "to": [NaN, 0, 1]}',
            '{"do": "move", "to": [1e9, 0, 1.2]}',
            '{"do": "move", "mark": "moon"}',
            '{"do": "subject", "to": [0, 0]}',
            '{"do": "subject", "to": [0, -Infinity, 1.2]}',
            '{"do": "only", "head": "key", "level": 1.5}',
            '{"do": "show", "heads": {"key": -1}}',
            '{"do": "show", "heads": ["key"]}',
            '{"do": "identify", "head": 7}',
            '{"do": "read", "head": "key", "value": -5, "unit": "lux"}',
            '{"do": "read", "head": "key", "value": 5, "unit": "lumens"}',
            '{"do": "strike", "reading": 0}',
            '{"do": "calibrate", "act": "dance"}',
            '{"do": "import", "readings": "head,level\\nkey,1\\n"}',
            '{"do": "import", "calibration": {"heads": 3}}',
            '{"do": "sensor", "name": "window", "value": NaN}',
            '{"do": "camera", "aperture": 0}',
            '{"do": "flash"}',
            '{"do": ["freeze"]}',
            '{"do": "freeze", "hard": true}',
            '{"do": "freeze", "do": "dark"}',
            '["freeze"]',
            "null",
            "",
            '{"do": "freeze"',
            '{"do": "\\ud800"}',
            "[" * 3000,
        ]
    )
