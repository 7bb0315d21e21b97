"""The rig as numbers: heads as light sources with their codes, the exposure target, and subject places."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.dimming import DimmingCurve, curve, wire_octets
from fillside.photometry.distribution import HeadDistributions
from fillside.photometry.exposure import target_lux
from fillside.photometry.room_light import NO_ROOM_LIGHT, RoomLight, room_light_within
from fillside.photometry.source import LightSources
from fillside.photometry.window_light import LEAST_WINDOW_M, WindowLight
from fillside.rig.calibration import CalibratedHead, Calibration
from fillside.rig.notation import RoomLightKnown
from fillside.rig.scene.dimmers import Dimmers
from fillside.rig.scene.room import room_light_known, smoothest_ambient, with_room_light
from fillside.rig.scene.whites import White, stated_curve, white_of
from fillside.rig.tables.model import FARTHEST_M, HIGHEST_M, LOWEST_M, NEAREST_M, Head, Point, Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_UNCALIBRATED = CalibratedHead()
_ROUNDING_M = 1e-9
"""Slack that allows a place exactly on a limit despite rounding."""


@dataclass(frozen=True)
class Scene:
    """All heads of a rig in the order of its file; every array and tuple has one entry per head.

    Attributes:
        rules: the rule of each head's balance: key, fill, hair, background or work.
        sources: the heads as light sources at full.
        curves: the dimming curves.
        floors: the smallest outputs of held heads, 0..1.
        full_scales: the wire codes of full level; 0 for a head that cannot be dimmed.
        fixed: true for a head that cannot be dimmed.
        ambient: toward the key, toward the fill and in the direction of the exposure receptor [lx].
        aims: the points the heads are aimed at (n, 3) [m].
        ambient_counted: false for a direction of `ambient` of which nothing is known.
        ambient_read: the ambient light by direction as read; None if that is not known.
        room_light: where the knowledge of the room's light comes from.
        window: a window whose light is part of `ambient` but not of `ambient_read`.
    """

    rig: Rig
    names: tuple[str, ...]
    roles: tuple[str, ...]
    rules: tuple[str, ...]
    sources: LightSources
    curves: tuple[DimmingCurve, ...]
    floors: FloatArray
    full_scales: tuple[int, ...]
    fixed: BoolArray
    ambient: tuple[float, float, float]
    aims: FloatArray
    ambient_counted: tuple[bool, bool, bool] = (True, True, True)
    ambient_read: RoomLight | None = None
    room_light: RoomLightKnown = "not known"
    window: WindowLight | None = None

    def with_daylight(self, times: float) -> Scene:
        """Return the scene with so many times as much ambient light, each direction's and the window's."""
        key, fill, camera = (times * lux for lux in self.ambient)
        return replace(
            self,
            ambient=(key, fill, camera),
            ambient_read=None if self.ambient_read is None else self.ambient_read.times(times),
            room_light="from readings",
            window=None if self.window is None else self.window.times(times),
        )

    @cached_property
    def ambient_light(self) -> RoomLight:
        """The ambient light by direction: as read, else the most even that fits `ambient`."""
        if self.ambient_read is not None:
            return self.ambient_read
        if not any(self.ambient):
            return NO_ROOM_LIGHT
        return smoothest_ambient(self.rig, self.sources, self.ambient, self.ambient_counted)

    @cached_property
    def whites(self) -> tuple[White | None, ...]:
        """The white of each head that has more than one."""
        return tuple(white_of(self.rig, head) for head in self.rig.heads)

    @cached_property
    def dimmers(self) -> Dimmers:
        """The conversion between the wire codes and the outputs of the heads."""
        return Dimmers(self.curves, self.full_scales, self.floors, self.fixed)

    def wire_codes(self, head: int, code: int) -> tuple[int, ...]:
        """Return the codes of a head's channels for its code: one, or the warm and the cool channel's."""
        white = self.whites[head]
        return (code,) if white is None or white.mix is None else white.mix.channel_codes(code)

    def wire(self, head: int, code: int) -> tuple[int, ...]:
        """Return the octets of a head's channels for its code; none for a head without a wire."""
        if self.fixed[head]:
            return ()
        codes, full_scale = self.wire_codes(head, code), self.full_scales[head]
        if len(codes) == 1:
            return tuple(wire_octets(code, full_scale))
        return tuple(octet for each in codes for octet in wire_octets(each, full_scale))

    def wires(self, codes: Sequence[int]) -> list[tuple[int, ...]]:
        """Return `wire` for all heads at their codes (heads,)."""
        return [self.wire(head, code) for head, code in enumerate(codes)]

    def index(self, name: str) -> int:
        """Return the index of the head of that name; raise KeyError if there is none."""
        try:
            return self.names.index(name)
        except ValueError:
            raise KeyError(name) from None

    def of_role(self, role: str) -> tuple[int, ...]:
        """Return the indices of the heads of a role."""
        return tuple(i for i, own in enumerate(self.roles) if own == role)


