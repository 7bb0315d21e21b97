"""The balance's equations as rows: one metered quantity each, times heads.

A row gives the contribution of every head at full, and of the room alone, to one quantity that a person could
meter. A second person in the light means more rows, not another solver.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.photometry.room_light import received_lux
from fillside.photometry.source import head_directions
from fillside.photometry.window_light import WindowLight
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import ReadAs

FloatArray = npt.NDArray[np.float64]

LIT, SHADOW, EXPOSURE, FACE_KEY, FACE_FILL = range(5)
"""Rows every rig has: lit side, shadow side, exposure, and the face's two sides, all in lux."""
FIRST_ROLE_ROW = 5


def compared_sides(read_as: ReadAs) -> tuple[int, int]:
    """Return the rows whose quotient is the ratio: bright and dark."""
    return (FACE_KEY, FACE_FILL) if read_as == "face" else (LIT, SHADOW)


CHEEK_TURN = math.radians(45)


@dataclass(frozen=True)
class Rows:
    """Metered quantities at one place of the subject; every head counts direct and by the room.

    `matrix` (rows, heads) and `ambient` (rows,) are in lux with heads at full; row 5 + k is the role
    `roles[k]`. `facing_lux` (heads,) is E, `metered_lux` (heads,) D; `own_lux` (heads,) is the light reported
    for a head: E at the subject, or for a background head its own reading at its aim.
    """

    point: tuple[float, float, float]
    roles: tuple[str, ...]
    matrix: FloatArray
    ambient: FloatArray
    facing_lux: FloatArray
    metered_lux: FloatArray
    own_lux: FloatArray

    def lux(self, outputs: FloatArray) -> FloatArray:
        """Return all metered quantities (rows,) [lux] at outputs (heads,)."""
        value: FloatArray = self.matrix @ outputs + self.ambient
        return value


