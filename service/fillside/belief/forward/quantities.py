"""Quantities of a studio: which receptor shows which light, in words and as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillside.belief.forward.paths import LightPaths
from fillside.belief.forward.priors import CHANGED_STOPS, MOVED_M, REPLACED_M

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
Point = tuple[float, float, float]


@dataclass(frozen=True)
class Term:
    """One head's part in a quantity: the head, at a level, on a receptor that faces a head, "camera" or a
    point [m]."""

    head: int
    level: float
    place: Point
    facing: str | Point
    dome: bool = False


@dataclass(frozen=True)
class Wanted:
    """A quantity: its terms, and the ambient light that is in it.

    `ambient` is a head, "camera" or a point [m] that a flat receptor or a dome at `place` faces and sees
    it by; None for none. `metered` if a meter shows it. `after` says of each step of the model whether it
    came before; None is all of them, as things are now. `daylight` says how many times as much ambient light
    there is as when the studio is believed.
    """

    terms: tuple[Term, ...]
    place: Point
    ambient: str | Point | None = None
    dome: bool = False
    metered: bool = False
    after: tuple[bool, ...] | None = None
    daylight: float = 1.0


@dataclass(frozen=True)
class HeadStep:
    """A change of a head: its stand was "moved", or its lamp "changed".

    `was` is where the rig file had the stand before [m], `was_cd` what it said of the lamp; None where the
    file did not change.
    """

    head: int
    kind: str
    was: Point | None = None
    was_cd: float | None = None

    @property
    def size(self) -> float:
        """Standard deviation of its effect: [m] for a stand, [stops] for a lamp."""
        if self.kind == "changed":
            return CHANGED_STOPS
        return MOVED_M if self.was is None else REPLACED_M


@dataclass(frozen=True)
class Quantities:
    """Quantities (m), each a sum of terms (t) and of ambient light; a head adds to a quantity once.

    `row`, `path`, `lamp` (t,) say to which quantity a term adds, along which path, and the light of which
    lamp (l): a head at a level, `lamp_head` and `lamp_level` (l,), after the steps `lamp_after` (l, k).
    `place` (m, 3) [m] is where the ambient receptor of each quantity is, `sky` (m, 3) along what it looks, 0
    for none; `dome`, and `metered` (m,). `daylight` (m,) is how many times as much of it there is.
    """

    row: IntArray
    path: IntArray
    lamp: IntArray
    lamp_head: IntArray
    lamp_level: FloatArray
    lamp_after: BoolArray
    lamp_label: FloatArray
    paths: LightPaths
    place: FloatArray
    sky: FloatArray
    dome: BoolArray
    metered: BoolArray
    daylight: FloatArray

    def __len__(self) -> int:
        return len(self.dome)

    @property
    def head(self) -> IntArray:
        """The head (t,) of each term."""
        return self.lamp_head[self.lamp]

    @property
    def under_sky(self) -> FloatArray:
        """The ambient light in quantities (m,) over that of the studio as it is believed; 0 for none."""
        return np.asarray(self.sky.any(axis=1) * self.daylight)