def scene(rig: Rig, calibration: Calibration | None = None) -> Scene:
    """Return the numbers of a rig, with a calibration's figures in place of the stated ones.

    Raises:
        ValueError: a head is aimed at its own position, which loading a rig rules out.
    """
    read = [_calibrated(head.name, calibration) for head in rig.heads]
    fixed = np.array([head.dimming.fixed for head in rig.heads], dtype=np.bool_)
    aims = np.array([rig.aim_of(head) for head in rig.heads], dtype=np.float64)
    return Scene(
        rig=rig,
        names=tuple(head.name for head in rig.heads),
        roles=tuple(head.role for head in rig.heads),
        rules=tuple(head.rule for head in rig.heads),
        sources=_sources(rig, read, aims),
        curves=tuple(_curve(rig, head, own) for head, own in zip(rig.heads, read, strict=True)),
        floors=np.array(
            [_stated(own.floor, head.dimming.floor) for head, own in zip(rig.heads, read, strict=True)]
        ),
        full_scales=tuple(rig.full_scale_of(head) for head in rig.heads),
        fixed=fixed,
        ambient=_ambient(rig, calibration),
        aims=aims,
        ambient_counted=_ambient_counted(rig, calibration),
        ambient_read=_ambient_read(calibration),
        room_light=room_light_known(rig, calibration),
        window=_window(rig, calibration),
    )


def _calibrated(name: str, calibration: Calibration | None) -> CalibratedHead:
    return _UNCALIBRATED if calibration is None else calibration.heads.get(name, _UNCALIBRATED)


def _stated(read: float | None, stated: float) -> float:
    return stated if read is None else read


def _sources(rig: Rig, read: list[CalibratedHead], aims: FloatArray) -> LightSources:
    pairs = list(zip(rig.heads, read, strict=True))
    metered = [_metered_room(rig, head, own) for head, own in pairs]
    direct = LightSources(
        position=np.array([head.position for head in rig.heads], dtype=np.float64),
        axis=np.array([axis_of(rig.aim_of(head), head) for head in rig.heads], dtype=np.float64),
        intensity_cd=np.array([_intensity_cd(rig, head, own) for head, own in pairs]),
        spread=np.array([head.modifier.spread_exponent for head in rig.heads]),
        diameter_m=np.array([_stated(own.diameter_m, head.modifier.diameter) for head, own in pairs]),
        setback_m=np.array([_stated(own.setback_m, 0.0) for _, own in pairs]),
        tabled=HeadDistributions.of(
            [None if head.table is None else head.table.distribution for head in rig.heads]
        ),
    )
    return with_room_light(direct, rig, metered, read, aims)


def axis_of(aim: Point, head: Head) -> Point:
    """Return the unit vector from a head's position toward its aim [m]."""
    away = [a - p for a, p in zip(aim, head.position, strict=True)]
    length = math.hypot(*away)
    if length == 0:
        raise ValueError(f"head {head.name} is aimed at its own position")
    x, y, z = (part / length for part in away)
    return (x, y, z)


def _intensity_cd(rig: Rig, head: Head, read: CalibratedHead) -> float:
    """Return the intensity on the axis at output 1 [cd], converted to the head's present white."""
    if read.intensity_cd is None:
        white = white_of(rig, head)
        return head.intensity_cd * (1.0 if white is None else white.most)
    return read.intensity_cd * _of_read(rig, head, read)


def _metered_room(rig: Rig, head: Head, read: CalibratedHead) -> RoomLight | None:
    if read.room is None:
        return None
    return room_light_within(read.room.mean, read.room.vector).times(_of_read(rig, head, read))


def _of_read(rig: Rig, head: Head, read: CalibratedHead) -> float:
    """Return a head's light in its present white relative to its light in the white of its readings."""
    white = white_of(rig, head)
    most = 1.0 if white is None else white.most
    return most / (most if read.of_full is None else read.of_full)


