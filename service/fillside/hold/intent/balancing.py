"""The balance of one rig whose heads come and go, solved repeatedly while the light is held."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fillside.balance.halves import BallInPlace
from fillside.balance.limits import OutputLimits, limits_of
from fillside.balance.measure import MeteredBalance, measure, stops_over
from fillside.balance.rows import FACE_FILL, FACE_KEY, Metering, Rows
from fillside.balance.solution import BalanceSolver, Solution
from fillside.balance.solver.rounding import Codes, Trims
from fillside.balance.solver.solve import SolvedOutputs
from fillside.balance.target import BalanceTarget
from fillside.belief.result.intervals import HeadDoubt, Intervals, LightUncertainty
from fillside.hold.events import CalibrationAged, HeadsCorrected, LightEvent
from fillside.hold.health import HeadPolicy, Overdue
from fillside.hold.tracking.pace import worst_off_stops
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point

FloatArray = npt.NDArray[np.float64]

KEPT_TO = 1e-6
"""The relative excess over the most light on a face that floating-point error may cause."""


class Balancing:
    """Solves for a scene. `limits` cover all heads, or only those that can be controlled if the rig solves
    anew. `corrected` are the stops, by name, that heads are asked for beyond their calibration, which counts
    with its age at the Unix time `unix_s` [s]."""

    def __init__(
        self, scene: Scene, calibration: Calibration | None = None, unix_s: float | None = None
    ) -> None:
        self.scene = scene
        self._intervals = Intervals(scene.rig, calibration, now_s=unix_s)
        self._solver = BalanceSolver(scene)
        self.limits = self._solver.limits
        self._calibrated = scene
        self._ball: BallInPlace | None = None
        self.corrected: dict[str, float] = {}

    def count_on(self, heads: HeadPolicy) -> None:
        """Rely on these heads from now on, and on the known codes of the others."""
        every = all(heads.counted)
        self.limits = self._solver.limits if every else limits_of(self.scene, heads.counted, heads.stay)

    def learn(self, event: LightEvent) -> None:
        """Update the ambient light or the corrections of heads."""
        if isinstance(event, HeadsCorrected):
            self.correct(dict(event.stops))
        else:
            self._intervals.daylight, self._intervals.daylight_sd = event.times, event.sd_stops
            self._see(replace(self._calibrated.with_daylight(event.times), sources=self.scene.sources))

    def correct(self, stops: Mapping[str, float]) -> None:
        """Assume that heads give this many stops less than calibrated; 0 for heads not listed."""
        by_head = [stops.get(name, 0.0) for name in self.scene.names]
        corrected = {name: by for name, by in zip(self.scene.names, by_head, strict=True) if by}
        if corrected == self.corrected:
            return
        self.corrected = corrected
        self._see(replace(self.scene, sources=self._calibrated.sources.scaled(np.exp2(-np.array(by_head)))))

    def _see(self, scene: Scene) -> None:
        self.scene = scene
        self._solver = BalanceSolver(scene)
        self._ball = None

    @property
    def daylight(self) -> float:
        """The ambient light over that of the calibration."""
        return self._intervals.daylight

    @property
    def metering(self) -> Metering:
        """The metering of the scene with the current ambient light and corrections."""
        return self._solver.metering

    def limits_for(self, target: BalanceTarget) -> OutputLimits:
        """Return the limits of the heads relied on, without the roles that the target puts out."""
        return self._solver.limits_for(target, self.limits)

    def rows_at(self, place: Point) -> Rows:
        """Return the rows at a place [m]; the latest are cached."""
        return self._solver.rows_at(place)

    def solve(self, place: Point, target: BalanceTarget, present: Codes | None) -> Solution:
        """Return the balance for a subject at a place [m], chosen near the present codes."""
        return self._solver.solve(place, target, self.limits, present)

    def trim(self, place: Point, target: BalanceTarget, codes: Codes, trims: Trims) -> Codes:
        """Apply trims to codes; the subject's place matters only for the most light on its face."""
        return self._solver.trim(place, target, codes, trims)

    def measure(
        self, place: Point, target: BalanceTarget, codes: Codes, working: tuple[bool, ...]
    ) -> MeteredBalance:
        """Meter the light of codes at a place [m]; heads that do not work are left out."""
        outputs = self.outputs(codes) * np.array(working, dtype=float)
        return measure(self.metering, self.rows_at(place), target, outputs, self.dropped(place, target))

    def halves_ratio(self, place: Point, codes: Codes, working: tuple[bool, ...]) -> float | None:
        """Return the ratio of the halves of a matt ball at a place [m] in the light of codes."""
        if self._ball is None:
            self._ball = BallInPlace(self.metering)
        return self._ball.at(place).ratio(self.outputs(codes) * np.array(working, dtype=float))

    def dropped(self, place: Point, target: BalanceTarget) -> tuple[str, ...]:
        """Return those of "key" and "fill" that give too little light at a place [m] to count."""
        return self._solver.dropped(place, target, self.limits)

    def uncertainty(
        self,
        place: Point,
        target: BalanceTarget,
        codes: Codes,
        working: tuple[bool, ...],
        overdue: Sequence[Overdue] = (),
    ) -> LightUncertainty:
        """Return the uncertainty of the light of codes at a place [m], from the original calibration."""
        full = self.scene.dimmers.full
        levels = np.where(full > 0, np.array(codes) / np.maximum(full, 1), 0.0).tolist()
        doubts = tuple(
            HeadDoubt(one.head, one.before / max(int(full[one.head]), 1), one.share, one.least_stops)
            for one in overdue
        )
        heads = zip(codes, self.scene.fixed, working, strict=True)
        lit = [works and (code > 0 or bool(fixed)) for code, fixed, works in heads]
        return self._intervals.at(place, levels, lit, target, doubts)

    def ageing(self, unix_s: float) -> Callable[[], CalibrationAged]:
        """Return what finds the uncertainties at a Unix time [s]; it takes long, and may be called on any
        thread."""
        own = self._intervals
        return lambda: CalibrationAged(own, own.later(unix_s))

    def age(self, aged: CalibrationAged) -> None:
        """Take these uncertainties from now on, unless they come from others than those in use."""
        own = self._intervals
        if aged.before is own:
            aged.after.daylight, aged.after.daylight_sd = own.daylight, own.daylight_sd
            self._intervals = aged.after

    def outputs(self, codes: Codes) -> FloatArray:
        """Return the outputs (heads,) of codes; a head without a wire has output 1."""
        return self.scene.dimmers.outputs(codes)

    def off_stops(self, place: Point, target: BalanceTarget, codes: Codes, solved: SolvedOutputs) -> float:
        """Return the distance between the light of codes and that of a solution at a place [m], in stops: the
        larger of the differences in ratio and in exposure.

        The reference is the solution, not the target, so that the light does not chase a target out of reach.
        Other roles count by half: they are metered against the key or the exposure, which may be off as well.
        """
        rows, dropped = self.rows_at(place), self.dropped(place, target)
        now, solution = (
            self._compared(measure(self.metering, rows, target, outputs, dropped))
            for outputs in (self.outputs(codes), solved.outputs)
        )
        return worst_off_stops(now, solution)

    @staticmethod
    def _compared(light: MeteredBalance) -> tuple[float | None, ...]:
        others = (None if stops is None else stops / 2 for stops in light.relative.values())
        ratio = None if light.ratio is None else math.log2(light.ratio)
        return ratio, stops_over(light.exposure_lux, 1.0), *others

    def is_too_bright(self, place: Point, target: BalanceTarget, codes: Codes) -> bool:
        """Return true if codes give the brighter side of a face at a place [m] more
        light than the target allows."""
        if target.most_lux is None:
            return False
        lux = self.rows_at(place).lux(self.outputs(codes))
        return bool(max(lux[FACE_KEY], lux[FACE_FILL]) > target.most_lux * (1 + KEPT_TO))

    def steepness_stops_m(self, place: Point) -> float:
        """Return the rate at which the light of the nearest key or fill head changes at the place [stop/m].

        E falls with the square of the distance d, so log2 E changes by 2 / (d ln 2) per metre along the way.
        """
        metering = self.metering
        balanced = metering.is_key | metering.is_fill
        if not balanced.any():
            return 0.0
        away = self.scene.sources.position[balanced] - np.array(place)
        return float(2.0 / (np.log(2.0) * np.sqrt((away * away).sum(axis=1)).min()))
