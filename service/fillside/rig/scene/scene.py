"""The rig as numbers: what the balance, the hold and the planning ask about light, heads and wires."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.photometry.dimming import DimmingCurve, curve, wire_octets
from fillside.photometry.distribution import Tabled
from fillside.photometry.source import LightSources
from fillside.rig.calibration import CalibratedHead, Calibration
from fillside.rig.scene.dimmers import Dimmers
from fillside.rig.scene.whites import White, base_curve, white_of
from fillside.rig.tables.model import Head, Point, Rig

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_NOTHING_READ = CalibratedHead()


@dataclass(frozen=True)
class Scene:
    """All heads of a rig in the order of its file; every array and tuple has one entry a head.

    `rules` names what holds a head: key, fill, hair, background or work. `floors` [1] are the smallest
    outputs of held heads. `full_scales` are the wire codes of full level, 0 for a head that cannot be
    dimmed, which `fixed` marks. `ambient` [lux] is toward the key, toward the fill and as the exposure
    receptor faces. `aims` [m] are the points the heads are aimed at, (n, 3).
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

    @cached_property
    def whites(self) -> tuple[White | None, ...]:
        """How each head with more than one white is held."""
        return tuple(white_of(self.rig, head) for head in self.rig.heads)

    @cached_property
    def dimmers(self) -> Dimmers:
        """The conversion between the wire codes and the outputs of the heads."""
        return Dimmers(self.curves, self.full_scales, self.floors, self.fixed)

    def wire_codes(self, head: int, code: int) -> tuple[int, ...]:
        """The codes on a head's channels for the head's own: one, or the warm and the cool one."""
        white = self.whites[head]
        return (code,) if white is None or white.mix is None else white.mix.channel_codes(code)

    def wire(self, head: int, code: int) -> tuple[int, ...]:
        """The octets of a head's channels; none for a head without a wire."""
        if self.fixed[head]:
            return ()
        codes = self.wire_codes(head, code)
        return tuple(octet for each in codes for octet in wire_octets(each, self.full_scales[head]))

    def index(self, name: str) -> int:
        """The place of the head of that name; KeyError if there is none."""
        try:
            return self.names.index(name)
        except ValueError:
            raise KeyError(name) from None

    def of_role(self, role: str) -> tuple[int, ...]:
        """The places of the heads of a role."""
        return tuple(i for i, own in enumerate(self.roles) if own == role)


def scene(rig: Rig, calibration: Calibration | None = None) -> Scene:
    """The numbers of a rig, with what a calibration knows better in place of what the file states.

    Raises ValueError for a head that is aimed at its own position; a rig that was loaded has none.
    """
    read = [_calibrated(head.name, calibration) for head in rig.heads]
    fixed = np.array([head.dimming.fixed for head in rig.heads], dtype=np.bool_)
    return Scene(
        rig=rig,
        names=tuple(head.name for head in rig.heads),
        roles=tuple(head.role for head in rig.heads),
        rules=tuple(head.rule for head in rig.heads),
        sources=_sources(rig, read),
        curves=tuple(_curve(rig, head, own) for head, own in zip(rig.heads, read, strict=True)),
        floors=np.array(
            [_stated(own.floor, head.dimming.floor) for head, own in zip(rig.heads, read, strict=True)]
        ),
        full_scales=tuple(rig.full_scale_of(head) for head in rig.heads),
        fixed=fixed,
        ambient=_ambient(rig, calibration),
        aims=np.array([rig.aim_of(head) for head in rig.heads], dtype=np.float64),
    )


def _calibrated(name: str, calibration: Calibration | None) -> CalibratedHead:
    return _NOTHING_READ if calibration is None else calibration.heads.get(name, _NOTHING_READ)


def _stated(read: float | None, stated: float) -> float:
    return stated if read is None else read


def _sources(rig: Rig, read: list[CalibratedHead]) -> LightSources:
    pairs = list(zip(rig.heads, read, strict=True))
    return LightSources(
        position=np.array([head.position for head in rig.heads], dtype=np.float64),
        axis=np.array([axis_of(rig.aim_of(head), head) for head in rig.heads], dtype=np.float64),
        intensity_cd=np.array([_intensity_cd(rig, head, own) for head, own in pairs]),
        spread=np.array([head.modifier.spread_exponent for head in rig.heads]),
        diameter_m=np.array([_stated(own.diameter_m, head.modifier.diameter) for head, own in pairs]),
        setback_m=np.array([_stated(own.setback_m, 0.0) for _, own in pairs]),
        bounce=np.array([_stated(own.bounce, head.bounce) for head, own in pairs]),
        tabled=Tabled.of([None if head.table is None else head.table.distribution for head in rig.heads]),
    )


def axis_of(aim: Point, head: Head) -> Point:
    """The unit vector from a head's position toward the point it is aimed at."""
    away = [a - p for a, p in zip(aim, head.position, strict=True)]
    length = math.hypot(*away)
    if length == 0:
        raise ValueError(f"head {head.name} is aimed at its own position")
    x, y, z = (part / length for part in away)
    return (x, y, z)


def _intensity_cd(rig: Rig, head: Head, read: CalibratedHead) -> float:
    """The intensity on the axis at output 1, of two whites in the mix held, though read in another."""
    white = white_of(rig, head)
    most = 1.0 if white is None else white.most
    if read.intensity_cd is None:
        return head.intensity_cd * most
    return read.intensity_cd * most / (most if read.of_full is None else read.of_full)


def _curve(rig: Rig, head: Head, read: CalibratedHead) -> DimmingCurve:
    if head.dimming.fixed:
        return curve("fixed")
    if read.curve is not None:
        return curve((read.curve.levels, read.curve.outputs))
    white = white_of(rig, head)
    return base_curve(head) if white is None or white.mix is None else white.mix


def _ambient(rig: Rig, calibration: Calibration | None) -> tuple[float, float, float]:
    key, fill, camera = rig.ambient.toward
    read = None if calibration is None else calibration.ambient
    if read is None:
        return key, fill, camera
    return (
        _stated(read.toward_key, key),
        _stated(read.toward_fill, fill),
        _stated(read.toward_camera, camera),
    )
