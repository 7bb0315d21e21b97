"""A true studio: a room by radiosity, lamps as they are, a window, and a person with tape, meter and eye.

Nothing of the product is imported here. `rig_table` is what the person types: sizes and places by tape, the
room's tone by eye, labels off the boxes. `read` is what the meter shows them. The ranges are this module's
own; none is taken from what the product believes of studios.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from truth.lamps import TrueLamp, Vector, any_dimmer, dome, flat, power
from truth.radiosity import Room

TONES = {"white": (0.75, 0.8, 0.3), "average": (0.5, 0.75, 0.2), "dark": (0.12, 0.35, 0.1)}
LABELS = ("linear", "square", "log", "lightness")
BALL_RADIUS_M = 0.09
SENSOR_AWAY_M = 0.4


@dataclass(frozen=True)
class Ways:
    """Which studios are drawn."""

    any_dimmers: bool = False
    labels_right: float = 0.6
    label_stops: float = 0.8
    window: float = 0.5
    tells_room: bool = True
    tells_ambient: bool = False
    hand_m: float = 0.02
    tape_m: float = 0.02
    meter_stops: float = 0.05
    meter_cosine: float = 0.05
    white: bool = False
    hair: bool = False
    key_window: bool = False
    windows: int = 1


@dataclass(frozen=True)
class TrueStudio:
    """Lamps in a room, what a person types of them, and readings.

    `windows` are the exitances (w, p) of each window when the studio is drawn, `window_exitance` (p,) is what
    all of them send now.
    """

    room: Room
    lamps: tuple[TrueLamp, ...]
    window_exitance: Vector
    mark: Vector
    camera: Vector
    ratio: float
    exposure_lux: float
    typed: dict[str, Any]
    rng: np.random.Generator
    ways: Ways
    rows: list[str] = field(default_factory=list)
    windows: Vector = field(default_factory=lambda: np.zeros((0, 0)))

    def under(self, sky: Sequence[float]) -> TrueStudio:
        """The same studio, its windows so many times as bright as when it was drawn."""
        return replace(self, window_exitance=np.asarray(sky, dtype=float) @ self.windows)

    @cached_property
    def sensor_place(self) -> tuple[Vector, Vector]:
        """Where a sensor hangs before the first window [m], and along what it looks at it."""
        pane = self.windows[0] > 0
        into_room = self.room.normal[pane][0]
        return self.room.centre[pane].mean(axis=0) + SENSOR_AWAY_M * into_room, -into_room

    def sensor_lux(self, outputs: Mapping[str, float]) -> float:
        """What an ideal sensor there shows of the sky and of lamps at outputs."""
        return self.lux(outputs, *self.sensor_place, False)

    def lamp(self, name: str) -> TrueLamp:
        return next(lamp for lamp in self.lamps if lamp.name == name)

    @cached_property
    def exitance(self) -> Vector:
        """Of the patches (p, lamps + 1): from each lamp at full, and at last from the window."""
        lit = [lamp.lux(self.room.centre, self.room.normal, flat) for lamp in self.lamps]
        none = np.zeros(len(self.room.area))
        own = np.stack([none] * len(self.lamps) + [self.window_exitance], axis=1)
        return self.room.exitance(np.stack([*lit, none], axis=1), own)

    def lux(
        self, outputs: Mapping[str, float], place: Vector, axis: Vector, is_dome: bool, ambient: bool = True
    ) -> float:
        """What an ideal receptor at `place` facing along `axis` shows of lamps at outputs."""
        weights = self.room.receptor_weights(place, axis, is_dome)
        weigh = dome if is_dome else flat
        shown = float(weights @ self.exitance[:, -1]) if ambient else 0.0
        for i, lamp in enumerate(self.lamps):
            if outputs.get(lamp.name, 0.0) > 0:
                direct = float(lamp.lux(place[None], axis[None], weigh)[0])
                shown += outputs[lamp.name] * (direct + float(weights @ self.exitance[:, i]))
        return shown

    def toward(self, place: Vector, facing: str) -> Vector:
        at = self.camera if facing == "camera" else self.lamp(facing).position
        return np.asarray((at - place) / np.linalg.norm(at - place))

    def read(
        self,
        levels: Mapping[str, float],
        place: Sequence[float],
        facing: str = "head",
        receptor: str = "flat",
    ) -> float:
        """Meter as a person does, and write it down: lux as the meter shows it."""
        stated = np.asarray(place, dtype=float)
        at = stated + self.ways.hand_m * self.rng.standard_normal(3)
        axis = self.toward(at, next(iter(levels)) if facing == "head" else facing)
        outputs = {name: self.lamp(name).output(level) for name, level in levels.items()}
        lux = self.lux(outputs, at, axis, receptor == "dome")
        stops = self.ways.meter_stops * self.rng.standard_normal() + self.meter_bias
        # A diffuser that takes less of what comes from the side.
        lux *= 2.0**stops * (1 - self.ways.meter_cosine * self.rng.uniform(0, 1))
        value = round(lux, 1) if lux < 100 else round(lux)
        x, y, z = (float(v) for v in stated)
        said = "+".join(f"{level:.4f}" for level in levels.values())
        self.rows.append(f"{'+'.join(levels)},{said},{x:.3f},{y:.3f},{z:.3f},{value},lux,{receptor},{facing}")
        return value

    @cached_property
    def meter_bias(self) -> float:
        return 0.03 * float(
            np.random.default_rng([5, len(self.lamps), int(1e6 * self.ratio)]).standard_normal()
        )

    def csv(self) -> str:
        return "\n".join(["head,level,x,y,z,value,unit,receptor,facing", *self.rows]) + "\n"

    def held(self, levels: Mapping[str, float], place: Sequence[float]) -> tuple[float, float]:
        """True ratio and exposure [lux] at a place under levels."""
        at = np.asarray(place, dtype=float)
        outputs = {name: self.lamp(name).output(level) for name, level in levels.items()}
        lit = self.lux({"key": outputs["key"]}, at, self.toward(at, "key"), False)
        shadow = self.lux({"fill": outputs["fill"]}, at, self.toward(at, "fill"), False)
        both = {name: outputs[name] for name in ("key", "fill")}
        return lit / shadow, self.lux(both, at, self.toward(at, "camera"), True)

    def cheeks(self, levels: Mapping[str, float], place: Sequence[float]) -> float:
        """Key's side over the other side of the face: flat receptors turned 45 degrees from the camera."""
        at = np.asarray(place, dtype=float)
        outputs = {name: self.lamp(name).output(level) for name, level in levels.items()}
        one, other = (self.lux(outputs, at, axis, False) for axis in self._sides(at, math.radians(45)))
        return one / other

    def _sides(self, at: Vector, turn: float) -> tuple[Vector, Vector]:
        ahead = self.toward(at, "camera")
        right = np.array([ahead[1], -ahead[0], 0.0])
        right /= np.linalg.norm(right)
        side = 1.0 if (self.lamp("key").position - self.mark) @ right >= 0 else -1.0
        return tuple(math.cos(turn) * ahead + way * math.sin(turn) * right for way in (side, -side))  # type: ignore[return-value]

    def halves(self, levels: Mapping[str, float], place: Sequence[float]) -> float:
        """Key's half over the other half of a matt ball as the camera sees them, by many points of it."""
        at = np.asarray(place, dtype=float)
        outputs = {name: self.lamp(name).output(level) for name, level in levels.items()}
        ahead = self.toward(at, "camera")
        key_axis, other_axis = self._sides(at, math.radians(45))
        across = (key_axis - other_axis) / np.linalg.norm(key_axis - other_axis)
        up = np.cross(ahead, across)
        count = 120
        radius = np.sqrt((np.arange(count) + 0.5) / count)
        angle = np.arange(count) * math.pi * (3 - math.sqrt(5))
        u, v = radius * np.cos(angle), radius * np.sin(angle)
        normals = np.sqrt(1 - radius**2)[:, None] * ahead + u[:, None] * across + v[:, None] * up
        lux = np.array([self.lux(outputs, at + BALL_RADIUS_M * n, n, False) for n in normals])
        return float(lux[u > 0].mean() / lux[u < 0].mean())


