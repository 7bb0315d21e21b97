"""The questions a person could answer next: readings (which head, at which level, where, which receptor,
facing what) and tape measures."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fillside.belief.belief import Belief
from fillside.belief.evidence import CAMERA, Reading, TapeMeasure
from fillside.belief.observations import exposure_facing
from fillside.rig.tables.model import Head, Rig

FloatArray = NDArray[np.float64]
Place = tuple[float, float, float]

STEPS_M = (-0.6, -0.4, -0.2, 0.0, 0.2, 0.4, 0.6)
"""Steps toward the head, or away from it, at which the meter may be asked for, at the height of the mark."""
SIDESTEPS_M = (-0.4, 0.4)
CLEAR_M = 0.35
"""Distance from a lit face within which nobody is asked to hold a meter."""
LEVEL_FACTORS = (0.5, 0.7, 0.85, 1.0, 1.2)
LEAST_LEVEL = 0.1


@dataclass(frozen=True)
class Candidate:
    """A reading to take: one head alone at a level (none: all out), the place, the receptor and its
    target."""

    head: str | None
    level: float
    at: Place
    receptor: Literal["flat", "dome"]
    facing: str

    @property
    def as_evidence(self) -> Reading:
        """The reading that answers it, with no value of its own; unchecked, since there are thousands."""
        lit = () if self.head is None else (self.head,)
        levels = (self.level,) * len(lit)
        return Reading.model_construct(
            heads=lit, levels=levels, at=self.at, value=0.0, receptor=self.receptor, facing=self.facing
        )


@dataclass(frozen=True)
class TapeCandidate:
    """A tape measure to take: from a place to the middle of a head's lit face."""

    head: str
    at: Place

    @property
    def as_evidence(self) -> TapeMeasure:
        """The tape measure that answers it, with no distance of its own."""
        return TapeMeasure.model_construct(head=self.head, at=self.at, distance_m=0.0)


Question = Candidate | TapeCandidate


def candidates(
    belief: Belief, held: Sequence[FloatArray], only: Collection[str | None] | None, tapes: bool = False
) -> Iterator[Question]:
    """Questions worth considering, with levels (n,) `held` at each mark; of the heads in `only`, if given.

    A head is asked for by a receptor that does not face it once it has a flat reading that does: the ratio
    rests on those. `tapes` are asked for too where the person has one.
    """
    rig = belief.rig
    read_flat = {name for r in belief.readings if r.receptor == "flat" for name in r.heads}
    for mark, levels in zip(rig.marks.values(), held, strict=True):
        for head, level in zip(rig.heads, levels.tolist(), strict=True):
            if head.rule == "work" or (only is not None and head.name not in only):
                continue
            for tried in [1.0] if head.dimming.fixed else _levels(level):
                yield from _of_head(rig, head, tried, mark)
                if head.rule in ("key", "fill") and head.name in read_flat:
                    yield Candidate(head.name, tried, mark, rig.meter.receptor, exposure_facing(rig))
            if head.rule != "background" and head.name in read_flat:
                held_at = 1.0 if head.dimming.fixed else round(min(max(level, LEAST_LEVEL), 1.0), 2)
                yield from _from_aside(rig, head, held_at, mark)
            if tapes and head.rule in ("key", "fill"):
                yield TapeCandidate(head.name, mark)
        if only is None or None in only:
            yield from _ambient(rig, mark)


def _ambient(rig: Rig, mark: Place) -> Iterator[Candidate]:
    for name in (*_first_of_roles(rig), CAMERA):
        yield Candidate(None, 0.0, mark, "flat", name)
    yield Candidate(None, 0.0, mark, rig.meter.receptor, exposure_facing(rig))


def _first_of_roles(rig: Rig) -> list[str]:
    """The names of the first key and the first fill head, where there are such."""
    names = (next((h.name for h in rig.heads if h.rule == rule), None) for rule in ("key", "fill"))
    return [name for name in names if name is not None]


def _from_aside(rig: Rig, head: Head, level: float, mark: Place) -> Iterator[Candidate]:
    """Readings of a head with the receptor toward the other lamps, which shows its light off the room,
    and toward the camera."""
    for name in (*_first_of_roles(rig), CAMERA):
        if name != head.name:
            yield Candidate(head.name, level, mark, "flat", name)


def _of_head(rig: Rig, head: Head, level: float, mark: Place) -> Iterator[Candidate]:
    if head.rule == "background":
        yield Candidate(head.name, level, rig.aim_of(head), "flat", "camera")
        return
    for place in _places(rig, head, mark):
        yield Candidate(head.name, level, place, "flat", head.name)


def _levels(held: float) -> list[float]:
    """Levels about the one that is held, in hundredths, and full."""
    about = [min(max(held * factor, LEAST_LEVEL), 1.0) for factor in LEVEL_FACTORS]
    return sorted({round(level, 2) for level in about} | {1.0})


def _places(rig: Rig, head: Head, mark: Place) -> Iterator[Place]:
    """Places about a mark that a meter can be held at: toward the head, away from it, to its sides."""
    toward = np.array([head.position[0] - mark[0], head.position[1] - mark[1], 0.0])
    length = float(np.linalg.norm(toward))
    ahead = toward / length if length > CLEAR_M else np.array([0.0, -1.0, 0.0])
    aside = np.array([-ahead[1], ahead[0], 0.0])
    for step in [*(step * ahead for step in STEPS_M), *(step * aside for step in SIDESTEPS_M)]:
        x, y, z = (round(float(value), 2) for value in np.array(mark) + step)
        if all(math.dist((x, y, z), own.position) > CLEAR_M for own in rig.heads):
            yield (x, y, z)
