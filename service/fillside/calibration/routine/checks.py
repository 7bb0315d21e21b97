"""Wanted against metered: the readings that show whether a calibration still holds."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from fillside.balance.rows import EXPOSURE
from fillside.balance.solution import BalanceSolver
from fillside.balance.target import target_from_rig
from fillside.calibration.drift.expected_readings import UNCALIBRATED_STOPS, calibrated_stops
from fillside.photometry.room_light import received_lux
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Point, Rig

GOOD_STOPS = 0.15
"""Half the smallest step of a camera's dials; more in a held quantity can be seen side by side."""
MOST_STOPS = 0.3
"""However little is known, more than this is not what was wanted."""
SIGMAS = 2.5
"""How many standard uncertainties a reading may stray: of three readings one then errs once in thirty."""
NEARER = 0.5
"""At which part of the distance a second reading is taken, to tell distance from level: a stand that moved
shows there about twice as much."""
NEAREST_M = 0.5


class CheckReading(BaseModel):
    """One reading to hold against what is expected; `lit` are levels by head, all others out.

    `what` is "head" (that head alone, flat, facing it), "near" (the same nearer to it), "exposure" or
    "background". `sigma_stops` is the standard uncertainty of what a meter shows against the expectation.
    """

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    what: Literal["head", "near", "exposure", "background"]
    head: str | None
    lit: dict[str, float]
    at: Point
    receptor: Literal["flat", "dome"]
    facing: str
    expected_lux: float
    sigma_stops: float

    @property
    def name(self) -> str:
        """The check in a word or two, the same for the same one."""
        return f"{self.what} {self.head or ''}".strip()


class CheckResult(BaseModel):
    """A check with what was read.

    `cause` is what two readings of a head that is off say together, `as_calibrated` whether that is that
    nothing changed.
    """

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    check: CheckReading
    read_lux: float
    off_stops: float
    cause: str | None = None
    as_calibrated: bool = False

    @property
    def most_stops(self) -> float:
        """How far it may be off: as little as can be seen, or, within reason, as can be known."""
        return max(GOOD_STOPS, min(SIGMAS * self.check.sigma_stops, MOST_STOPS))

    @property
    def good(self) -> bool:
        """Whether it is no farther off than it may be."""
        return abs(self.off_stops) <= self.most_stops


def check_result(check: CheckReading, read_lux: float) -> CheckResult:
    """A check with what was read [lux]."""
    off = math.log2(max(read_lux, 1e-3) / max(check.expected_lux, 1e-3))
    return CheckResult(check=check, read_lux=read_lux, off_stops=round(off, 4))


class ExpectedBalance:
    """The balance as a calibration holds it at a place: levels, and what a meter should show.

    Heads that cannot be dimmed have level 1. `report` says how near to what is wanted that is believed to be.
    """

    def __init__(self, rig: Rig, calibration: Calibration | None, at: Point) -> None:
        self.rig, self.at, self.calibration = rig, at, calibration
        self.scene = scene(rig, calibration)
        target = target_from_rig(rig)
        solution = BalanceSolver(self.scene).solve(at, target)
        self._out_roles = target.out_roles
        self.metering, self.rows = solution.metering, solution.rows
        self.report, self.outputs = solution.report, solution.outputs
        levels = self.scene.dimmers.levels_from_codes(solution.codes)
        self.levels = dict(zip(self.scene.names, levels.tolist(), strict=True))

    def sigma_stops(self, head: str) -> float:
        """Standard uncertainty of one head's light, without the meter's."""
        return UNCALIBRATED_STOPS if self.calibration is None else calibrated_stops(self.calibration, head)

    def checks(self, background: bool) -> tuple[CheckReading, ...]:
        """Each key and fill head alone, then the exposure, then the background if wanted and not put out."""
        rules = self.scene.rules
        heads = [i for rule in ("key", "fill") for i, own in enumerate(rules) if own == rule]
        found = [self.alone(i) for i in heads]
        if heads:
            found.append(self._exposure())
        lit = [i for i, rule in enumerate(rules) if rule == "background" and self._is_wanted(i)]
        if background and lit:
            found.append(self._background(lit[0]))
        return tuple(found)

    def _is_wanted(self, head: int) -> bool:
        return self.scene.roles[head] not in self._out_roles

    def alone(self, head: int, at: Point | None = None) -> CheckReading:
        """One head alone at its held level, flat receptor facing it, at the subject or elsewhere."""
        rows = self.rows if at is None else self.metering.rows_at(at)
        name = self.scene.names[head]
        return CheckReading(
            what="head" if at is None else "near",
            head=name,
            lit={name: self.levels[name]},
            at=self.at if at is None else at,
            receptor="flat",
            facing=name,
            expected_lux=float(rows.facing_lux[head] * self.outputs[head]) + self._ambient_toward(head),
            sigma_stops=self._with_meter(self.sigma_stops(name)),
        )

    def nearer(self, head: int) -> CheckReading:
        """The same nearer to the head, on the line to it."""
        start, source = np.array(self.at), np.array(self.rig.heads[head].position)
        far = float(np.linalg.norm(source - start))
        step = max(far - max(NEARER * far, NEAREST_M), 0.0) / max(far, 1e-9)
        x, y, z = (float(round(v, 2)) for v in start + step * (source - start))
        return self.alone(head, (x, y, z))

    def _ambient_toward(self, head: int) -> float:
        """What is there with all heads out, as a flat receptor facing a head sees it [lux]."""
        toward_key, toward_fill, _ = self.scene.ambient
        return toward_key if self.scene.rules[head] == "key" else toward_fill

    def _exposure(self) -> CheckReading:
        lit = dict(self._lit(("key", "fill")))
        meter = self.rig.meter
        keys = [n for n, rule in zip(self.scene.names, self.scene.rules, strict=True) if rule == "key"]
        facing = keys[0] if meter.facing == "key" and keys else "camera"
        return CheckReading(
            what="exposure",
            head=None,
            lit=lit,
            at=self.at,
            receptor=meter.receptor,
            facing=facing,
            expected_lux=float(self.rows.lux(self.outputs)[EXPOSURE]),
            sigma_stops=self._with_meter(max(self.sigma_stops(name) for name in lit)),
        )

    def _background(self, head: int) -> CheckReading:
        aim = self.scene.aims[head]
        axis = np.array(self.rig.camera.position) - aim
        facing, flat = (axis / np.linalg.norm(axis))[np.newaxis], np.array([False])
        seen = received_lux(self.scene.sources, aim, facing, flat)[0]
        ambient = float(self.scene.ambient_light.on(facing, flat)[0])
        lit = dict(self._lit(("key", "fill", "hair", "background")))
        burning = np.array([name in lit for name in self.scene.names])
        x, y, z = (float(v) for v in aim)
        return CheckReading(
            what="background",
            head=self.scene.names[head],
            lit=lit,
            at=(x, y, z),
            receptor="flat",
            facing="camera",
            expected_lux=float(seen @ (self.outputs * burning)) + ambient,
            sigma_stops=self._with_meter(max(self.sigma_stops(name) for name in lit)),
        )

    def _lit(self, rules: tuple[str, ...]) -> Iterator[tuple[str, float]]:
        for name, rule in zip(self.scene.names, self.scene.rules, strict=True):
            if rule in rules:
                yield name, self.levels[name]

    def _with_meter(self, sigma_stops: float) -> float:
        return math.hypot(sigma_stops, self.rig.meter.sigma)