def true_studio(seed: int, ways: Ways = Ways()) -> TrueStudio:
    """A studio of a key and a fill about a chair, drawn from a seed."""
    rng = np.random.default_rng([20260211, seed])
    size = np.array([rng.uniform(2.8, 5.0), rng.uniform(3.4, 6.0), rng.uniform(2.25, 3.2)])
    mark = np.array([0.0, 0.0, round(rng.uniform(1.1, 1.35), 2)])
    low = np.array([-rng.uniform(0.4, 0.6) * size[0], -rng.uniform(0.5, 0.72) * size[1], 0.0])
    walls = rng.uniform(0.08, 0.82, 4) if not ways.white else rng.uniform(0.68, 0.82, 4)
    if rng.uniform() < 0.7 or ways.white:  # mostly of one paint, with things before it
        walls = np.clip(walls[0] + rng.uniform(-0.08, 0.08, 4), 0.05, 0.85)
    ceiling = rng.uniform(0.6, 0.85) if rng.uniform() < 0.8 else float(walls.mean())
    room = Room(low, size, (*walls, rng.uniform(0.08, 0.35), ceiling))
    side = rng.choice([-1.0, 1.0])
    exposure, ratio = rng.uniform(250, 700), 2.0 ** rng.uniform(0.6, 2.0)
    parts = [("key", side, 1.1, 1.9, ratio), ("fill", -side, 1.3, 2.3, 1.0)]
    if ways.hair:
        parts.append(("hair", side * rng.uniform(2.2, 2.8), 1.3, 2.0, 0.8))
    lamps, typed_heads = [], []
    for number, (role, turn, near, far, weight) in enumerate(parts):
        lamp, table = _lamp(
            rng, ways, room, mark, number, role, turn, near, far, exposure * weight / (1 + ratio)
        )
        lamps.append(lamp)
        typed_heads.append(table)
    camera = mark + np.array([rng.uniform(-0.3, 0.3), -rng.uniform(1.4, 2.4), rng.uniform(0.0, 0.35)])
    camera[1] = max(camera[1], low[1] + 0.1)
    none = np.zeros(len(room.area))
    window = _window(rng, room, side, exposure, ways.key_window) if rng.uniform() < ways.window else none
    others = np.random.default_rng([20260212, seed])
    more = [_window(others, room, side, exposure, False) for _ in range(ways.windows - 1)]
    typed: dict[str, Any] = {
        "rig": {"name": "true"},
        "camera": {"position": _taped(rng, camera, ways)},
        "meter": {"receptor": "dome", "facing": "camera", "sigma": ways.meter_stops},
        "marks": {"chair": [round(float(v), 3) for v in mark]},
        "balance": {"ratio": round(ratio, 2), "exposure": round(exposure)},
        "heads": typed_heads,
        "drivers": {"wire": {"kind": "sim"}},
    }
    if ways.tells_room:
        said = np.array([walls.mean(), ceiling, room.reflectances[4]])
        nearest = min(TONES, key=lambda t: float(np.abs(np.log(TONES[t]) - np.log(said))[0]))
        typed["room"] = {
            "size": [round(float(s + 0.05 * rng.standard_normal()), 1) for s in size],
            "tone": nearest,
        }
    made = TrueStudio(
        room, tuple(lamps), sum(more, window), mark, camera, round(ratio, 2), float(round(exposure)), typed,
        rng, ways, windows=np.array([window, *more]),
    )  # fmt: skip
    if ways.tells_ambient:
        typed["ambient"] = {
            f"toward_{s}": round(made.lux({}, mark, made.toward(mark, s), s == "camera"), 1)
            for s in ("key", "fill", "camera")
        }
    return made


