"""A light meter in a simulated studio, held where a reading is asked for."""

from __future__ import annotations

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

    def lux(self, reading: Reading) -> float:
        """What the simulated meter shows for a reading that is to be taken [lux]."""
        facing = reading.facing
        if facing == "head":
            facing = reading.heads[0]
        toward = self._rig.camera.position if facing == "camera" else self._rig.head(facing).position
        x, y, z = (float(t - p) for t, p in zip(toward, reading.at, strict=True))
        return float(self._meter.read(reading.receptor, reading.at, (x, y, z), self._clock()))


def hand_meter(rig: Rig, loom: Loom, clock: Clock) -> HandMeter | None:
    """The meter of a studio whose every wire is simulated; None where one is not."""
    drivers = [driver for driver in loom.drivers.values() if isinstance(driver, SimDriver)]
    if not drivers or len(drivers) != len(loom.drivers):
        return None
    return HandMeter(rig, VirtualMeter(drivers, truth_of(rig)), clock)
