"""The potter's place at any moment, and the tracker's noisy report of it. Pure functions of time."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

Place = tuple[float, float, float]

PACE_M_S = 0.8
SWAY_M, SWAY_HZ = 0.05, 0.3
LEAN_M, LEAN_HZ = 0.03, 0.19


@dataclass(frozen=True)
class Stop:
    """A stay at a mark, in seconds."""

    mark: str
    stay_s: float


ROUND = (Stop("wheel", 2.5), Stop("table", 3.0), Stop("wheel", 1.5), Stop("shelf", 2.5), Stop("table", 2.0))
"""The round that is walked again and again."""


class SubjectWalk:
    """A round of marks: stand and sway, then walk on, easing in and out."""

    def __init__(self, marks: Mapping[str, Sequence[float]], stops: Sequence[Stop] = ROUND) -> None:
        """`marks` are places in metres by name; every stop's mark must be among them."""
        self._legs: list[tuple[float, float, Place, Place]] = []
        at = 0.0
        for stop, following in zip(stops, (*stops[1:], stops[0]), strict=True):
            here, there = _place(marks[stop.mark]), _place(marks[following.mark])
            leaves = at + stop.stay_s
            arrives = leaves + math.dist(here, there) / PACE_M_S
            self._legs.append((leaves, arrives, here, there))
            at = arrives
        self.round_s = at

    def at(self, t: float) -> Place:
        """Return her place [m] at `t` seconds."""
        in_round = t % self.round_s
        leaves, arrives, here, there = next(leg for leg in self._legs if in_round < leg[1])
        share = min(1.0, max(0.0, (in_round - leaves) / (arrives - leaves))) if arrives > leaves else 0.0
        eased = share * share * (3 - 2 * share)
        x, y, z = (a + (b - a) * eased for a, b in zip(here, there, strict=True))
        sway = SWAY_M * math.sin(2 * math.pi * SWAY_HZ * t)
        lean = LEAN_M * math.sin(2 * math.pi * LEAN_HZ * t)
        return (x + sway, y + lean, z)


def _place(values: Sequence[float]) -> Place:
    x, y, z = values
    return (x, y, z)


class Tracker:
    """Reports a place with independent noise on every axis; repeatable by its seed."""

    def __init__(self, noise_m: float = 0.03, seed: int = 1) -> None:
        self._noise_m = noise_m
        self._random = random.Random(seed)

    def report(self, place: Place) -> list[float]:
        return [round(value + self._random.gauss(0.0, self._noise_m), 4) for value in place]
