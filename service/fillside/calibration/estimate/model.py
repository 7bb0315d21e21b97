"""What meters would show of a studio whose unknowns are given, and how each unknown moves it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.calibration.estimate.dimmer import BENDS, bend_stops, certain_log2_output, log2_output
from fillside.calibration.estimate.priors import (
    BOUNCE,
    EXPONENT,
    FIGURES,
    INTENSITY,
    LIT_SHARE,
    LOGARITHMIC,
    POWER,
    SETBACK,
    USUAL_EXPONENT,
    AmbientBelief,
    Beliefs,
    ambient_belief,
    beliefs,
)
from fillside.calibration.estimate.sensitivities import (
    LightPaths,
    PathSensitivities,
    light,
    path_sensitivities,
    unit,
)
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

PER_HEAD = FIGURES + BENDS
LN2 = math.log(2)

Direction = tuple[str, str]
"""Where ambient light is metered: what the receptor faces ("key", "fill", "camera", a head), and its kind."""

Point = tuple[float, float, float]
_PathKey = tuple[int, Point, str | Point, bool]


@dataclass(frozen=True)
class Shapes:
    """Per head (n): whether its dimmer is logarithmic, and whether it may bend away from its family."""

    logarithmic: BoolArray
    bent: BoolArray


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
class Quantities:
    """Metered quantities (m), each a sum of terms (t) and of ambient light from one direction.

    `row`, `path`, `level` (t,) say to which quantity a term adds, along which path, at which level; `ambient`
    (m,) is the number of the direction, -1 for none.
    """

    row: IntArray
    path: IntArray
    level: FloatArray
    paths: LightPaths
    ambient: IntArray

    def __len__(self) -> int:
        return len(self.ambient)

    def of(self, chosen: BoolArray) -> Quantities:
        """Only the chosen (m,) quantities."""
        kept = chosen[self.row]
        number = np.cumsum(chosen) - 1
        used, path = np.unique(self.path[kept], return_inverse=True)
        return Quantities(
            number[self.row[kept]], path, self.level[kept], self.paths.of(used), self.ambient[chosen]
        )

    def involves(self, head: int) -> BoolArray:
        """Which quantities (m,) a head adds to."""
        found = np.zeros(len(self), dtype=np.bool_)
        found[self.row[self.paths.head[self.path] == head]] = True
        return found


@dataclass(frozen=True)
class Model:
    """A rig's unknowns and the light that follows from them.

    The unknowns (size,) are standard normal: PER_HEAD a head, then the ambient light as a whole, then one for
    each of its `directions`.
    """

    rig: Rig
    beliefs: Beliefs
    ambient: AmbientBelief
    directions: tuple[Direction, ...]
    targets: Mapping[str, FloatArray] = field(repr=False)

    @property
    def heads(self) -> int:
        return len(self.beliefs.names)

    @property
    def size(self) -> int:
        return self.heads * PER_HEAD + 1 + len(self.directions)

    def head_block(self, head: int) -> slice:
        """The unknowns of one head."""
        return slice(head * PER_HEAD, (head + 1) * PER_HEAD)

    def per_head(self, z: FloatArray) -> FloatArray:
        """The unknowns as (n, PER_HEAD)."""
        return z[: self.heads * PER_HEAD].reshape(self.heads, PER_HEAD)

    def figures(self, z: FloatArray) -> FloatArray:
        return self.beliefs.figures(self.per_head(z)[:, :FIGURES])

    def dimming(self, figures: FloatArray, shapes: Shapes) -> tuple[FloatArray, IntArray]:
        """The figures (n, 8) with the exponents of the families (n,) that the shapes give the heads.

        A head that turns out to be logarithmic without being labelled so begins at the standard's exponent.
        """
        found_out = shapes.logarithmic & ~self.beliefs.says_log
        figures = figures.copy()
        figures[found_out, EXPONENT] += USUAL_EXPONENT - self.beliefs.mean[found_out, EXPONENT]
        plain = np.where(self.beliefs.says_log, POWER, self.beliefs.families)
        return figures, np.where(shapes.logarithmic, LOGARITHMIC, plain)

    def ambient_lux(self, z: FloatArray) -> FloatArray:
        """Lux from each direction with all heads out."""
        whole, sides = z[self.heads * PER_HEAD], z[self.heads * PER_HEAD + 1 :]
        logarithm = self.ambient.whole_sd * whole + self.ambient.sides_sd * sides
        return np.asarray(self._believed_lux * np.exp(np.clip(logarithm, -20, 20)))

    @cached_property
    def _believed_lux(self) -> FloatArray:
        toward = dict(zip(("key", "fill", "camera"), self.ambient.toward, strict=True))
        elsewhere = sum(self.ambient.toward) / 3
        believed = {direction: toward.get(direction[0], elsewhere) for direction in self.directions}
        if exposure_direction(self.rig) != ("key", "flat"):
            believed[exposure_direction(self.rig)] = self.ambient.toward[2]
        if self.rig.ambient.lux is not None:
            # Even light from all sides: a dome toward the camera shows twice what a flat receptor does.
            believed |= {way: toward["key"] for way in believed if way[1] == "flat"}
        return np.array(list(believed.values()))

    def quantities(self, wanted: Sequence[tuple[Iterable[Term], Direction | None]]) -> Quantities:
        """Quantities from their terms and the direction of their ambient light; equal paths count once."""
        row, path, level = [], [], []
        known: dict[_PathKey, int] = {}
        for number, (terms, _) in enumerate(wanted):
            for term in terms:
                key = (term.head, term.place, term.facing, term.dome)
                row.append(number)
                path.append(known.setdefault(key, len(known)))
                level.append(term.level)
        ambient = [-1 if d is None else self.directions.index(d) for _, d in wanted]
        return Quantities(
            np.array(row, dtype=np.intp),
            np.array(path, dtype=np.intp),
            np.array(level, dtype=np.float64),
            self._paths(list(known)),
            np.array(ambient, dtype=np.intp),
        )

    def _paths(self, keys: Sequence[_PathKey]) -> LightPaths:
        head = np.array([key[0] for key in keys], dtype=np.intp)
        place = np.array([key[1] for key in keys], dtype=np.float64).reshape(-1, 3)
        targets = [self.targets[key[2]] if isinstance(key[2], str) else key[2] for key in keys]
        faced = np.array(targets, dtype=np.float64).reshape(-1, 3)
        dome = np.array([key[3] for key in keys], dtype=np.bool_)
        own = np.array([self.beliefs.names[key[0]] == key[2] for key in keys], dtype=np.bool_) & ~dome
        return LightPaths(head, place, unit(faced - place), dome, own, faced)

    def lux(self, z: FloatArray, shapes: Shapes, wanted: Quantities) -> FloatArray:
        """Lux of the quantities (m,)."""
        figures = self.figures(z)
        direct, facing = light(wanted.paths, self.beliefs, figures)
        bounce = np.where(wanted.paths.own, 0.0, figures[wanted.paths.head, BOUNCE])
        per_candela = (direct + bounce * facing)[wanted.path]
        terms = np.exp2(self._log2_candela(z, figures, shapes, wanted)[0]) * per_candela
        total = np.bincount(wanted.row, terms, minlength=len(wanted))
        return np.asarray(total + self._ambient_of(z, wanted))

    def _ambient_of(self, z: FloatArray, wanted: Quantities) -> FloatArray:
        lux = np.append(self.ambient_lux(z), 0.0)
        return lux[wanted.ambient]

    def _log2_candela(
        self, z: FloatArray, figures: FloatArray, shapes: Shapes, wanted: Quantities
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """log2 of intensity times output per term, its slopes in the dimmer's figures, and in the bends."""
        head = wanted.paths.head[wanted.path]
        known = np.array([curve is not None for curve in self.beliefs.certain_curves])[head]
        dimming, families = self.dimming(figures, shapes)
        log2, slopes = log2_output(wanted.level, dimming[head], families[head])
        bends = bend_stops(wanted.level) * (shapes.bent[head] & ~known)[:, None]
        log2 = log2 + np.einsum("tk,tk->t", bends, self.per_head(z)[head, FIGURES:])
        certain = certain_log2_output(wanted.level, head, self.beliefs.certain_curves)
        dimmed = np.where(known, certain, log2)
        return figures[head, INTENSITY] + dimmed, slopes * ~known[:, None], bends

    def lux_and_slopes(
        self,
        z: FloatArray,
        shapes: Shapes,
        wanted: Quantities,
        sensitivities: PathSensitivities | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Lux of the quantities (m,) and its slopes in the unknowns (m, size).

        `sensitivities`, where they are at hand, are those of the paths of the quantities in this studio.
        """
        figures, paths, path = self.figures(z), wanted.paths, wanted.path
        head = paths.head[path]
        sensitivities = (
            path_sensitivities(paths, self.beliefs, figures) if sensitivities is None else sensitivities
        )
        log2, dimming, bends = self._log2_candela(z, figures, shapes, wanted)
        candela = np.exp2(log2)
        bounce = np.where(paths.own, 0.0, figures[paths.head, BOUNCE])
        lux = candela * (sensitivities.direct + bounce * sensitivities.facing)[path]
        moved = sensitivities.direct_slopes + bounce[:, None] * sensitivities.facing_slopes
        by = np.zeros((len(path), PER_HEAD))
        by[:, INTENSITY] = lux * LN2
        by[:, [SETBACK, LIT_SHARE]] = candela[:, None] * moved[path]
        by[:, BOUNCE] = candela * np.where(paths.own, 0.0, sensitivities.facing)[path]
        by[:, EXPONENT:FIGURES] = lux[:, None] * LN2 * dimming
        by[:, :FIGURES] *= self.beliefs.slopes(self.per_head(z)[:, :FIGURES])[head]
        by[:, FIGURES:] = lux[:, None] * LN2 * bends
        slopes = np.zeros((len(wanted), self.heads, PER_HEAD))
        np.add.at(slopes, (wanted.row, head), by)
        ambient = self._ambient_of(z, wanted)
        sides = np.zeros((len(wanted), len(self.directions)))
        seen = wanted.ambient >= 0
        sides[seen, wanted.ambient[seen]] = ambient[seen] * self.ambient.sides_sd
        whole = (ambient * self.ambient.whole_sd)[:, None]
        total = np.bincount(wanted.row, lux, minlength=len(wanted)) + ambient
        return total, np.concatenate(
            [slopes.reshape(len(wanted), self.heads * PER_HEAD), whole, sides], axis=1
        )


def direction_of(rig: Rig, facing: str, receptor: str) -> Direction:
    """The direction of ambient light that a receptor facing the camera or a head sees."""
    if facing == "camera":
        return "camera", receptor
    rule = rig.head(facing).rule
    return (rule if rule in ("key", "fill") else facing), receptor


def exposure_facing(rig: Rig) -> str:
    """What the receptor faces when exposure is metered: the first key head, or the camera."""
    key = next((head.name for head in rig.heads if head.rule == "key"), "camera")
    return key if rig.meter.facing == "key" else "camera"


def exposure_direction(rig: Rig) -> Direction:
    """The direction in which exposure is metered."""
    return direction_of(rig, exposure_facing(rig), rig.meter.receptor)


def model_of(rig: Rig, directions: Iterable[Direction] = ()) -> Model:
    """The unknowns of a rig, with those directions of ambient light and the ones a rig's heads need."""
    own = [direction_of(rig, head.name, "flat") for head in rig.heads]
    needed = [
        ("key", "flat"),
        ("fill", "flat"),
        exposure_direction(rig),
        ("camera", "flat"),
        *own,
        *directions,
    ]
    targets = {head.name: np.array(head.position) for head in rig.heads}
    targets["camera"] = np.array(rig.camera.position)
    return Model(rig, beliefs(rig), ambient_belief(rig), tuple(dict.fromkeys(needed)), targets)