def _lamp(
    rng: np.random.Generator,
    ways: Ways,
    room: Room,
    mark: Vector,
    number: int,
    role: str,
    turn: float,
    near: float,
    far: float,
    share_lux: float,
) -> tuple[TrueLamp, dict[str, Any]]:
    while True:
        away = rng.uniform(near, far)
        azimuth = turn * math.radians(rng.uniform(22, 65))
        rise = math.radians(rng.uniform(5, 40))
        position = mark + away * np.array(
            [math.sin(azimuth) * math.cos(rise), -math.cos(azimuth) * math.cos(rise), math.sin(rise)]
        )
        inside = (position - room.low > 0.15).all() and (room.low + room.size - position > 0.15).all()
        if inside:
            break
    dimmer, right = any_dimmer(rng) if ways.any_dimmers else (power(rng), "square")
    label = right if right and rng.uniform() < ways.labels_right else str(rng.choice(LABELS))
    if not ways.any_dimmers:
        label = "square"
    # At full a lamp gives some two to seven times what is wanted of it.
    intensity = share_lux * away**2 * 2.0 ** rng.uniform(1.0, 2.8)
    diameter = float(rng.choice([0.4, 0.6, 0.9, 1.2, 1.5]))
    lamp = TrueLamp(
        name=role, role=role, position=position, aim=mark + 0.05 * rng.standard_normal(3),
        intensity_cd=float(intensity), diameter_m=diameter * rng.uniform(0.85, 1.0),
        depth_m=rng.uniform(-0.05, 0.3), hot=rng.uniform(0, 6), spread=rng.uniform(0.7, 1.9),
        behind=rng.uniform(0, 0.45), dimmer=dimmer,
    )  # fmt: skip
    table = {
        "name": role, "role": role, "position": _taped(rng, position, ways), "aim": "chair",
        "intensity": round(float(intensity * 2.0 ** rng.uniform(-ways.label_stops, ways.label_stops)), 1),
        "modifier": {
            "kind": str(rng.choice(["shoot-through", "softbox"])), "diameter": diameter, "spread": 1.0,
        },
        "dimming": {"curve": label}, "drive": {"driver": "wire", "slot": 1 + 2 * number, "bits": 16},
    }  # fmt: skip
    return lamp, table