def _curve(rig: Rig, head: Head, read: CalibratedHead) -> DimmingCurve:
    if head.dimming.fixed:
        return curve("fixed")
    if read.curve is not None:
        return curve((read.curve.levels, read.curve.outputs))
    white = white_of(rig, head)
    return stated_curve(head) if white is None or white.mix is None else white.mix


def _ambient(rig: Rig, calibration: Calibration | None) -> tuple[float, float, float]:
    key, fill, camera = rig.ambient_toward
    read = None if calibration is None else calibration.ambient
    if read is None:
        return key, fill, camera
    return (
        _stated(read.toward_key, key),
        _stated(read.toward_fill, fill),
        _stated(read.toward_camera, camera),
    )


def _ambient_counted(rig: Rig, calibration: Calibration | None) -> tuple[bool, bool, bool]:
    read = None if calibration is None else calibration.ambient
    found = (None,) * 3 if read is None else (read.toward_key, read.toward_fill, read.toward_camera)
    stated = rig.ambient.directions_given
    even = rig.ambient.lux is not None
    key, fill, camera = (even or a is not None or b is not None for a, b in zip(found, stated, strict=True))
    return key, fill, camera


def _window(rig: Rig, calibration: Calibration | None) -> WindowLight | None:
    read = None if calibration is None else calibration.ambient
    if read is None or read.window is None or read.window_m is None or not any(read.window):
        return None
    x, y, z = map(float, read.window)
    return WindowLight(rig.first_mark, (x, y, z), max(float(read.window_m), LEAST_WINDOW_M))


def _ambient_read(calibration: Calibration | None) -> RoomLight | None:
    read = None if calibration is None else calibration.ambient
    if read is None or read.mean is None:
        return None
    return room_light_within(read.mean, read.vector or (0.0, 0.0, 0.0))


def camera_target_lux(rig: Rig) -> float:
    """Return the illuminance [lx] for correct exposure at the camera's settings (ISO 2720).

    Raises:
        ValueError: the camera table has no iso, aperture or exposure time.
    """
    camera, meter = rig.camera, rig.meter
    time_s = camera.exposure_time_s
    if camera.iso is None or camera.aperture is None or time_s is None:
        raise ValueError('exposure = "camera" needs camera.iso, camera.aperture and a shutter')
    stops = camera.nd_stops + camera.loss_stops + camera.offset_stops
    return target_lux(meter.constant_of(meter.receptor), camera.aperture, time_s, camera.iso, stops)


def exposure_target_lux(rig: Rig) -> float:
    """Return the exposure target of the balance [lx]: the camera's, or the stated number of lux."""
    return camera_target_lux(rig) if rig.balance.exposure == "camera" else rig.balance.exposure


def subject_place_error(rig: Rig, point: Sequence[float]) -> str | None:
    """Explain in one sentence why a subject cannot be at `point` [m]; return None if it can.

    A subject's place is finite, at most 15 m from the first mark, 0 to 4 m high, and at least 5 cm from every
    lit disc.
    """
    if len(point) != 3 or not all(math.isfinite(part) for part in point):
        return "a place is three finite numbers [x, y, z] in metres"
    x, y, z = point
    if not LOWEST_M <= z <= HIGHEST_M:
        return f"{z:.2f} m high is outside {LOWEST_M:g} to {HIGHEST_M:g} m"
    away = math.dist(point, rig.first_mark)
    if away > FARTHEST_M + _ROUNDING_M:
        return f"{away:.1f} m from the first mark is more than {FARTHEST_M:g} m"
    for head in rig.heads:
        gap = distance_to_disc_m((x, y, z), head, rig.aim_of(head))
        if gap < NEAREST_M - _ROUNDING_M:
            return f"{100 * gap:.1f} cm from the lit face of {head.name} is less than {100 * NEAREST_M:g} cm"
    return None


def distance_to_disc_m(point: Point, head: Head, aim: Point) -> float:
    """Return the distance [m] from a point to the nearest point of a head's lit disc."""
    offset = [p - q for p, q in zip(point, head.position, strict=True)]
    toward = [a - q for a, q in zip(aim, head.position, strict=True)]
    length = math.hypot(*toward)
    if length == 0:
        return math.hypot(*offset)
    height = sum(o * t for o, t in zip(offset, toward, strict=True)) / length
    across = math.sqrt(max(math.hypot(*offset) ** 2 - height**2, 0.0))
    return math.hypot(height, max(across - head.modifier.diameter / 2, 0.0))
