"""The outputs that meet the target ratio and exposure, or come as near as the lamps can.

All answers lie on the way through the plane of key and fill (`plane`), which has the exposure nearest the
target for every mix of the two. Each demand is a stretch of the way. Demands are met in order, each as far as
earlier ones leave room; a stretch out of reach is met at its nearest point:

  protect ratio     most light on the face; exposure not far over; ratio not reversed; exposure not far
                    under; the target ratio.
  protect exposure  most light on the face; ratio not reversed; the exposure; the target ratio.

The ends of stretches move as smoothly as the light does, and so does the answer. `ratio` describes the search
where the mix hardly changes the ratio: daylight drowns a lamp, or both lamps are on one bearing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY
from fillside.balance.solver.ground import ground_of
from fillside.balance.solver.plane import KEPT, Plane, Stretch, Way, Within
from fillside.balance.solver.ratio import RatioSearch
from fillside.balance.solver.relative import hold_relative_roles
from fillside.balance.solver.supply import HeldHeads, Supply
from fillside.balance.solver.weight import DROPS_OUT, Weights, weigh
from fillside.balance.target import BalanceTarget

FloatArray = npt.NDArray[np.float64]

AGREED_OUTPUT = 1e-12
ROUNDS = 40
"""Most rounds that account for the spill of background heads on the face; it shrinks each time."""
NO_SIDE_STOPS = 0.05
"""A target this close to 1:1 has no brighter side."""
OVER_WEIGHS = 4.0
"""The factor by which the bound on overexposure keeps its full width longer than the other bounds."""
LIFTED_FROM = 8 * DROPS_OUT
"""Weight below which a role moves toward full, which it reaches when it drops out."""


@dataclass(frozen=True)
class SolvedOutputs:
    """Outputs (heads,) before rounding, and the bounds met besides the limits of the heads.

    `bounds` may hold "most_over" and "most_under" (the exposure that keeping the ratio may cost) and
    "most_lux"; `dropped` the roles among "key" and "fill" that give too little here to count.
    """

    outputs: FloatArray
    bounds: tuple[str, ...]
    dropped: tuple[str, ...] = ()


def solve(supply: Supply, target: BalanceTarget) -> SolvedOutputs:
    """Return the outputs nearest to the target under its policy; legal rows never cause an error or NaN."""
    heads, rows = supply.heads, supply.rows
    ground, weights = ground_of(supply, target), weigh(supply, target)
    key, fill, alone = ground.key, supply.fill, not heads.has_key_and_fill
    outputs = supply.limits.least.copy()
    plane, base = ground.plane, ground.base
    coupled = _couples(heads, target)
    for _ in range(ROUNDS):
        rest = rows.ambient
        if target.read_as == "face":
            rest = rows.lux(np.where(heads.is_balanced, 0.0, base))
        policy = _Policy(plane, target, weights, rest, rows.ambient, alone)
        a, b = policy.answer()
        outputs[key.heads], outputs[fill.heads] = key.outputs_at(a), fill.outputs_at(b)
        hold_relative_roles(supply, target, outputs)
        if not coupled:
            break
        known, base = base, ground.without_plane(outputs)
        if float(np.abs(base - known).max(initial=0.0)) < AGREED_OUTPUT:
            break
        plane = replace(plane, base=rows.lux(base))
    _spare_the_face(supply, target, outputs)
    return SolvedOutputs(outputs, policy.bounds, () if alone else weights.dropped)


def _couples(heads: HeldHeads, target: BalanceTarget) -> bool:
    """Return true if heads outside the plane light a quantity that is held in it."""
    return heads.has_others and (target.read_as == "face" or target.most_lux is not None)


def _spare_the_face(supply: Supply, target: BalanceTarget, outputs: FloatArray) -> None:
    """Lower the other roles, in place, if the face would get too much light."""
    if target.most_lux is None:
        return
    rows, others = supply.rows, supply.heads.is_other
    spared = outputs.copy()
    spared[others] = supply.limits.least[others]
    share = 1.0
    for side in (FACE_KEY, FACE_FILL):
        now, least = (float(rows.matrix[side] @ o + rows.ambient[side]) for o in (outputs, spared))
        if now > target.most_lux * (1 + 10 * KEPT) and now - least > KEPT * now:
            share = min(share, max(0.0, (target.most_lux - least) / (now - least)))
    outputs += (1 - share) * (spared - outputs)


def _nearest_part(stretch: Stretch, wanted: Stretch) -> Stretch:
    """Return the part of a wanted stretch that lies in another, or the other's nearest end."""
    low, high = stretch
    return min(max(wanted[0], low), high), min(max(wanted[1], low), high)


