"""Random studios and random days in them, from a seed: legal rigs of every kind, and what may happen there.

Nearly half the rigs are such as a person would put up; the rest are whatever the rig file allows.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from random import Random
from typing import Any

from contract.hold_studio import Studio
from fillside.hold.events import (
    DaylightChanged,
    DriverChanged,
    HeadBack,
    HeadDisobeys,
    HeadLost,
    HeadsLeave,
)
from fillside.orders.answers import Refusal
from fillside.rig.tables.model import Rig
from rigs import CHAIR_AND_DESK, sim, studio

CURVES: tuple[Any, ...] = (
    "linear",
    "square",
    "log",
    "lightness",
    {"levels": [0.05, 0.5, 0.9], "outputs": [0.0, 0.2, 1.0]},
)
SIDES = {"key": 1, "fill": -1, "hair": -1, "rim": 1, "background": 1}


def random_rig(random: Random) -> Rig:
    """A legal rig; heads enough for a balance more often than not."""
    roles = [role for role, share in (("key", 0.97), ("fill", 0.95)) if random.random() < share]
    roles += [role for role in ("key", "fill", "hair", "rim", "background", "work") if random.random() < 0.25]
    wild = random.random() < 0.4
    heads = [_head(random, number, role, wild) for number, role in enumerate(roles or ["key"])]
    read_as = random.choice(["key:fill", "key:fill", "key+fill:fill", "face"])
    balance: dict[str, Any] = {
        "ratio": random.choice([1.2, 1.5, 2.0, 2.0, 3.0, 8.0]),
        "read_as": read_as,
        "exposure": _exposure(random, heads),
        "protect": random.choice(["ratio", "exposure"]),
        "most_over": random.choice([0.0, 0.5, 2.0]),
        "when_lost": random.choice(["keep", "solve"]),
        "relative": {role: random.uniform(-2, 1) for role in roles if role in ("hair", "rim", "background")},
        "against": {role: random.choice(["key", "exposure"]) for role in roles if role in ("hair", "rim")},
    }
    subject = {"most_lux": random.choice([150.0, 800.0])} if random.random() < 0.3 else {}
    rig = studio(
        "any",
        marks=CHAIR_AND_DESK,
        meter={"receptor": random.choice(["flat", "dome"]), "facing": random.choice(["camera", "key"])},
        subject=subject,
        balance=balance,
        hold={"pace": random.choice(["calm", "quick"]), "order_speed": 6.0},
        ambient={"lux": random.choice([0.0, 0.0, 0.0, 0.0, 2.0, 5.0, 40.0, 2000.0])},
        heads=heads,
        drivers={**sim("stage"), **sim("side")},
    )
    return Rig.model_validate(rig)


def _exposure(random: Random, heads: list[dict[str, Any]]) -> float:
    """Lux that the lamps can give more often than not, by the inverse-square law; or anything."""
    if random.random() < 0.15:
        return random.choice([0.01, 3.0, 60.0, 1500.0, 20_000.0])
    lux = [
        h["intensity"] / math.dist(h["position"], CHAIR_AND_DESK["chair"]) ** 2
        for h in heads
        if h["role"] in ("key", "fill")
    ]
    return round(max(1.0, random.uniform(0.05, 0.8) * min(lux, default=1.0)), 1)


def _head(random: Random, number: int, role: str, wild: bool) -> dict[str, Any]:
    fixed = role != "work" and random.random() < 0.05
    head: dict[str, Any] = {
        "name": f"{role}-{number}",
        "role": role,
        "position": _place(random, role, wild),
        "aim": (0.0, 2.0, 1.4) if role == "background" else (0.0, 0.0, 1.2),
        "intensity": random.choice(
            [60.0, 800.0, 1500.0, 1500.0, 3000.0, 20_000.0] if wild else [800.0, 1500.0, 3000.0]
        ),
        "modifier": {"diameter": random.choice([0.0, 0.4, 1.2]), "spread": random.choice([0.0, 1.0, 4.0])},
        "bounce": random.choice([0.0, 0.05, 0.3]),
        "dimming": {
            "curve": "fixed" if fixed else random.choice(CURVES),
            "floor": random.choice([0.0, 0.01, 0.01, 0.03, 0.03, 0.3] if wild else [0.0, 0.01, 0.03]),
        },
    }
    if fixed:
        del head["dimming"]["floor"]
    else:
        head["drive"] = {"driver": random.choice(["stage", "side"]), "bits": random.choice([8, 8, 16])}
    if role == "rim":
        head["holds_like"] = "hair"
    return head


def _place(random: Random, role: str, wild: bool) -> tuple[float, float, float]:
    if wild or role in ("work", "background"):
        away = random.uniform(0.7, 3.0)
        bearing = random.uniform(-math.pi, math.pi)
        return away * math.sin(bearing), away * math.cos(bearing), random.uniform(0.6, 3.0)
    bearing = math.radians(random.uniform(110, 160) if role in ("hair", "rim") else random.uniform(20, 70))
    away = random.uniform(0.8, 2.2)
    return SIDES[role] * away * math.sin(bearing), -away * math.cos(bearing), random.uniform(1.3, 2.2)


class Day:
    """What happens in a studio, one thing after the other; every look is after some time or none."""

    def __init__(self, random: Random, up: Studio) -> None:
        self._random, self._up = random, up
        self._roles = tuple(dict.fromkeys(h.role for h in up.rig.heads if h.role != "work"))
        self._names = tuple(head.name for head in up.rig.heads)

    def happenings(self, count: int) -> Iterator[str]:
        """So many things, each done when it is yielded, by a word for it."""
        for _ in range(count):
            yield self._one()

    def _one(self) -> str:
        random = self._random
        act = random.choice(
            (self._order, self._order, self._order, self._track, self._wire, self._wait, self._settle)
        )
        return act()

    def _order(self) -> str:
        order = self._any_order()
        try:
            self._up.do(order)
        except Refusal as refused:
            return f"{order} refused: {refused}"
        return str(order)

    def _any_order(self) -> dict[str, Any]:
        random = self._random
        role, name = random.choice(self._roles), random.choice(self._names)
        x, y = random.uniform(-0.7, 0.7), random.uniform(-0.6, 0.7)
        return random.choice(
            (
                {"do": "trim", "role": role, "by": random.choice([-4, -1, -0.5, 0.5, 1, 4])},
                {"do": "trim", "role": role, "to": random.choice([0, 0, 0.3, -0.3, 3, "out"])},
                {"do": "expose", "by": random.choice([-9, -1, -0.5, -0.25, 0.25, 0.5, 1, 9])},
                {"do": "expose", "to": random.choice(["camera", 5, 100, 300, 150_000])},
                {"do": "balance", "ratio": random.choice(["1.1:1", "1.5:1", "2:1", "3:1", "16:1"])},
                {"do": "balance", "protect": random.choice(["ratio", "exposure"])},
                {"do": "balance", "when_lost": random.choice(["keep", "solve"])},
                {"do": "camera", "aperture": random.choice([1.4, 4.0, 16.0])},
                {"do": "move", "mark": random.choice(list(CHAIR_AND_DESK))},
                {"do": "move", "to": [x, y, random.uniform(1.0, 1.4)]},
                {"do": "freeze"},
                {"do": "follow"},
                {"do": "follow"},
                {"do": "dark"},
                {"do": "only", "head": name},
                {"do": "all"},
                {"do": "all"},
                {"do": "undo"},
                {"do": "keep"},
                {"do": "identify", "head": name},
            )
        )

    def _track(self) -> str:
        """A tracker that sees the subject walk, jump or sway, and then says nothing more."""
        random = self._random
        x, y, z = self._up.hold.snapshot().subject
        dx, dy = random.gauss(0, 0.2), random.gauss(0, 0.2)
        count, every_s = random.choice([1, 3, 12]), random.choice([0.005, 0.02, 0.1])
        for k in range(1, count + 1):
            share = k / count
            try:
                self._up.see((x + share * dx, y + share * dy, z))
            except Refusal:
                return "a tracker's report was refused"
            self._up.wait(every_s)
        return f"a tracker saw {dx:+.2f}, {dy:+.2f} in {count} reports"

    def _wire(self) -> str:
        random, name = self._random, self._random.choice(self._names)
        driver = random.choice(["stage", "side"])
        event = random.choice(
            (
                HeadLost(name),
                HeadBack(name),
                HeadBack(name),
                HeadDisobeys(name, random.choice([None, 0, 90])),
                DriverChanged(driver, "lost"),
                DriverChanged(driver, "ok"),
                DriverChanged(driver, "ok"),
                DriverChanged(driver, "late"),
                HeadsLeave((name,)),
                HeadsLeave(()),
                DaylightChanged(random.choice([0.0, 1.0, 30.0]), random.choice([0.0, 0.5])),
            )
        )
        self._up.event(event)
        return str(event)

    def _wait(self) -> str:
        seconds = self._random.choice([0.001, 0.03, 0.3, 4.0])
        self._up.wait(seconds)
        return f"{seconds} s pass"

    def _settle(self) -> str:
        self._up.settle(1000.0)
        return "the light rests"
