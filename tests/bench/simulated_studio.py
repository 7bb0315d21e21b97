"""A studio that hides its truth from the estimator and can be metered: for judging a calibration.

Nothing of the product is imported here. A head is a flat disc of equal elements, spread over it like the
seeds of a sunflower (H. Vogel, Mathematical Biosciences 44, 1979), each sending I0/N cos^m of the angle from
the axis; a flat receptor weighs by the cosine, a dome by (1 + cos)/2. A dimmer is a power of the level
between a dead zone and a saturation. What walls send back of a head is even light, of which a dome shows
twice what a flat receptor does; where they send nothing, the rig file says so. Not modelled: shadows, walls
that send more to one side, colour, lamps that warm up, heads that move.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]

_SEEDS = 320
_SEED_ANGLE = np.arange(_SEEDS) * math.pi * (3 - math.sqrt(5))
_SEED_RADIUS = np.sqrt((np.arange(_SEEDS) + 0.5) / _SEEDS)


@dataclass(frozen=True)
class HiddenHead:
    """One head: what its label says (`label_`) and what is true of it."""

    name: str
    role: str
    position: Vector
    aim: Vector
    label_cd: float
    label_diameter_m: float
    intensity_cd: float
    diameter_m: float
    setback_m: float = 0.0
    exponent: float = 2.0
    dead_zone: float = 0.0
    saturation: float = 1.0
    bounce: float = 0.0
    spread: float = 1.0
    steps: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    """A dimmer of another kind, as levels and outputs joined by straight lines in the logarithm."""

    @property
    def axis(self) -> Vector:
        away = self.aim - self.position
        return np.asarray(away / np.linalg.norm(away))

    def output(self, level: float | Vector) -> Vector:
        """Share of full light at a level of the wire."""
        at = np.asarray(level, dtype=float)
        if self.steps is not None:
            levels, outputs = self.steps
            lit = np.exp2(np.interp(at, levels, np.log2(outputs)))
            return np.where(at < levels[0], 0.0, lit)
        share = (at - self.dead_zone) / (self.saturation - self.dead_zone)
        return np.asarray(np.clip(share, 0.0, 1.0) ** self.exponent)

    def full_lux(self, point: Vector, axis: Vector, dome: bool = False) -> float:
        """Light of this head alone, at full, on a receptor at `point` with unit normal `axis`; no bounce."""
        own = self.axis
        aside = np.cross(own, [0.0, 0.0, 1.0])
        aside = aside / np.linalg.norm(aside)
        upward = np.cross(aside, own)
        radius = _SEED_RADIUS * self.diameter_m / 2
        spots = (
            self.position
            - self.setback_m * own
            + np.outer(radius * np.cos(_SEED_ANGLE), aside)
            + np.outer(radius * np.sin(_SEED_ANGLE), upward)
        )
        ray = point - spots
        square = np.einsum("ij,ij->i", ray, ray)
        length = np.sqrt(square)
        leaving = np.clip(ray @ own / length, 0.0, 1.0)
        arriving = -(ray @ axis) / length
        seen = (1 + arriving) / 2 if dome else np.clip(arriving, 0.0, 1.0)
        return float(self.intensity_cd * np.mean(leaving**self.spread * seen / square))

    def facing_lux(self, point: Vector) -> float:
        """Flat receptor facing the centre of the head, at full; no bounce."""
        toward = self.position - point
        return self.full_lux(point, toward / np.linalg.norm(toward))

    def room_lux(self, dome: bool = False) -> float:
        """What the walls send back of this head at full, as a receptor shows it wherever it faces."""
        return self.bounce * self.facing_lux(self.aim) * (2.0 if dome else 1.0)


@dataclass(frozen=True)
class Taken:
    """One reading as a person would write it down."""

    heads: tuple[str, ...]
    levels: tuple[float, ...]
    place: tuple[float, float, float]
    value_lux: float
    receptor: str
    facing: str

    def row(self) -> str:
        levels = "+".join(f"{level:.6g}" for level in self.levels)
        x, y, z = self.place
        where = f"{x:.4f},{y:.4f},{z:.4f}"
        return (
            f"{'+'.join(self.heads)},{levels},{where},{self.value_lux:.6g},lux,{self.receptor},{self.facing}"
        )


CSV_HEADER = "head,level,x,y,z,value,unit,receptor,facing"


@dataclass(frozen=True)
class HiddenStudio:
    """Heads, ambient light toward key, fill and camera, and a person with a meter."""

    heads: tuple[HiddenHead, ...]
    ambient_lux: dict[str, float]
    mark: Vector
    camera: Vector
    exposure_lux: float
    ratio: float
    rng: np.random.Generator
    meter_stops: float = 0.05
    hand_m: float = 0.0
    label_curve: str = "square"
    tells_ambient: bool = False
    spoilt: dict[int, float] = field(default_factory=dict)
    """Errors in stops by the running number of the reading, for slips of the pen."""
    taken: list[Taken] = field(default_factory=list)

    def head(self, name: str) -> HiddenHead:
        return next(head for head in self.heads if head.name == name)

    def rig_table(self) -> dict[str, Any]:
        """The rig file a user would write, labels only."""
        table: dict[str, Any] = {
            "rig": {"name": "hidden"},
            "camera": {"position": _numbers(self.camera)},
            "meter": {"receptor": "dome", "facing": "camera", "sigma": self.meter_stops},
            "marks": {"chair": _numbers(self.mark)},
            "balance": {"ratio": self.ratio, "exposure": self.exposure_lux},
            "heads": [self._head_table(i, head) for i, head in enumerate(self.heads)],
            "drivers": {"wire": {"kind": "sim"}},
        }
        if self.tells_ambient:
            table["ambient"] = {f"toward_{side}": lux for side, lux in self.ambient_lux.items()}
        return table

    def _head_table(self, number: int, head: HiddenHead) -> dict[str, Any]:
        black = {"bounce": 0.0} if head.bounce == 0 else {}
        return {
            **black,
            "name": head.name,
            "role": head.role,
            "position": _numbers(head.position),
            "aim": _numbers(head.aim),
            "intensity": float(head.label_cd),
            "modifier": {
                "kind": "shoot-through",
                "diameter": float(head.label_diameter_m),
                "spread": float(head.spread),
            },
            "dimming": {"curve": self.label_curve},
            "drive": {"driver": "wire", "slot": 1 + 2 * number, "bits": 16},
        }

    def ambient_toward(self, facing: str, dome: bool) -> float:
        """The light with all heads out; `ambient_lux` is flat toward key and fill, by dome to the camera."""
        role = "camera" if facing == "camera" else self.head(facing).role
        if role not in ("key", "fill"):
            return self.ambient_lux["camera"] * (1.0 if dome else 0.5)
        return self.ambient_lux[role] * (2.0 if dome else 1.0)

    def shown_lux(
        self, levels: dict[str, float], point: Vector, facing: str, dome: bool = False, ambient: bool = True
    ) -> float:
        """What an ideal receptor at `point` shows; `facing` is a head, "camera", or "head" for its own."""
        target = next(iter(levels)) if facing == "head" else facing
        at = self.camera if target == "camera" else self.head(target).position
        axis = (at - point) / np.linalg.norm(at - point)
        lux = self.ambient_toward(target, dome) if ambient else 0.0
        for name, level in levels.items():
            head = self.head(name)
            lux += float(head.output(level)) * (head.full_lux(point, axis, dome) + head.room_lux(dome))
        return lux

    def read(
        self, levels: dict[str, float], point: Sequence[float], facing: str = "head", receptor: str = "flat"
    ) -> Taken:
        """Meter as a person does: the hand is a little off, the meter errs, now and then the pen slips."""
        stated = np.asarray(point, dtype=float)
        at = stated + self.hand_m * self.rng.standard_normal(3)
        lux = self.shown_lux(levels, at, facing, receptor == "dome")
        stops = self.meter_stops * self.rng.standard_normal() + self.spoilt.get(len(self.taken), 0.0)
        x, y, z = (float(v) for v in stated)
        reading = Taken(tuple(levels), tuple(levels.values()), (x, y, z), lux * 2.0**stops, receptor, facing)
        self.taken.append(reading)
        return reading

    def read_ambient(self) -> None:
        """All heads out: toward key, fill, and as the exposure receptor faces."""
        sides = (("key", "flat"), ("fill", "flat"), ("camera", "dome"))
        for side, receptor in sides:
            facing = side if side == "camera" else next(h.name for h in self.heads if h.role == side)
            self.read({}, self.mark.tolist(), facing, receptor)

    def csv(self) -> str:
        """All readings so far, as the file a user hands in."""
        return "\n".join([CSV_HEADER, *(reading.row() for reading in self.taken)]) + "\n"


def _numbers(values: Vector) -> list[float]:
    return [round(float(v), 6) for v in values]


@dataclass(frozen=True)
class Hidden:
    """How widely the truth of a studio scatters; every range is uniform."""

    intensity_stops: float = 1.0
    setback_m: tuple[float, float] = (0.0, 0.4)
    lit_share: tuple[float, float] = (0.55, 1.0)
    exponent: tuple[float, float] = (1.4, 2.6)
    dead_zone: tuple[float, float] = (0.0, 0.06)
    saturation: tuple[float, float] = (0.92, 1.0)
    ambient_lux: tuple[float, float] = (0.0, 60.0)
    bounce: tuple[float, float] = (0.0, 0.0)
    meter_stops: float = 0.05
    hand_m: float = 0.0
    label_curve: str = "square"
    tells_ambient: bool = False


MARK, CAMERA = np.array([0.0, 0.0, 1.2]), np.array([0.0, -2.4, 1.4])


def studio(seed: int, hidden: Hidden | None = None) -> HiddenStudio:
    """A key and a fill about a chair, in front of a camera, with a truth drawn from `hidden`."""
    hidden = Hidden() if hidden is None else hidden
    rng = np.random.default_rng([20260105, seed])
    side = rng.choice([-1.0, 1.0])
    exposure, ratio = rng.uniform(350, 800), 2.0
    lux = {"key": exposure * 0.72, "fill": exposure * 0.36}
    heads = []
    for role, turn, near, far in (("key", side, 1.2, 1.8), ("fill", -side, 1.5, 2.2)):
        away = rng.uniform(near, far)
        position = MARK + away * direction(turn * rng.uniform(25, 60), rng.uniform(10, 40))
        heads.append(hidden_head(rng, hidden, role, position, lux[role] * away**2 / rng.uniform(0.2, 0.4)))
    level = rng.uniform(*hidden.ambient_lux)
    ambient = {s: float(level * rng.uniform(0.6, 1.0)) for s in ("key", "fill", "camera")}
    ambient["camera"] *= 2
    return HiddenStudio(
        tuple(heads), ambient, MARK, CAMERA, float(exposure), ratio, rng,
        hidden.meter_stops, hidden.hand_m, hidden.label_curve, hidden.tells_ambient,
    )  # fmt: skip


def direction(azimuth_deg: float, elevation_deg: float) -> Vector:
    """From the mark toward a head: azimuth from the camera's side, positive to the right, and height."""
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    return np.array([math.sin(a) * math.cos(e), -math.cos(a) * math.cos(e), math.sin(e)])


