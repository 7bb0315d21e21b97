"""A light meter in a simulated studio, held where a reading is asked for."""

from __future__ import annotations

from collections.abc import Collection

from fillside.calibration.readings import Reading
from fillside.demo.judge import truth_of
from fillside.loom import Loom
from fillside.rig.model import Rig
from fillside_drivers.driver import Clock
from fillside_drivers.sim.driver import SimDriver
from fillside_drivers.sim.meter import VirtualMeter


class HandMeter:
    """Reads as a hand would that makes no mistake."""

    def __init__(self, rig: Rig, meter: VirtualMeter, clock: Clock) -> None:
        self._rig, self._meter, self._clock = rig, meter, clock

    def lux(self, reading: Reading, flagged: Collection[str] = ()) -> float:
        """What the simulated meter shows for a reading that is to be taken, cards before flagged heads
        [lux]."""
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
        self._made: tuple[Rig, Loom, HandMeter | None] | None = None

    def of(self, rig: Rig, loom: Loom) -> HandMeter | None:
        """The meter, the same while the studio is; None where a wire is not simulated."""
        if self._made is None or self._made[0] is not rig or self._made[1] is not loom:
            self._made = rig, loom, self._make(rig, loom)
        return self._made[2]

    def _make(self, rig: Rig, loom: Loom) -> HandMeter | None:
        drivers = [driver for driver in loom.drivers.values() if isinstance(driver, SimDriver)]
        if not drivers or len(drivers) != len(loom.drivers):
            return None
        return HandMeter(rig, VirtualMeter(drivers, truth_of(rig)), self._clock)
