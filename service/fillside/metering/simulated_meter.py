"""A light meter in a simulated studio, held where a reading is asked for."""

from __future__ import annotations

from collections.abc import Collection

from fillside.belief.evidence import Reading
from fillside.photometry.source import facing_lux
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import CurveTable, Head, Rig
from fillside.runtime.wires import DriversInUse
from fillside_drivers.driver import Clock, DriveModel
from fillside_drivers.sim.driver import SimDriver
from fillside_drivers.sim.meter import VirtualMeter
from fillside_drivers.sim.options import SimOptions, room_of, truth_of_drive
from fillside_drivers.sim.truth import CurveName, SimHead, SimTruth


def truth_of(rig: Rig) -> SimTruth:
    """The simulated room of a rig: its file, with what each simulated drive says differs from it."""
    heads = tuple(_sim_head(rig, head, share) for head, share in zip(rig.heads, _bounces(rig), strict=True))
    rooms = (room_of(options) for options in rig.driver_config.options.values())
    room = next((room for room in rooms if room is not None), SimOptions())
    even_lux = sum(rig.ambient_toward) / 3 if rig.ambient.lux is None else rig.ambient.lux
    ambient = even_lux if room.ambient_lux is None else room.ambient_lux
    return SimTruth(heads, ambient, room.window_lux, room.window_from, room.noise_stops, room.seed)


def _bounces(rig: Rig) -> list[float]:
    """The room light of each head by the file, as a part of its direct light at its aim point."""
    own = scene(rig)
    straight = [float(facing_lux(own.sources.take([i]), aim)[0]) for i, aim in enumerate(own.aims)]
    means = own.sources.room_mean_lux.tolist()
    return [mean / lux if lux > 0 else 0.0 for mean, lux in zip(means, straight, strict=True)]


def _sim_head(rig: Rig, head: Head, bounce: float) -> SimHead:
    drive = rig.driver_config.drives.get(head.name)
    truth = truth_of_drive(drive)
    axis = [a - p for a, p in zip(rig.aim_of(head), head.position, strict=True)]
    curve, distribution = head.dimming.curve, None if head.table is None else head.table.distribution
    has_two_channels = isinstance(drive, DriveModel) and drive.whites == "channels"
    return SimHead(
        name=head.name,
        position=head.position,
        axis=(axis[0], axis[1], axis[2]),
        intensity_cd=head.intensity_cd,
        spread=head.modifier.spread_exponent,
        profile=None if distribution is None else (distribution.angles_deg, distribution.relative),
        diameter_m=head.modifier.diameter if truth.diameter is None else truth.diameter,
        setback_m=truth.setback,
        output_factor=truth.output_factor,
        curve=(curve.levels, curve.outputs) if isinstance(curve, CurveTable) else _named(curve),
        exponent=truth.exponent,
        dead_zone=truth.dead_zone,
        saturation=truth.saturation,
        bounce=bounce if truth.bounce is None else truth.bounce,
        cool_share=head.lamp.cool_part if head.lamp is not None and has_two_channels else None,
        warm_factor=truth.warm_factor,
        warm_up_s=truth.warm_up_s,
        fixed=head.dimming.fixed,
    )


def _named(curve: str) -> CurveName:
    names: dict[str, CurveName] = {"square": "square", "log": "log", "lightness": "lightness"}
    return names.get(curve, "linear")


class HandMeter:
    """A meter in a hand that makes no mistake."""

    def __init__(self, rig: Rig, meter: VirtualMeter, clock: Clock) -> None:
        self._rig, self._meter, self._clock = rig, meter, clock

    def lux(self, reading: Reading, flagged: Collection[str] = ()) -> float:
        """The value shown for a reading that is to be taken [lux], with cards before flagged heads."""
        facing = reading.facing
        if facing == "head":
            facing = reading.heads[0]
        toward = self._rig.camera.position if facing == "camera" else self._rig.head(facing).position
        x, y, z = (float(t - p) for t, p in zip(toward, reading.at, strict=True))
        lux = self._meter.read(reading.receptor, reading.at, (x, y, z), self._clock(), hidden=flagged)
        return float(lux)


class HandMeters:
    """The simulated meter of the studio as its rig file and wires are now."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._made: tuple[Rig, DriversInUse, HandMeter | None] | None = None

    def of(self, rig: Rig, drivers: DriversInUse) -> HandMeter | None:
        """The meter, the same while the studio is; None where a wire is not simulated."""
        if self._made is None or self._made[0] is not rig or self._made[1] is not drivers:
            self._made = rig, drivers, self._make(rig, drivers)
        return self._made[2]

    def _make(self, rig: Rig, drivers: DriversInUse) -> HandMeter | None:
        simulated = [driver for driver in drivers.drivers.values() if isinstance(driver, SimDriver)]
        if not simulated or len(simulated) != len(drivers.drivers):
            return None
        return HandMeter(rig, VirtualMeter(simulated, truth_of(rig)), self._clock)