def hidden_head(
    rng: np.random.Generator, hidden: Hidden, role: str, position: Vector, label_cd: float
) -> HiddenHead:
    """A head named after its role, aimed at the mark, with a truth drawn from `hidden`."""
    label_m = float(rng.choice([0.6, 0.8, 1.0, 1.2]))
    return HiddenHead(
        name=role,
        role=role,
        position=np.round(position, 3),
        aim=MARK,
        label_cd=float(label_cd),
        label_diameter_m=label_m,
        intensity_cd=float(label_cd * 2.0 ** rng.uniform(-hidden.intensity_stops, hidden.intensity_stops)),
        diameter_m=label_m * rng.uniform(*hidden.lit_share),
        setback_m=rng.uniform(*hidden.setback_m),
        exponent=rng.uniform(*hidden.exponent),
        dead_zone=rng.uniform(*hidden.dead_zone),
        saturation=rng.uniform(*hidden.saturation),
        bounce=rng.uniform(*hidden.bounce),
    )


FIXED_PLAN = ((1.0, 0.0), (0.45, 0.0), (1.0, 0.6), (0.7, 0.0), (0.25, 0.0), (1.0, -0.4))
"""Level and step away from the head, in metres, of the plan that others are compared with."""


def read_fixed_plan(hidden: HiddenStudio, readings_per_head: int) -> None:
    """The first so many readings of `FIXED_PLAN` for every head, each alone, flat, facing it."""
    for head in hidden.heads:
        away = (hidden.mark - head.position) / np.linalg.norm(hidden.mark - head.position)
        for level, step in FIXED_PLAN[:readings_per_head]:
            hidden.read({head.name: level}, (hidden.mark + step * away).tolist())


