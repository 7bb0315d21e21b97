"""How sure ratio, exposure and face are at the levels in force: one formula for every command and door.

From the calibration where there is one, else from labels, tape and priors; by the law of propagation of
uncertainty (JCGM 100:2008, 5.2.2), expanded (6.2).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fillside.balance.prediction import PredictedHead, Prediction
from fillside.balance.report import HeadReport, Report, Uncertainty
from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY, FIRST_ROLE_ROW, LIT, SHADOW, Metering
from fillside.balance.target import BalanceTarget, target_from_rig
from fillside.calibration.estimate.fit import Fit
from fillside.calibration.estimate.model import (
    PER_HEAD,
    Direction,
    Point,
    Quantities,
    Term,
    exposure_direction,
    exposure_facing,
)
from fillside.calibration.estimate.priors import INTENSITY
from fillside.calibration.estimate.sensitivities import (
    LightPaths,
    PathSensitivities,
    path_sensitivities,
    unit,
)
from fillside.calibration.estimate.uncertainty import log2_slopes
from fillside.calibration.result.expanded_uncertainty import expanded
from fillside.calibration.result.from_calibration import known_fit
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

TAPE_SD_M = 0.03
"""How far from where the file says a head that was not metered may stand, along its line [m]: common
practice, no source. Readings tell of it together with the light."""
_DARK_LUX = 1e-6


@dataclass(frozen=True)
class LightUncertainty:
    """Expanded uncertainties [stops] of the balance's numbers, and of the other roles against their
    reference."""

    uncertainty: Uncertainty
    relative_stops: dict[str, float | None]


@dataclass(frozen=True)
class _There:
    """What can be metered at one place with the heads that are lit, and what reaches there per candela."""

    place: Point
    lit: tuple[bool, ...]
    wanted: Quantities
    sensitivities: PathSensitivities
    tape: FloatArray


@dataclass(frozen=True)
class _Lit:
    """What can be metered at the subject with the heads that are lit, apart from where the subject is.

    `cheeks` are the numbers of the paths to the two sides of the face, which face a point beside the subject.
    `behind` has, for each background role, its row and the heads that light it.
    """

    lit: tuple[bool, ...]
    wanted: Quantities
    cheeks: tuple[IntArray, IntArray]
    behind: tuple[tuple[int, IntArray], ...]

    def paths_to(self, place: Point, axes: tuple[FloatArray, FloatArray]) -> LightPaths:
        """The paths to a subject at a place [m] whose cheeks face along the axes (3,)."""
        paths = self.wanted.paths
        faced = paths.faced.copy()
        for of_cheek, axis in zip(self.cheeks, axes, strict=True):
            faced[of_cheek] = np.array(place) + axis
        places = np.tile(np.array(place), (len(paths), 1))
        return replace(paths, place=places, faced=faced, axis=unit(faced - places))


class Intervals:
    """The uncertainties of one rig's light, by a calibration or by its labels alone.

    Built in no time; the studio is worked out when it is first asked of, and what was asked last is kept.
    """

    def __init__(self, rig: Rig, calibration: Calibration | None = None) -> None:
        self._rig, self._calibration = rig, calibration
        self._there: _There | None = None
        self._with_lit: _Lit | None = None
        self._last: tuple[object, LightUncertainty] | None = None

    @cached_property
    def _fit(self) -> Fit:
        return known_fit(self._rig, self._calibration)

    @cached_property
    def _metering(self) -> Metering:
        return Metering(scene(self._rig, self._calibration))

    @cached_property
    def _stated_stops(self) -> dict[int, float]:
        """Heads whose light a calibration states to be so sure [stops] without a reading behind it."""
        if self._calibration is None or self._fit.readings:
            return {}
        known = [self._calibration.heads.get(name) for name in self._fit.model.beliefs.names]
        return {i: h.sigma_stops for i, h in enumerate(known) if h is not None and h.sigma_stops is not None}

    def at(
        self, place: Sequence[float], levels: Sequence[float], lit: Sequence[bool], target: BalanceTarget
    ) -> LightUncertainty:
        """The uncertainties at a place [m] with heads at levels (n,) 0..1; those not `lit` give nothing."""
        x, y, z = (float(v) for v in place)
        asked = ((x, y, z), tuple(map(float, levels)), tuple(map(bool, lit)), target)
        if self._last is None or self._last[0] != asked:
            self._last = asked, self._sure(asked[0], asked[1], asked[2], target)
        return self._last[1]

    def of(self, report: Report, target: BalanceTarget) -> Report:
        """A report with the uncertainties of what it says is achieved."""
        sure = self.at(report.subject, *_levels(report.heads), target)
        return report.model_copy(
            update={"uncertainty": sure.uncertainty, "relative_uncertainty_stops": sure.relative_stops}
        )

    def of_prediction(self, prediction: Prediction) -> Prediction:
        """A prediction with the uncertainties of what it says."""
        sure = self.at(prediction.at, *_levels(prediction.heads), target_from_rig(self._rig))
        return prediction.model_copy(update={"uncertainty": sure.uncertainty})

    def _sure(
        self, place: Point, levels: tuple[float, ...], lit: tuple[bool, ...], target: BalanceTarget
    ) -> LightUncertainty:
        there = self._there_at(place, lit)
        fit, wanted = self._fit, there.wanted
        at_levels = replace(wanted, level=np.array(levels)[wanted.paths.head[wanted.path]])
        lux, slopes = fit.model.lux_and_slopes(fit.z, fit.shapes, at_levels, there.sensitivities)
        rows, shown = self._widened(log2_slopes(lux, slopes), there), lux > _DARK_LUX
        two = self._lit_by(lit, "key") and self._lit_by(lit, "fill")
        bright, dark = (FACE_KEY, FACE_FILL) if target.read_as == "face" else (LIT, SHADOW)
        asked = [
            (rows[bright] - rows[dark], two and shown[bright] and shown[dark]),
            (rows[EXPOSURE], shown[EXPOSURE]),
            (rows[FACE_KEY] - rows[FACE_FILL], shown[FACE_KEY] and shown[FACE_FILL]),
        ]
        roles = self._metering.relative_roles
        for k, role in enumerate(roles, start=FIRST_ROLE_ROW):
            by_key = target.reference(role, self._metering.role_rules[role]) == "key"
            row = rows[k] - rows[LIT] if by_key else rows[k]
            asked.append((row, shown[k] and (shown[LIT] or not by_key)))
        sd = np.sqrt(fit.posterior.variance(np.array([row for row, _ in asked])))
        ratio, exposure, face, *others = (
            round(expanded(own), 4) if exists else None
            for own, (_, exists) in zip(sd.tolist(), asked, strict=True)
        )
        found = Uncertainty(ratio_stops=ratio, exposure_stops=exposure, face_stops=face)
        return LightUncertainty(found, dict(zip(roles, others, strict=True)))

    def _lit_by(self, lit: tuple[bool, ...], rule: str) -> bool:
        return any(on and head.rule == rule for on, head in zip(lit, self._rig.heads, strict=True))

    def _widened(self, rows: FloatArray, there: _There) -> FloatArray:
        """Slopes (k, size) with the tape's part in the heads that nobody read, and what a calibration states
        without readings in place of what labels let one believe."""
        fit = self._fit
        sd = fit.model.beliefs.sd[:, INTENSITY]
        for i, stops in self._stated_stops.items():
            if not fit.was_read[i]:
                block, own = fit.model.head_block(i), i * PER_HEAD + INTENSITY
                rows[:, block], rows[:, own] = 0.0, rows[:, own] * stops / sd[i]
        by_tape = [i for i in np.flatnonzero(~fit.was_read).tolist() if i not in self._stated_stops]
        wider = [math.hypot(1.0, part) for part in (there.tape[by_tape] / sd[by_tape]).tolist()]
        rows[:, np.array(by_tape, dtype=np.intp) * PER_HEAD + INTENSITY] *= wider
        return rows

    def _there_at(self, place: Point, lit: tuple[bool, ...]) -> _There:
        if self._there is None or (self._there.place, self._there.lit) != (place, lit):
            beliefs, lighting = self._fit.model.beliefs, self._lighting_of(place, lit)
            paths = lighting.paths_to(place, self._metering.cheek_axes(place))
            away = np.linalg.norm(beliefs.sources.position - np.array(place), axis=1)
            self._there = _There(
                place,
                lit,
                *self._with_background(lighting, paths, path_sensitivities(paths, beliefs, self._figures)),
                2 / math.log(2) * TAPE_SD_M / np.maximum(away, TAPE_SD_M),
            )
        return self._there

    @cached_property
    def _figures(self) -> FloatArray:
        return self._fit.model.figures(self._fit.z)

    def _lighting_of(self, place: Point, lit: tuple[bool, ...]) -> _Lit:
        if self._with_lit is None or self._with_lit.lit != lit:
            wanted = self._fit.model.quantities(self._quantities(place, lit))
            of_key, of_fill = (wanted.path[wanted.row == row] for row in (FACE_KEY, FACE_FILL))
            heads = [i for i, head in enumerate(self._rig.heads) if lit[i] and head.rule != "work"]
            behind = tuple(
                (row, np.array(heads, dtype=np.intp))
                for row, role in enumerate(self._metering.relative_roles, start=FIRST_ROLE_ROW)
                if role in self._behind
            )
            self._with_lit = _Lit(lit, wanted, (of_key, of_fill), behind)
        return self._with_lit

    @cached_property
    def _behind(self) -> dict[str, PathSensitivities]:
        """For each background role, what all heads (n,) send per candela to its aims together, which is the
        same wherever the subject is."""
        beliefs, count = self._fit.model.beliefs, self._fit.model.heads
        camera = np.tile(np.array(self._rig.camera.position), (count, 1))
        found: dict[str, PathSensitivities] = {}
        for role in self._metering.relative_roles:
            own = [head for head in self._rig.heads if head.role == role]
            if self._metering.role_rules[role] != "background":
                continue
            for aim, times in Counter(self._rig.aim_of(head) for head in own).items():
                place = np.tile(np.array(aim), (count, 1))
                none = np.zeros(count, dtype=np.bool_)
                paths = LightPaths(np.arange(count), place, unit(camera - place), none, none, camera)
                seen = path_sensitivities(paths, beliefs, self._figures).times(times)
                found[role] = found[role].plus(seen) if role in found else seen
        return found

    def _with_background(
        self, lighting: _Lit, paths: LightPaths, here: PathSensitivities
    ) -> tuple[Quantities, PathSensitivities]:
        """The quantities and what reaches them, those of the background roles added."""
        wanted = replace(lighting.wanted, paths=paths)
        roles = self._metering.relative_roles
        for row, heads in lighting.behind:
            # One path a head stands for its paths to all aims; only what it brings is asked of it.
            count, none = len(heads), np.zeros(len(heads), dtype=np.bool_)
            nowhere = np.zeros((count, 3))
            added = LightPaths(heads, nowhere, nowhere, none, none, nowhere)
            wanted = Quantities(
                np.concatenate([wanted.row, np.full(count, row)]),
                np.concatenate([wanted.path, len(wanted.paths) + np.arange(count)]),
                np.concatenate([wanted.level, np.ones(count)]),
                wanted.paths.and_of(added),
                wanted.ambient,
            )
            here = here.and_of(self._behind[roles[row - FIRST_ROLE_ROW]].of(heads))
        return wanted, here

    def _quantities(self, place: Point, lit: tuple[bool, ...]) -> list[tuple[list[Term], Direction | None]]:
        """Lit side, shadow side, exposure, the face's two sides, then the other roles; levels come later.

        What lights the background is in `_behind`.
        """
        rig, heads = self._rig, [(i, head) for i, head in enumerate(self._rig.heads) if lit[i]]
        exposed, dome = exposure_direction(rig), rig.meter.receptor == "dome"
        wanted: list[tuple[list[Term], Direction | None]] = [
            ([Term(i, 1.0, place, head.name) for i, head in heads if head.rule == rule], (rule, "flat"))
            for rule in ("key", "fill")
        ]
        balanced = [i for i, head in heads if head.rule in ("key", "fill")]
        wanted.append(([Term(i, 1.0, place, exposure_facing(rig), dome) for i in balanced], exposed))
        for rule, axis in zip(("key", "fill"), self._metering.cheek_axes(place), strict=True):
            faced = _point(np.array(place) + axis)
            every = [Term(i, 1.0, place, faced) for i, head in heads if head.rule != "work"]
            wanted.append((every, (rule, "flat")))
        for role in self._metering.relative_roles:
            if self._metering.role_rules[role] == "background":
                wanted.append(([], exposed))
            else:
                wanted.append(
                    ([Term(i, 1.0, place, head.name) for i, head in heads if head.role == role], None)
                )
        return wanted


def _point(values: FloatArray) -> Point:
    x, y, z = (float(v) for v in values)
    return (x, y, z)


def _levels(heads: Sequence[HeadReport | PredictedHead]) -> tuple[list[float], list[bool]]:
    return [head.level for head in heads], [head.output > 0 for head in heads]