class _Policy:
    """The demands of the target in order, on the way through one plane."""

    def __init__(
        self,
        plane: Plane,
        target: BalanceTarget,
        weights: Weights,
        rest: FloatArray,
        ambient: FloatArray,
        alone: bool,
    ) -> None:
        self._target, self._weights, self._alone = target, weights, alone
        self._plane = plane
        self._ratio = RatioSearch(plane, target, weights, rest, ambient)
        self._way: Way = self._ratio.way
        self._exposure = self._way.lux[EXPOSURE]
        self._low, self._high = self._way.point(plane.least_mix), self._way.point(plane.most_mix)
        self._known: Within | None = None
        self.bounds: tuple[str, ...] = ()

    def answer(self) -> tuple[float, float]:
        """Return the common outputs of key and fill; set `bounds` to the bounds that are met."""
        face = self._face()
        if self._alone or self._weights.dropped:
            at = self._without_ratio(face)
        elif self._target.protect == "ratio":
            at = self._protect_ratio(face)
        else:
            exposed = self._exposed(face)
            stretch = _nearest_part(_nearest_part(face, self._right_way_round(exposed)), exposed)
            at = _nearest_part(stretch, (self._ratio.wanted(),) * 2)[0]
        if self._meets_the_face(at):
            self.bounds = (*self.bounds, "most_lux")
        return self._outputs_at(at)

    def _protect_ratio(self, face: Stretch) -> float:
        target, weight = self._target, self._weights.both
        over = max(target.exposure_lux, float(self._exposure[self._low]))
        wanted = self._ratio.wanted()
        least = min(target.exposure_lux, float(self._exposure[self._high]))
        exposure = self._way.row_at(EXPOSURE, wanted)
        plain = weight >= 1 and target.most_lux is None
        if plain and least * (1 - KEPT) <= exposure <= over * (1 + KEPT):
            return wanted
        not_over = self._way.within(EXPOSURE, over, min(1.0, OVER_WEIGHS * weight) * target.most_over)
        if plain:
            bright_enough = least <= 0 or self._not_under(least).holds(wanted)
            if bright_enough and not_over.holds(wanted) and not_over.holds(self._high):
                return wanted
        return self._within_bounds(face, not_over.stretch, wanted)

    def _within_bounds(self, face: Stretch, not_over: Stretch, wanted: float) -> float:
        """Return the position within the bounds nearest to the wanted one; set `bounds` to those met."""
        target, weight = self._target, self._weights.both
        within = _nearest_part(face, not_over)
        most = min(max(float(self._high), within[0]), within[1])
        under = min(target.exposure_lux, self._way.row_at(EXPOSURE, most))
        not_under = within
        if under > 0:
            not_under = self._not_under(under).near(wanted)
        if weight >= 1 and max(within[0], not_under[0]) <= wanted <= min(within[1], not_under[1]):
            return wanted
        turned = _nearest_part(within, self._right_way_round(not_over))
        stretch = _nearest_part(turned, not_under)
        at = _nearest_part(stretch, (wanted, wanted))[0]
        if at != wanted:
            self._name_bound(at, not_over, turned, not_under)
        return at

    def _not_under(self, lux: float) -> Within:
        """Return the positions where the exposure is no farther under `lux` than the ratio may cost."""
        if self._known is None or self._known.lux != lux:
            self._known = self._way.within(EXPOSURE, lux, -self._weights.both * self._target.most_under)
        return self._known

    def _name_bound(self, at: float, not_over: Stretch, turned: Stretch, not_under: Stretch) -> None:
        inside = 0.0, len(self._way.mix) - 1.0
        if at in not_over and at not in inside:
            self.bounds = ("most_over",)
        elif at in not_under and at not in inside and at not in turned:
            self.bounds = ("most_under",)

    def _face(self) -> Stretch:
        """Return the positions with no more on the face than allowed; else that of both roles' least."""
        if self._target.most_lux is None:
            return 0.0, len(self._way.mix) - 1.0
        spans = [self._way.around(self._low, side, self._target.most_lux) for side in (FACE_KEY, FACE_FILL)]
        low, high = max(span[0] for span in spans), min(span[1] for span in spans)
        return (low, high) if low <= high else (float(self._low), float(self._low))

    def _meets_the_face(self, at: float) -> bool:
        if self._target.most_lux is None:
            return False
        lux = [self._way.row_at(row, at) for row in (FACE_KEY, FACE_FILL, EXPOSURE)]
        return (
            max(lux[:2]) >= self._target.most_lux * (1 - 1e-6)
            and abs(lux[2] / self._target.exposure_lux - 1) > KEPT
        )

    def _exposed(self, face: Stretch) -> Stretch:
        """Return the positions where the exposure is met, or the point nearest to that."""
        off = np.abs(self._exposure / self._target.exposure_lux - 1)
        first = math.ceil(face[0])
        met = (off[first : int(face[1]) + 1] <= KEPT).nonzero()[0]
        if len(met):
            return float(first + met[0]), float(first + met[-1])
        if self._exposure[self._low] > self._target.exposure_lux:
            return _nearest_part(face, (float(self._low),) * 2)
        if self._target.most_lux is None:
            return float(self._high), float(self._high)
        low, high = math.ceil(face[0]), int(face[1])
        ends = [(self._way.row_at(EXPOSURE, at), at) for at in face]
        if low <= high:
            most = low + int(np.argmax(self._exposure[low : high + 1]))
            ends.append((float(self._exposure[most]), float(most)))
        return (max(ends)[1],) * 2

    def _right_way_round(self, exposed: Stretch) -> Stretch:
        """Return the positions where the target's dark side is not brighter; eased for a weak role."""
        if abs(math.log2(self._target.quotient)) <= NO_SIDE_STOPS:
            return 0.0, len(self._way.mix) - 1.0
        return self._ratio.right_way_round(exposed)

    def _without_ratio(self, face: Stretch) -> float:
        """Return the position that holds the exposure alone, with a role that dropped out at full."""
        exposed = self._exposed(face)
        if "key" in self._weights.dropped and not self._alone:
            full = np.flatnonzero(self._way.key >= self._way.key[-1] * (1 - KEPT))
            return _nearest_part(face, (float(full[0]),) * 2)[0]
        if "fill" in self._weights.dropped and not self._alone:
            full = np.flatnonzero(self._way.fill >= self._way.fill[0] * (1 - KEPT))
            return _nearest_part(face, (float(full[-1]),) * 2)[0]
        return exposed[0]

    def _outputs_at(self, at: float) -> tuple[float, float]:
        """Return the outputs at a position; a role that is about to drop out moves toward full."""
        a, b = self._way.at(at)
        if self._alone or self._weights.both >= LIFTED_FROM:
            return a, b
        lifted = (
            _toward_full(a, self._plane.key.common[-1], self._weights.key),
            _toward_full(b, self._plane.fill.common[-1], self._weights.fill),
        )
        return lifted if self._face_allows(lifted) else (a, b)

    def _face_allows(self, outputs: tuple[float, float]) -> bool:
        if self._target.most_lux is None:
            return True
        lux = self._plane.lux_at(np.array([outputs[0]]), np.array([outputs[1]]))
        return float(lux[[FACE_KEY, FACE_FILL], 0].max()) <= self._target.most_lux


def _toward_full(output: float, full: float, weight: float) -> float:
    if weight >= LIFTED_FROM or output <= 0 or full <= output:
        return output
    kept = max(0.0, math.log2(max(weight, DROPS_OUT) / DROPS_OUT) / math.log2(LIFTED_FROM / DROPS_OUT))
    return float(output**kept * full ** (1 - kept))