def places(hidden: HiddenStudio, count: int, seed: int, reach_m: float = 0.75) -> list[Vector]:
    """Random places within `reach_m` of the mark where the wish can be met and no lit face is near."""
    rng = np.random.default_rng([71, seed])
    found: list[Vector] = []
    while len(found) < count:
        step = rng.uniform(-reach_m, reach_m, 3)
        place = hidden.mark + step
        clear = min(float(np.linalg.norm(place - head.position)) for head in hidden.heads)
        if np.linalg.norm(step) <= reach_m and clear > 0.3 and _within_reach(hidden, place):
            found.append(place)
    return found


def _within_reach(hidden: HiddenStudio, place: Vector) -> bool:
    outputs = true_outputs(hidden, place)
    return all(0.02 < output < 0.98 for output in outputs.values())


def true_outputs(hidden: HiddenStudio, place: Vector) -> dict[str, float]:
    """The outputs that truly give ratio and exposure at a place, from the two equations of the wish."""
    full = {head.name: replace(head, exponent=1.0, dead_zone=0.0, saturation=1.0) for head in hidden.heads}
    facing = {name: head.facing_lux(place) + head.room_lux() for name, head in full.items()}
    axis = (hidden.camera - place) / np.linalg.norm(hidden.camera - place)
    metered = {n: h.full_lux(place, axis, True) + h.room_lux(True) for n, h in full.items()}
    a = np.array([[facing["key"], -hidden.ratio * facing["fill"]], [metered["key"], metered["fill"]]])
    ambient = hidden.ambient_lux
    b = np.array([hidden.ratio * ambient["fill"] - ambient["key"], hidden.exposure_lux - ambient["camera"]])
    key, fill = np.linalg.solve(a, b)
    return {"key": float(key), "fill": float(fill)}


def held_errors_stops(hidden: HiddenStudio, place: Vector, levels: dict[str, float]) -> tuple[float, float]:
    """True errors of ratio and exposure, in stops, at a place under the given levels."""
    lit = hidden.shown_lux({"key": levels["key"]}, place, "head")
    shadow = hidden.shown_lux({"fill": levels["fill"]}, place, "head")
    exposure = hidden.shown_lux(levels, place, "camera", True)
    return math.log2(lit / shadow / hidden.ratio), math.log2(exposure / hidden.exposure_lux)
