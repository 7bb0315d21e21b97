"""The balance of one rig with heads that come and go: solved again and again as the light is held."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import limits_of
from fillside.balance.measure import MeteredBalance, measure, stops_over
from fillside.balance.rows import FACE_FILL, FACE_KEY, Metering, Rows
from fillside.balance.solution import BalanceSolver, Solution
from fillside.balance.solver.rounding import Codes, Trims
from fillside.balance.solver.solve import SolvedOutputs
from fillside.balance.target import BalanceTarget
from fillside.calibration.result.intervals import Intervals, LightUncertainty
from fillside.hold.events import HeadsCorrected, LightEvent
from fillside.hold.health import HeadPolicy
from fillside.hold.tracking.pace import worst_off_stops
from fillside.photometry.dimming import level_from_code
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point

FloatArray = npt.NDArray[np.float64]

KEPT_TO = 1e-6
"""The share of the most light on a face by which sums of floating-point numbers may pass it."""


class Balancing:
    """Solves for a scene. `limits` are of all heads, or of those that can be led when the target is to solve
    anew. `corrected` are the stops by name that heads are asked for beyond their calibration."""

    def __init__(self, scene: Scene, calibration: Calibration | None = None) -> None:
        self.scene = scene
        self._intervals = Intervals(scene.rig, calibration)
        self._solver = BalanceSolver(scene)
        self.limits = self._solver.limits
        self._calibrated_cd = scene.sources.intensity_cd
        self.corrected: dict[str, float] = {}

    def count_on(self, heads: HeadPolicy) -> None:
        """Count on these heads from now on, and on what the others are known to give."""
        every = all(heads.counted)
        self.limits = self._solver.limits if every else limits_of(self.scene, heads.counted, heads.stay)

    def learn(self, event: LightEvent) -> None:
        """From now on the room's light, or what heads give, is believed to be another."""
        if isinstance(event, HeadsCorrected):
            self.correct(dict(event.stops))
        else:
            self._see(replace(self.scene, ambient=(event.toward_key, event.toward_fill, event.toward_camera)))

    def correct(self, stops: Mapping[str, float]) -> None:
        """From now on heads are believed to give so many stops less than calibrated; 0 for one not named."""
        known = [stops.get(name, 0.0) for name in self.scene.names]
        corrected = {name: by for name, by in zip(self.scene.names, known, strict=True) if by}
        if corrected == self.corrected:
            return
        self.corrected = corrected
        intensity_cd = self._calibrated_cd * np.exp2(-np.array(known))
        self._see(replace(self.scene, sources=replace(self.scene.sources, intensity_cd=intensity_cd)))

    def _see(self, scene: Scene) -> None:
        self.scene = scene
        self._solver = BalanceSolver(scene)

    @property
    def metering(self) -> Metering:
        """The metering of the scene as it is believed to be."""
        return self._solver.metering

    def rows_at(self, place: Point) -> Rows:
        """The rows at a place [m]; the latest are kept."""
        return self._solver.rows_at(place)

    def solve(self, place: Point, target: BalanceTarget, present: Codes | None) -> Solution:
        """The balance for a subject at a place [m], beside present codes."""
        return self._solver.solve(place, target, self.limits, present)

    def trim(self, place: Point, target: BalanceTarget, codes: Codes, trims: Trims) -> Codes:
        """Codes with trims on them; the subject's place matters only for the most light its face may get."""
        return self._solver.trim(place, target, codes, trims)

    def measure(
        self, place: Point, target: BalanceTarget, codes: Codes, working: tuple[bool, ...]
    ) -> MeteredBalance:
        """The light metered at a place [m] at codes; heads that do not work are not counted on."""
        outputs = self.outputs(codes) * np.array(working, dtype=float)
        return measure(self.metering, self.rows_at(place), target, outputs, self.dropped(place, target))

    def dropped(self, place: Point, target: BalanceTarget) -> tuple[str, ...]:
        """Those of "key" and "fill" that give too little at a place [m] to count."""
        return self._solver.dropped(place, target, self.limits)

    def uncertainty(
        self, place: Point, target: BalanceTarget, codes: Codes, working: tuple[bool, ...]
    ) -> LightUncertainty:
        """The uncertainty of the light of codes at a place [m], by the calibration as it was made."""
        scales = self.scene.full_scales
        levels = [level_from_code(code, scale) for code, scale in zip(codes, scales, strict=True)]
        heads = zip(codes, self.scene.fixed, working, strict=True)
        lit = [works and (code > 0 or bool(fixed)) for code, fixed, works in heads]
        return self._intervals.at(place, levels, lit, target)

    def outputs(self, codes: Codes) -> FloatArray:
        """The outputs (heads,) that codes give; a head without a wire gives 1."""
        return self.scene.dimmers.outputs(codes)

    def off_stops(self, place: Point, target: BalanceTarget, codes: Codes, solved: SolvedOutputs) -> float:
        """The distance of the light of codes from what a solution gives at a place [m]: the larger of the
        differences in ratio and in exposure, in stops.

        It is compared with the solution and not with the target, so that a target out of reach is not run
        after. Another role counts by half: it is metered against the key or the exposure, which may be off as
        well.
        """
        now = self._compared(place, target, self.outputs(codes))
        return worst_off_stops(now, self._compared(place, target, solved.outputs))

    def _compared(self, place: Point, target: BalanceTarget, outputs: FloatArray) -> tuple[float | None, ...]:
        light = measure(self.metering, self.rows_at(place), target, outputs, self.dropped(place, target))
        others = (None if stops is None else stops / 2 for stops in light.relative.values())
        ratio = None if light.ratio is None else math.log2(light.ratio)
        return ratio, stops_over(light.exposure_lux, 1.0), *others

    def is_too_bright(self, place: Point, target: BalanceTarget, codes: Codes) -> bool:
        """True where codes give the brighter side of a face at a place [m] more than the target allows."""
        if target.most_lux is None:
            return False
        lux = self.rows_at(place).lux(self.outputs(codes))
        return bool(max(lux[FACE_KEY], lux[FACE_FILL]) > target.most_lux * (1 + KEPT_TO))

    def steepness_stops_m(self, place: Point) -> float:
        """The rate at which the light of the nearest key or fill head changes where the subject is [stop/m].

        E falls with the square of the distance d, so log2 E changes by 2 / (d ln 2) per metre along the way.
        """
        metering = self.metering
        balanced = metering.is_key | metering.is_fill
        if not balanced.any():
            return 0.0
        away = self.scene.sources.position[balanced] - np.array(place)
        return float(2.0 / (np.log(2.0) * np.sqrt((away * away).sum(axis=1)).min()))