class Metering:
    """The place and aim of the meter in one scene; gives the rows for any place of the subject.

    `key_side` is 1 if the key's side of the face is the wearer's right, -1 if it is the left.
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.is_key = np.array([rule == "key" for rule in scene.rules])
        self.is_fill = np.array([rule == "fill" for rule in scene.rules])
        self.is_background = np.array([rule == "background" for rule in scene.rules])
        self.is_lit = np.array([rule != "work" for rule in scene.rules])
        self.dome = scene.rig.meter.receptor == "dome"
        self._camera = np.asarray(scene.rig.camera.position, dtype=float)
        self.key_side = self._side_of_the_key(self.looks_at())
        self.relative_roles = tuple(
            dict.fromkeys(
                r for r, u in zip(scene.roles, scene.rules, strict=True) if u in ("hair", "background")
            )
        )
        self.role_rules = dict(zip(scene.roles, scene.rules, strict=True))
        self.role_masks = {role: np.array([r == role for r in scene.roles]) for role in self.role_rules}

    @cached_property
    def _background(self) -> tuple[dict[str, tuple[FloatArray, float]], FloatArray]:
        """Return the row and the ambient light of each background role, and each head's own reading at its
        aim, at full [lux]."""
        scene, flat = self.scene, np.array([False])
        own = np.zeros(len(scene.names))
        rows: dict[str, list[tuple[FloatArray, float]]] = {}
        for i, (role, rule) in enumerate(zip(scene.roles, scene.rules, strict=True)):
            if rule == "background":
                axis = _unit(self._camera - scene.aims[i])[np.newaxis]
                seen = received_lux(scene.sources, scene.aims[i], axis, flat)[0]
                own[i] = seen[i]
                ambient = float(scene.ambient_light.on(axis, flat)[0])
                if scene.window is not None:
                    ambient += float(scene.window.on(scene.aims[i][np.newaxis], axis, flat)[0])
                rows.setdefault(role, []).append((seen * self.is_lit, ambient))
        return {role: _mean(readings) for role, readings in rows.items()}, own

    def looks_at(self) -> FloatArray:
        """Return the point the face looks at: the camera, or a mark."""
        looks = self.scene.rig.subject.looks
        return self._camera if looks == "camera" else np.asarray(self.scene.rig.marks[looks], dtype=float)

    def cheek_axes(self, point: Sequence[float]) -> tuple[FloatArray, FloatArray]:
        """Return the axes (3,) of receptors on the key's and the other side of the face, at a place [m]."""
        ahead = _unit(self.looks_at() - np.asarray(point, dtype=float))
        return _cheeks(ahead, self.key_side)

    def rows_at(self, point: Sequence[float]) -> Rows:
        """Return the rows for a subject at `point` [m]."""
        scene, place = self.scene, np.asarray(point, dtype=float)
        to_heads = head_directions(scene.sources, place)
        meter_axis = self._meter_axis(place, to_heads)
        ahead = _unit(self.looks_at() - place)
        axes = np.empty((4, len(scene.names), 3))
        axes[0] = to_heads
        axes[1] = meter_axis
        axes[2], axes[3] = _cheeks(ahead, self.key_side)
        lux = received_lux(scene.sources, place, axes, np.array([False, self.dome, False, False]))
        on_cheeks = scene.ambient_light.on(axes[2:, 0], np.array([False, False]))
        ambient = np.concatenate([scene.ambient, on_cheeks])
        if scene.window is not None:
            ambient[: EXPOSURE + 1] += self._window_on(scene.window, place) - self._window_at_mark
            ambient[FACE_KEY:] += scene.window.on(
                np.tile(place, (2, 1)), axes[2:, 0], np.array([False, False])
            )
        return self._assemble(place, lux, np.maximum(ambient, 0.0))

    @cached_property
    def _window_at_mark(self) -> FloatArray:
        """Return the part of the scene's ambient light that is a window's (3,) [lux]."""
        mark = np.asarray(self.scene.rig.first_mark, dtype=float)
        return np.zeros(3) if self.scene.window is None else self._window_on(self.scene.window, mark)

    def _window_on(self, window: WindowLight, place: FloatArray) -> FloatArray:
        """Return a window's light toward the first key, the first fill, and on the exposure receptor (3,)."""
        to_heads = head_directions(self.scene.sources, place)
        to_camera = _unit(self._camera - place)
        toward = [
            to_heads[int(np.argmax(those))] if those.any() else to_camera
            for those in (self.is_key, self.is_fill)
        ]
        axes = np.array([*toward, self._meter_axis(place, to_heads)])
        return window.on(np.tile(place, (3, 1)), axes, np.array([False, False, self.dome]))

    def _meter_axis(self, place: FloatArray, to_heads: FloatArray) -> FloatArray:
        if self.scene.rig.meter.facing == "key" and self.is_key.any():
            axis: FloatArray = to_heads[int(np.argmax(self.is_key))]
            return axis
        return _unit(self._camera - place)

    def picture_axes(self, point: Sequence[float] | FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return unit vectors from a place [m] toward the camera, and level to the key's side of it."""
        toward = _unit(self._camera - np.asarray(point, dtype=float))
        return toward, _unit(np.array([toward[1], -toward[0], 0.0])) * self._key_side_in_picture

    @cached_property
    def _key_side_in_picture(self) -> float:
        return self._side_of_the_key(self._camera)

    def _side_of_the_key(self, looked_at: FloatArray) -> float:
        """Return the side of the key as seen from the first mark: 1 right of the line of sight, else -1.

        The side is fixed: a subject who walks past the bearing of the key keeps the key side of the face.
        """
        mark = np.asarray(self.scene.rig.first_mark, dtype=float)
        ahead = _unit(looked_at - mark)
        right, to_heads = np.array([ahead[1], -ahead[0], 0.0]), head_directions(self.scene.sources, mark)
        if self.is_key.any():
            return _sign(float((to_heads[self.is_key] @ right).sum()))
        return _sign(-float((to_heads[self.is_fill] @ right).sum()))

    def _assemble(self, place: FloatArray, lux: FloatArray, around: FloatArray) -> Rows:
        scene = self.scene
        balanced, lit = self.is_key | self.is_fill, self.is_lit
        facing, metered = lux[0], lux[1]
        matrix = np.empty((FIRST_ROLE_ROW + len(self.relative_roles), len(scene.names)))
        ambient = np.zeros(len(matrix))
        matrix[LIT], matrix[SHADOW] = facing * self.is_key, facing * self.is_fill
        matrix[EXPOSURE] = metered * balanced
        matrix[FACE_KEY], matrix[FACE_FILL] = lux[2] * lit, lux[3] * lit
        ambient[:FIRST_ROLE_ROW] = around
        background, own_background = self._background
        for k, role in enumerate(self.relative_roles, start=FIRST_ROLE_ROW):
            if role in background:
                matrix[k], ambient[k] = background[role]
            else:
                matrix[k] = facing * self.role_masks[role]
        own = np.where(self.is_background, own_background, facing)
        x, y, z = (float(v) for v in place)
        return Rows((x, y, z), self.relative_roles, matrix, ambient, facing, metered, own)


def _mean(readings: Sequence[tuple[FloatArray, float]]) -> tuple[FloatArray, float]:
    rows, ambient = zip(*readings, strict=True)
    return np.mean(rows, axis=0), float(np.mean(ambient))


def _unit(vector: FloatArray) -> FloatArray:
    length = float(np.sqrt(vector @ vector))
    return vector / length if length > 1e-12 else np.array([0.0, -1.0, 0.0])


def _sign(value: float) -> float:
    return 1.0 if value >= 0 else -1.0


def _cheeks(ahead: FloatArray, key_side: float) -> tuple[FloatArray, FloatArray]:
    """Return the axes 45 degrees to the key's side and to the other side of `ahead`, turned sideways."""
    right = np.array([ahead[1], -ahead[0], 0.0])
    side = _unit(right) * key_side
    forward, across = ahead * math.cos(CHEEK_TURN), side * math.sin(CHEEK_TURN)
    return forward + across, forward - across
