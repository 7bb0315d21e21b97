"""An incident meter in the simulated room: lux from the codes on the simulated wire."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence

import numpy as np

from fillside_drivers.sim.driver import SimDriver
from fillside_drivers.sim.truth import (
    FloatArray,
    Receptor,
    SimHead,
    SimTruth,
    Vector,
    direct_lux,
    room_lux,
    unit,
)

_ALL_AROUND = {"flat": 1.0, "dome": 2.0}
"""Even light from all sides on a receptor, relative to a flat one."""


class _SimulatedLamp:
    """One head's present level and warmth."""

    def __init__(self, head: SimHead, now: float) -> None:
        self.head = head
        self.level = 1.0 if head.fixed else 0.0
        self.cool_level = 0.0
        self.heat = 0.0
        self.at = now

    def warm_to(self, now: float) -> None:
        passed, self.at = max(0.0, now - self.at), max(now, self.at)
        output = self.output
        self.heat = output + (self.heat - output) * math.exp(-passed / self.head.warm_up_s)

    @property
    def output(self) -> float:
        return self.head.output(self.level, self.cool_level)

    def light(self) -> float:
        """Return the light relative to full cold light."""
        return self.output * (1 + (self.head.warm_factor - 1) * self.heat)


class VirtualMeter:
    """Reads the simulated room, repeatably by the truth's seed and the drivers' clock.

    Parameters:
        drivers: one or more simulated wires with the heads.
        truth: the room; heads without a wire must be `fixed`.

    Raises:
        ValueError: a head is neither on a wire nor fixed.
    """

    def __init__(self, drivers: SimDriver | Iterable[SimDriver], truth: SimTruth) -> None:
        self._drivers = (drivers,) if isinstance(drivers, SimDriver) else tuple(drivers)
        start = max((driver.now() for driver in self._drivers), default=0.0)
        self._lamps = {head.name: _SimulatedLamp(head, start) for head in truth.heads}
        self._noise = np.random.default_rng(truth.seed)
        self.truth = truth
        wired = {name for driver in self._drivers for name in driver.channels}
        for head in truth.heads:
            if not head.fixed and head.name not in wired:
                raise ValueError(f"simulated head {head.name} is on no simulated wire and not fixed")
        for driver in self._drivers:
            self._on_frame(start, driver.levels)
            driver.on_frame(self._on_frame)

    def change(self, truth: SimTruth) -> None:
        """Alter the room (a cloud, an ageing lamp); heads keep their warmth, and the noise continues."""
        for head in truth.heads:
            self._lamps[head.name].head = head
        self.truth = truth

    def _on_frame(self, now: float, levels: Mapping[str, float]) -> None:
        for name, level in levels.items():
            head, _, channel = name.partition("/")
            lamp = self._lamps.get(head)
            if lamp is not None:
                lamp.warm_to(now)
                lamp.level, lamp.cool_level = (lamp.level, level) if channel else (level, lamp.cool_level)

    def toward(self, head: str, at: Sequence[float]) -> Vector:
        """Return the direction from `at` to a head's lit face, for the parameter `facing` of `read`."""
        place = np.asarray(self._lamps[head].head.position) - np.asarray(at)
        x, y, z = unit(place.tolist()).tolist()
        return (x, y, z)

    def true_lux(
        self,
        receptor: Receptor,
        at: Sequence[float],
        facing: Sequence[float],
        t: float,
        hidden: Collection[str] = (),
    ) -> float:
        """Return the reading of a perfect meter [lx], 0 or more; the parameters are those of `read`.

        It adds every head's direct light and the window by the receptor's law, and the even light of all
        around: the ambient light and what the room sends back of every head, of which a dome shows twice what
        a flat receptor does.
        """
        axis = unit(facing)
        total = _ALL_AROUND[receptor] * self.truth.ambient_lux + self.truth.window_lux * _taken(
            receptor, axis, self.truth
        )
        for lamp in self._lamps.values():
            lamp.warm_to(t)
            light = lamp.light()
            if light > 0 and lamp.head.name not in hidden:
                total += light * self._full_lux(lamp.head, receptor, at, axis)
        return total

    def _full_lux(self, head: SimHead, receptor: Receptor, at: Sequence[float], axis: FloatArray) -> float:
        return direct_lux(head, receptor, at, axis) + _ALL_AROUND[receptor] * room_lux(head)

    def read(
        self,
        receptor: Receptor,
        at: Sequence[float],
        facing: Sequence[float],
        t: float,
        hidden: Collection[str] = (),
    ) -> float:
        """Return one reading with the meter's noise [lx].

        Parameters:
            receptor: ``"flat"`` weights light by the cosine of its angle, ``"dome"`` by (1 + cos) / 2.
            at: place of the meter [m].
            facing: direction of its axis, any length above 0; see `toward`.
            t: time of the drivers' clock [s], not before that of the previous reading.
            hidden: heads that somebody has turned away.
        """
        lux = self.true_lux(receptor, at, facing, t, hidden)
        return lux * 2 ** float(self._noise.normal(0.0, 1.0) * self.truth.noise_stops)


def _taken(receptor: Receptor, axis: FloatArray, truth: SimTruth) -> float:
    cosine = float(axis @ unit(truth.window_from))
    return max(0.0, cosine) if receptor == "flat" else (1 + cosine) / 2
