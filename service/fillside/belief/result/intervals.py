"""Uncertainty of ratio, exposure and face at the levels in force: one formula for every command and door.

By the law of propagation of uncertainty (JCGM 100:2008, 5.2.2) through the belief, expanded (6.2), about the
light that the scene has: where that is not the most likely light, as without any reading, its distance from
it counts too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from fillside.balance.prediction import PredictedHead, Prediction
from fillside.balance.report import HeadReport, Report, Uncertainty
from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY, FIRST_ROLE_ROW, LIT, SHADOW, Metering, Rows
from fillside.balance.target import BalanceTarget, target_from_rig
from fillside.belief.belief import Belief, later
from fillside.belief.evidence import CAMERA
from fillside.belief.forward.paths import PerCandela, unit
from fillside.belief.forward.quantities import Point, Quantities, Term, Wanted
from fillside.belief.observations import (
    MODEL_SD_STOPS,
    ambient_sides,
    exposure_facing,
    log2_slopes,
    model_sd,
)
from fillside.belief.result.expanded_uncertainty import expanded
from fillside.belief.result.restoring import known_belief
from fillside.rig.calibration import Calibration
from fillside.rig.scene.scene import scene
from fillside.rig.tables.model import Rig

FloatArray = NDArray[np.float64]
OfHead = TypeVar("OfHead", HeadReport, PredictedHead)

_DARK_LUX, _OUT = 1e-6, 1e-9
_CHEEKS = (FACE_KEY, FACE_FILL)
_LEAST_DAYLIGHT = 1e-6
"""Night counts as so much, so that it is a number of stops away."""


@dataclass(frozen=True)
class LightUncertainty:
    """Expanded uncertainties [stops] of the balance's numbers, of the other roles against their reference,
    and of each head's own light (n,), None for one that gives none.

    `doubted_stops` is how far heads in doubt may move the ratio and the exposure.
    """

    uncertainty: Uncertainty
    relative_stops: dict[str, float | None]
    own_stops: tuple[float | None, ...]
    doubted_stops: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class HeadDoubt:
    """A head, by index, that may be at another level 0..1 than is said.

    It counts as so far off, or as `least_stops` where that is less, times `share`, 0..1.
    """

    head: int
    level: float
    share: float = 1.0
    least_stops: float = 0.0


@dataclass(frozen=True)
class _Asked:
    """The quantities metered at a place, and the direct light that reaches it per candela."""

    wanted: Quantities
    direct: PerCandela

    def at(self, levels: FloatArray, daylight: float) -> Quantities:
        """The same with heads at levels (n,), and so many times as much ambient light."""
        sky = np.full(len(self.wanted), max(daylight, _LEAST_DAYLIGHT))
        return replace(self.wanted, lamp_level=levels[self.wanted.lamp_head], daylight=sky)


class Intervals:
    """The uncertainties of one rig's light, by a calibration or by its labels alone.

    `belief`, where it is at hand, is that of the calibration. `now_s` is the Unix time for which they count
    [s], by default that of the newest evidence. Built in no time; the studio is worked out when it is first
    asked of, and what was asked last is kept. `daylight` is how many times as much ambient light there is as
    the calibration says, told to `daylight_sd` [stops].
    """

    def __init__(
        self,
        rig: Rig,
        calibration: Calibration | None = None,
        belief: Belief | None = None,
        now_s: float | None = None,
    ) -> None:
        self._rig, self._calibration, self._own, self._now_s = rig, calibration, belief, now_s
        self.daylight, self.daylight_sd = 1.0, 0.0
        self._there: tuple[Point, _Asked, _Asked, Rows] | None = None
        self._last: tuple[object, LightUncertainty] | None = None

    def later(self, now_s: float) -> Intervals:
        """The intervals at another Unix time [s], worked out already; may be called on any thread."""
        aged = Intervals(self._rig, self._calibration, later(self._belief, now_s), now_s)
        aged.daylight, aged.daylight_sd = self.daylight, self.daylight_sd
        _ = aged._belief.posterior, aged._metering, aged._template, aged._behind, aged._own_behind
        return aged

    @cached_property
    def _belief(self) -> Belief:
        return known_belief(self._rig, self._calibration, self._now_s) if self._own is None else self._own

    @cached_property
    def _metering(self) -> Metering:
        return Metering(scene(self._rig, self._calibration))

    def at(
        self,
        place: Sequence[float],
        levels: Sequence[float],
        lit: Sequence[bool],
        target: BalanceTarget,
        doubts: tuple[HeadDoubt, ...] = (),
    ) -> LightUncertainty:
        """The uncertainties at a place [m] with heads at levels (n,) 0..1; those not `lit` give nothing."""
        x, y, z = (float(v) for v in place)
        sky = self.daylight, self.daylight_sd
        asked = ((x, y, z), tuple(map(float, levels)), tuple(map(bool, lit)), target, doubts, sky)
        if self._last is None or self._last[0] != asked:
            self._last = asked, self._sure(asked[0], np.where(asked[2], asked[1], 0.0), target, doubts)
        return self._last[1]

    def of(self, report: Report, target: BalanceTarget) -> Report:
        """A report with the uncertainties of its achieved numbers."""
        sure = self.at(report.subject, *_levels(report.heads), target)
        return report.model_copy(
            update={
                "heads": _with_own(report.heads, sure.own_stops),
                "uncertainty": sure.uncertainty,
                "relative_uncertainty_stops": sure.relative_stops,
            }
        )

    def of_prediction(self, prediction: Prediction) -> Prediction:
        """A prediction with the uncertainties of its numbers."""
        given, lit = _levels(prediction.heads)
        sure = self.at(prediction.at, given, lit, target_from_rig(self._rig))
        levels = np.where(lit, given, 0.0)
        own = self._own_stops(prediction.at, levels, self._outputs(levels), (), at_aims=False)
        heads = _with_own(prediction.heads, own)
        return prediction.model_copy(update={"heads": heads, "uncertainty": sure.uncertainty})

    def log2_slopes(self, place: Point, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Slopes (k, size) of the log2 of all rows of the balance at a place and levels (n,), and the
        errors that the model leaves in them [stops] (k,)."""
        lux, slopes, coarse = self._light(place, levels)
        return log2_slopes(lux, slopes), coarse

    def _sure(
        self, place: Point, levels: FloatArray, target: BalanceTarget, doubts: tuple[HeadDoubt, ...]
    ) -> LightUncertainty:
        lux, slopes, coarse = self._light(place, levels)
        outputs = self._outputs(levels)
        said = self._said_lux(place, outputs)
        shown = (lux > _DARK_LUX) & (said > _DARK_LUX)
        believed = lux + self._stated_beside_lux(place, levels)
        beside = np.log2(np.where(shown, said, 1.0) / np.where(shown, believed, 1.0))
        rows = log2_slopes(lux, slopes)
        names, pairs = self._pairs(target, levels, shown)
        one = np.array([first for first, _, _ in pairs])
        other = np.array([-1 if second is None else second for _, second, _ in pairs])
        compared = (other >= 0)[:, None]
        sloping = rows[one] - np.where(compared, rows[other], 0.0)
        off = beside[one] - np.where(other >= 0, beside[other], 0.0)
        blurred = coarse[one] ** 2 + np.where(other >= 0, coarse[other] ** 2, 0.0)
        moved = self._moved_stops(place, outputs, doubts)
        doubted = ((moved[one] - np.where(compared, moved[other], 0.0)) ** 2).sum(axis=1)
        sd = np.sqrt(self._belief.posterior.variance(sloping) + off**2 + blurred + doubted)
        ratio, exposure, face, *others = (
            round(expanded(own), 4) if exists else None
            for own, (_, _, exists) in zip(sd.tolist(), pairs, strict=True)
        )
        found = Uncertainty(ratio_stops=ratio, exposure_stops=exposure, face_stops=face)
        by_doubt = float(np.sqrt(doubted[0])), float(np.sqrt(doubted[1]))
        own = self._own_stops(place, levels, outputs, doubts)
        return LightUncertainty(found, dict(zip(names, others, strict=True)), own, by_doubt)

    def _own_stops(
        self,
        place: Point,
        levels: FloatArray,
        outputs: FloatArray,
        doubts: tuple[HeadDoubt, ...],
        *,
        at_aims: bool = True,
    ) -> tuple[float | None, ...]:
        """The expanded uncertainty [stops] of each head's own light (n,); None for one that gives none.

        Background heads are read at their aims, or else at the place like the others.
        """
        belief, rows = self._belief, self._rows_at(place)
        said = (rows.own_lux if at_aims else rows.facing_lux) * outputs
        believed, variance = np.zeros_like(said), np.zeros_like(said)
        for asked in (self._own_at(place), self._own_behind)[: 2 if at_aims else 1]:
            wanted = asked.at(levels, self.daylight)
            lux, by, by_step = belief.model.alone_and_slopes(belief.figures, wanted, asked.direct)
            believed[wanted.head] = lux
            slopes = log2_slopes(lux, by), log2_slopes(lux, by_step)
            variance[wanted.head] = belief.posterior.variance_alone(wanted.head, *slopes)
        off = np.log2(np.maximum(said, _DARK_LUX) / np.maximum(believed, _DARK_LUX))
        off[list(self._belief.stated_stops)] = 0.0
        for doubt, far in zip(doubts, self._far_stops(outputs, doubts)[1].tolist(), strict=True):
            off[doubt.head] = np.hypot(off[doubt.head], far)
        sd = np.sqrt(variance + off**2 + MODEL_SD_STOPS**2)
        lit = (said > _DARK_LUX).tolist()
        stops = np.round(expanded(1.0) * sd, 4).tolist()
        return tuple(own if is_lit else None for own, is_lit in zip(stops, lit, strict=True))

    def _pairs(
        self, target: BalanceTarget, levels: FloatArray, shown: NDArray[np.bool_]
    ) -> tuple[tuple[str, ...], list[tuple[int, int | None, bool]]]:
        """The other roles; and for ratio, exposure, face and those roles the row, the row that it is held
        against, and true where there is such a number."""
        lit = {head.rule for head, level in zip(self._rig.heads, levels.tolist(), strict=True) if level > 0}
        bright, dark = (FACE_KEY, FACE_FILL) if target.read_as == "face" else (LIT, SHADOW)
        pairs: list[tuple[int, int | None, bool]] = [
            (bright, dark, bool({"key", "fill"} <= lit and shown[bright] and shown[dark])),
            (EXPOSURE, None, bool(shown[EXPOSURE])),
            (FACE_KEY, FACE_FILL, bool(shown[FACE_KEY] and shown[FACE_FILL])),
        ]
        roles = self._metering.relative_roles
        for k, role in enumerate(roles, start=FIRST_ROLE_ROW):
            by_key = target.reference(role, self._metering.role_rules[role]) == "key"
            pairs.append((k, LIT if by_key else None, bool(shown[k] and (shown[LIT] or not by_key))))
        return roles, pairs

    def _light(self, place: Point, levels: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Lux of all rows (k,), slopes (k, size), and the errors that the model leaves in them [stops]
        (k,)."""
        belief, parts = self._belief, []
        for asked, cheeks in ((self._there_at(place), _CHEEKS), *((own, ()) for own in self._behind)):
            wanted = asked.at(levels, self.daylight)
            lux, slopes = belief.model.lux_and_slopes(belief.figures, wanted, asked.direct)
            coarse = model_sd(belief.model, belief.figures, wanted, lux, self.daylight_sd, cheeks)
            parts.append((lux, slopes, coarse))
        order = np.empty(len(self._is_behind), dtype=np.intp)
        order[np.concatenate([np.flatnonzero(~self._is_behind), np.flatnonzero(self._is_behind)])] = (
            np.arange(len(order))
        )
        lux, slopes, coarse = (np.concatenate(pair)[order] for pair in zip(*parts, strict=True))
        return lux, slopes, coarse

    def _outputs(self, levels: FloatArray) -> FloatArray:
        """Outputs (n,) of heads at levels (n,)."""
        shapes = zip(self._metering.scene.curves, levels.tolist(), strict=True)
        return np.array([float(shape.output_from_level(at)) if at > 0 else 0.0 for shape, at in shapes])

    def _said_lux(self, place: Point, outputs: FloatArray) -> FloatArray:
        """The scene's light in the rows (k,) at outputs (n,), under the daylight of now [lux]."""
        rows = self._rows_at(place)
        return rows.lux(outputs) + (self.daylight - 1) * rows.ambient

    def _moved_stops(self, place: Point, outputs: FloatArray, doubts: tuple[HeadDoubt, ...]) -> FloatArray:
        """Stops (k, d) by which each of the heads in doubt may move the rows."""
        if not doubts:
            return np.zeros((len(self._is_behind), 0))
        heads = [doubt.head for doubt in doubts]
        others, _ = self._far_stops(outputs, doubts)
        lux = self._said_lux(place, outputs)[:, None]
        moved = np.maximum(lux + self._rows_at(place).matrix[:, heads] * (others - outputs[heads]), _DARK_LUX)
        return np.asarray(np.log2(moved / np.maximum(lux, _DARK_LUX)) * [doubt.share for doubt in doubts])

    def _far_stops(self, outputs: FloatArray, doubts: tuple[HeadDoubt, ...]) -> tuple[FloatArray, FloatArray]:
        """The outputs (d,) that heads in doubt may have instead of `outputs` (n,), and the change of
        their own light by that, times its share (d,) [stops]."""
        heads, curves = [doubt.head for doubt in doubts], self._metering.scene.curves
        own = outputs[heads]
        others = np.array(
            [float(curves[d.head].output_from_level(d.level)) if d.level > 0 else 0.0 for d in doubts]
        )
        far = np.log2(np.maximum(others, _OUT) / np.maximum(own, _OUT))
        least = np.array([doubt.least_stops for doubt in doubts])
        far = np.where(np.abs(far) < least, np.where(far < 0, -least, least), far)
        others = np.where(np.abs(far) > least, others, own * np.exp2(far))
        return others, np.abs(far) * [doubt.share for doubt in doubts]

    def _stated_beside_lux(self, place: Point, levels: FloatArray) -> FloatArray:
        """The scene's light in the rows (k,) over what is believed [lux], of heads whose light a calibration
        states without a reading: that is right as stated, as surely as stated."""
        if not self._belief.stated_stops:
            return np.zeros(len(self._is_behind))
        alone, none = np.zeros_like(levels), np.zeros_like(levels)
        stated = list(self._belief.stated_stops)
        alone[stated] = levels[stated]
        said = self._rows_at(place).matrix @ self._outputs(alone)
        return np.asarray(said - (self._light(place, alone)[0] - self._light(place, none)[0]))

    @cached_property
    def _is_behind(self) -> NDArray[np.bool_]:
        """True for rows (k,) of places behind the subject."""
        rules = [self._metering.role_rules[role] == "background" for role in self._metering.relative_roles]
        return np.array([False] * FIRST_ROLE_ROW + rules)

    @cached_property
    def _behind(self) -> tuple[_Asked, ...]:
        """The light on the background, a row a role, which is the same wherever the subject is; none without.

        A role is metered at the aims of its heads; one path a head stands for those to all of them.
        """
        model, rig, metering = self._belief.model, self._rig, self._metering
        roles = [role for role in metering.relative_roles if metering.role_rules[role] == "background"]
        if not roles:
            return ()
        lit = [i for i, head in enumerate(rig.heads) if head.rule != "work"]
        wanted, means = [], []
        for role in roles:
            aims = Counter(rig.aim_of(head) for head in rig.heads if head.role == role)
            x, y, z = np.average(list(aims), axis=0, weights=list(aims.values())).tolist()
            wanted.append(Wanted(tuple(Term(i, 1.0, (x, y, z), CAMERA) for i in lit), (x, y, z), CAMERA))
            means.append(self._mean_direct(lit, aims))
        parts = zip(*((mean.lux, mean.by_setback, mean.by_share) for mean in means), strict=True)
        return (_Asked(model.quantities(wanted), PerCandela(*(np.concatenate(part) for part in parts))),)

    def _mean_direct(self, heads: Sequence[int], aims: Mapping[Point, int]) -> PerCandela:
        """The mean of the direct light from heads (h) on flat receptors at aims that face the camera."""
        model, found = self._belief.model, []
        for aim in aims:
            wanted = Wanted(tuple(Term(i, 1.0, aim, CAMERA) for i in heads), aim)
            found.append(model.direct(self._belief.figures, model.quantities([wanted]).paths))
        weights = list(aims.values())
        lux, deeper, wider = (
            np.average([getattr(one, part) for one in found], axis=0, weights=weights)
            for part in ("lux", "by_setback", "by_share")
        )
        return PerCandela(lux, deeper, wider)

    def _at(self, place: Point) -> tuple[Point, _Asked, _Asked, Rows]:
        if self._there is None or self._there[0] != place:
            wanted = self._wanted_at(place)
            direct = self._belief.model.direct(self._belief.figures, wanted.paths)
            rows, own = _parted(wanted, len(self._is_behind) - int(self._is_behind.sum()))
            self._there = place, _Asked(rows, direct), _Asked(own, direct), self._metering.rows_at(place)
        return self._there

    def _there_at(self, place: Point) -> _Asked:
        return self._at(place)[1]

    def _own_at(self, place: Point) -> _Asked:
        return self._at(place)[2]

    def _rows_at(self, place: Point) -> Rows:
        return self._at(place)[3]

    @cached_property
    def _own_behind(self) -> _Asked:
        """The light of each background head on a flat receptor at its aim that faces the camera."""
        model, rig = self._belief.model, self._rig
        behind = [(i, rig.aim_of(head)) for i, head in enumerate(rig.heads) if head.rule == "background"]
        wanted = model.quantities([Wanted((Term(i, 1.0, aim, CAMERA),), aim) for i, aim in behind])
        return _Asked(wanted, model.direct(self._belief.figures, wanted.paths))

    def _wanted_at(self, place: Point) -> Quantities:
        """The quantities of a subject at a place, made from those of the first mark by moving them there."""
        template, paths, here = self._template, self._template.paths, np.array(place)
        axes = self._metering.cheek_axes(place)
        faced = paths.faced.copy()
        sky = template.sky.copy()
        for row, axis in zip((FACE_KEY, FACE_FILL), axes, strict=True):
            faced[template.path[template.row == row]] = here + axis
            sky[row] = axis
        for row, side in zip((LIT, SHADOW, EXPOSURE), ambient_sides(self._rig), strict=True):
            if side.ambient is not None:
                sky[row] = unit(self._belief.model.target(side.ambient) - here)
        moved = replace(paths, place=np.tile(here, (len(paths), 1)), faced=faced)
        return replace(template, paths=moved, place=np.tile(here, (len(template), 1)), sky=sky)

    @cached_property
    def _template(self) -> Quantities:
        """Lit side, shadow side, exposure, the face's two sides, then the other roles but the background; and
        after these rows the light of each head alone."""
        rig, mark = self._rig, self._rig.first_mark
        heads = list(enumerate(rig.heads))
        sides = ambient_sides(rig)
        wanted = [
            replace(
                side, terms=tuple(Term(i, 1.0, mark, head.name) for i, head in heads if head.rule == rule)
            )
            for rule, side in zip(("key", "fill"), sides, strict=False)
        ]
        exposed, dome = exposure_facing(rig), sides[2].dome
        balanced = tuple(Term(i, 1.0, mark, exposed, dome) for i, h in heads if h.rule in ("key", "fill"))
        wanted.append(replace(sides[2], terms=balanced))
        for axis in self._metering.cheek_axes(mark):
            x, y, z = (float(v) for v in np.array(mark) + axis)
            every = tuple(Term(i, 1.0, mark, (x, y, z)) for i, head in heads if head.rule != "work")
            wanted.append(Wanted(every, mark, (x, y, z)))
        for role in self._metering.relative_roles:
            if self._metering.role_rules[role] != "background":
                own = tuple(Term(i, 1.0, mark, head.name) for i, head in heads if head.role == role)
                wanted.append(Wanted(own, mark))
        wanted += [Wanted((Term(i, 1.0, mark, head.name),), mark) for i, head in heads]
        return self._belief.model.quantities(wanted)


def _parted(wanted: Quantities, rows: int) -> tuple[Quantities, Quantities]:
    """The first quantities, `rows` of them, and the others; both keep all paths."""

    def part(those: NDArray[np.bool_], own: slice, first: int) -> Quantities:
        return replace(
            wanted,
            row=wanted.row[those] - first,
            path=wanted.path[those],
            lamp=wanted.lamp[those],
            place=wanted.place[own],
            sky=wanted.sky[own],
            dome=wanted.dome[own],
            metered=wanted.metered[own],
        )

    others = wanted.row >= rows
    return part(~others, slice(None, rows), 0), part(others, slice(rows, None), rows)


def _with_own(heads: Sequence[OfHead], own_stops: Sequence[float | None]) -> tuple[OfHead, ...]:
    """Reports of heads with the uncertainties of their own light."""
    each = zip(heads, own_stops, strict=True)
    return tuple(head.model_copy(update={"uncertainty_stops": stops}) for head, stops in each)


def own_light(belief: Belief, place: Point, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each head's own light [lux] (n,) at a place and levels (n,), and slopes of its log2 (n, size)."""
    return light_of(
        belief, [own_term(belief.rig, i, level, place) for i, level in enumerate(levels.tolist())]
    )


def own_term(rig: Rig, head: int, level: float, place: Point) -> Term:
    """The light of a head on a flat receptor that faces it at a place; for a background head, on one at its
    aim that faces the camera."""
    own = rig.heads[head]
    at, facing = (rig.aim_of(own), CAMERA) if own.rule == "background" else (place, own.name)
    return Term(head, level, at, facing)


def light_of(belief: Belief, terms: Sequence[Term]) -> tuple[FloatArray, FloatArray]:
    """The light of terms alone (m,) [lux], without ambient light, and slopes of its log2 (m, size)."""
    wanted = belief.model.quantities([Wanted((term,), term.place) for term in terms])
    lux, slopes = belief.model.lux_and_slopes(belief.figures, wanted)
    return lux, log2_slopes(lux, slopes)


def _levels(heads: Sequence[HeadReport | PredictedHead]) -> tuple[list[float], list[bool]]:
    return [head.level for head in heads], [head.output > 0 for head in heads]
