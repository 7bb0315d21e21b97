"""How the light on the face really is: read in the simulated room, by physics of its own.

The judge knows the lamps as they are, not as the rig file states them, and shares no code with what works out
the balance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fillside.rig.model import CurveTable, Head, Rig
from fillside_drivers.driver import DriveModel, channel_names
from fillside_drivers.sim.options import SimOptions, room_of, truth_of_drive
from fillside_drivers.sim.truth import CurveName, CurvePoints, SimHead, SimTruth, direct_lux, unit

WITHIN_STOPS = 0.15


def truth_of(rig: Rig) -> SimTruth:
    """The simulated room of a rig: its file, with what each simulated drive says differs from it."""
    heads = tuple(_sim_head(rig, head) for head in rig.heads)
    rooms = (room_of(options) for options in rig.wiring.options.values())
    room = next((room for room in rooms if room is not None), SimOptions())
    ambient = sum(rig.ambient.toward) / 3 if room.ambient_lux is None else room.ambient_lux
    return SimTruth(heads, ambient, room.window_lux, room.window_from, room.noise_stops, room.seed)


def _sim_head(rig: Rig, head: Head) -> SimHead:
    drive = rig.wiring.drives.get(head.name)
    truth = truth_of_drive(drive)
    axis = [a - p for a, p in zip(rig.aim_of(head), head.position, strict=True)]
    curve = head.dimming.curve
    return SimHead(
        name=head.name,
        position=head.position,
        axis=(axis[0], axis[1], axis[2]),
        intensity_cd=head.intensity_cd,
        spread=head.modifier.spread_exponent,
        profile=_profile(head),
        diameter_m=head.modifier.diameter if truth.diameter is None else truth.diameter,
        setback_m=truth.setback,
        output_factor=truth.output_factor,
        curve=(curve.levels, curve.outputs) if isinstance(curve, CurveTable) else _named(curve),
        exponent=truth.exponent,
        dead_zone=truth.dead_zone,
        saturation=truth.saturation,
        bounce=head.bounce if truth.bounce is None else truth.bounce,
        cool_share=head.lamp.cool_part if head.lamp is not None and _has_two_channels(drive) else None,
        warm_factor=truth.warm_factor,
        warm_up_s=truth.warm_up_s,
        fixed=head.dimming.fixed,
    )


def _has_two_channels(drive: object) -> bool:
    return isinstance(drive, DriveModel) and drive.whites == "channels"


def _profile(head: Head) -> CurvePoints | None:
    return (
        None if head.table is None else (head.table.distribution.angles_deg, head.table.distribution.relative)
    )


def _named(curve: str) -> CurveName:
    names: dict[str, CurveName] = {"square": "square", "log": "log", "lightness": "lightness"}
    return names.get(curve, "linear")


@dataclass(frozen=True)
class Verdict:
    """How far the face is from the wanted, in stops; infinite without key or fill."""

    ratio_off: float
    exposure_off: float

    @property
    def good(self) -> bool:
        return max(abs(self.ratio_off), abs(self.exposure_off)) <= WITHIN_STOPS


class Judge:
    """Reads the face in a simulated room."""

    def __init__(self, rig: Rig) -> None:
        self._truth = truth_of(rig)
        self._rules = {head.name: head.rule for head in rig.heads}
        self._camera = rig.camera.position

    def reads(
        self, at: Sequence[float], levels: Mapping[str, float], ratio: float, exposure_lux: float
    ) -> Verdict:
        """The face at `at` [m] under wire levels 0..1 by head, against a key:fill ratio and an exposure."""
        lit = {"key": 0.0, "fill": 0.0}
        metered = self._truth.ambient_lux
        toward_camera = unit([c - p for c, p in zip(self._camera, at, strict=True)])
        for head in self._truth.heads:
            rule = self._rules[head.name]
            warm, cool = channel_names(head.name, 2)
            output = head.output(1.0 if head.fixed else levels.get(warm, 0.0), levels.get(cool, 0.0))
            if rule not in lit or output <= 0:
                continue
            toward = unit([h - p for h, p in zip(head.position, at, strict=True)])
            facing_lux = direct_lux(head, "flat", at, toward) * output
            lit[rule] += facing_lux
            metered += direct_lux(head, "dome", at, toward_camera) * output + head.bounce * facing_lux
        fill = lit["fill"] + self._truth.ambient_lux
        key = lit["key"] + self._truth.ambient_lux
        return Verdict(_stops(key, fill * ratio), _stops(metered, exposure_lux))


def _stops(lux: float, wanted_lux: float) -> float:
    return math.log2(lux / wanted_lux) if lux > 0 and wanted_lux > 0 else math.inf