def _window(
    rng: np.random.Generator, room: Room, key_side: float, exposure: float, beside_key: bool
) -> Vector:
    """Exitance (p,) [lm/m2] of a window in a side wall, toward the camera's half of the room."""
    wall = int(rng.integers(0, 2))
    if beside_key:
        wall = 0 if key_side < 0 else 1
    height = room.centre[:, 2] - room.low[2]
    along = room.centre[:, 1]
    near = rng.uniform(-1.5, 1.0)
    panes = (
        (room.wall == wall)
        & (height > 0.8)
        & (height < 2.1)
        & (np.abs(along - near) < rng.uniform(0.35, 0.8))
    )
    exitance = np.where(panes, 1.0, 0.0)
    lit = room.exitance(np.zeros((len(height), 1)), exitance[:, None])
    there = sum(
        float(room.receptor_weights(np.array([0.0, 0.0, 1.2]), axis, False) @ lit[:, 0])
        for axis in (np.array([1.0, 0, 0]), np.array([-1.0, 0, 0]))
    )
    # Both directions together: a tenth to two thirds of the wanted light, with blinds mostly down.
    return exitance * exposure * rng.uniform(0.02, 0.35) / max(there, 1e-9)


def _taped(rng: np.random.Generator, place: Vector, ways: Ways) -> list[float]:
    return [round(float(v), 2) for v in place + ways.tape_m * rng.standard_normal(3)]
