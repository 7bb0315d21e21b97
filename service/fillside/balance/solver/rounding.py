"""Wire codes chosen together, so that rounding costs the ratio and the exposure as little as possible.

Each head may go one code up or down from its own rounding, never below its floor. The choice minimizes the
larger of the errors in ratio and exposure. Codes already on the wire stay unless another choice gains more
than 0.02 stop, so that a resting light does not chatter.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache, reduce

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import OutputLimits
from fillside.balance.rows import (
    EXPOSURE,
    FACE_FILL,
    FACE_KEY,
    FIRST_ROLE_ROW,
    Metering,
    Rows,
    compared_sides,
)
from fillside.balance.solver.relative import DARK_LUX, reference_lux
from fillside.balance.solver.supply import HeldHeads, Supply
from fillside.balance.target import BalanceTarget
from fillside.rig.scene.scene import Scene

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Codes = tuple[int, ...]

WORTH_A_CHANGE_STOPS = 0.02
TRY_ALL_UP_TO = 6
"""Up to this many heads are tried in every combination (3^6); more are improved one head at a time."""
GOOD_ENOUGH_STOPS = 1e-4
_ONE_APART = np.array([[-1], [0], [1]])


def own_rounding(scene: Scene, limits: OutputLimits, outputs: FloatArray) -> Codes:
    """Round each held head's output (heads,) to a wire code by itself; 0 for the others."""
    return tuple(_own_rounding(scene, limits, outputs).tolist())


def _own_rounding(scene: Scene, limits: OutputLimits, outputs: FloatArray) -> IntArray:
    return np.where(limits.held, scene.dimmers.held_codes(outputs), 0)


@dataclass(frozen=True)
class _Quotient:
    """A target quotient of two metered quantities, each linear in the chosen outputs; without `below`, a
    target of the first alone."""

    wanted: float
    above: FloatArray
    above_rest: float
    below: FloatArray | None = None
    below_rest: float = 0.0

    def error(self, outputs: FloatArray) -> FloatArray:
        """|error| in stops for choices (choices, heads)."""
        quotient = np.maximum(outputs @ self.above + self.above_rest, 1e-300)
        if self.below is not None:
            quotient /= np.maximum(outputs @ self.below + self.below_rest, 1e-300)
        value: FloatArray = np.abs(np.log2(quotient) - math.log2(self.wanted))
        return value


@dataclass(frozen=True)
class _Choice:
    """Heads rounded together: indices, quotients to keep, and a cap on the two sides of the face, if any.

    `part` (rows, heads) and `rest` (rows,) are the light of these heads at full and of all others [lux].
    """

    heads: npt.NDArray[np.intp]
    quotients: tuple[_Quotient, ...]
    part: FloatArray
    rest: FloatArray
    most_lux: float | None

    def error(self, outputs: FloatArray) -> FloatArray:
        """Return the larger |error| [stops] of choices (choices, heads); infinite with too much on the
        face."""
        errors = [quotient.error(outputs) for quotient in self.quotients]
        worst: FloatArray = reduce(np.maximum, errors) if errors else np.zeros(len(outputs))
        if self.most_lux is not None:
            face = [FACE_KEY, FACE_FILL]
            lux = outputs @ self.part[face].T + self.rest[face]
            worst = np.where((lux > self.most_lux * (1 + 1e-9)).any(axis=1), np.inf, worst)
        return worst


def choose_codes(
    supply: Supply, target: BalanceTarget, outputs: FloatArray, present: Codes | None = None
) -> Codes:
    """Choose wire codes for solved outputs (heads,): key and fill together, then each other role.

    Errors count from the solved outputs, which meet the target if it can be reached.
    """
    rounding, rows = _Rounding(supply.heads, outputs, present), supply.rows
    solved = rows.lux(outputs)
    if len(supply.heads.balanced):
        rounding.round_together(_balanced_choice(supply, target, outputs, solved))
    for role, heads in supply.heads.of_role.items():
        if len(heads):
            rule, row = supply.metering.role_rules[role], FIRST_ROLE_ROW + rows.roles.index(role)
            now = np.where(supply.heads.is_given, outputs, rounding.outputs)
            reference = _share(
                reference_lux(rows, target, role, rule, now),
                reference_lux(rows, target, role, rule, outputs),
            )
            wanted_lux = float(solved[row]) * reference
            rounding.round_together(_role_choice(rows, target, row, heads, now, wanted_lux))
    return rounding.codes


def _share(rounded: float, solved: float) -> float:
    """Return a rounded reference over the solved one; 1 if there is no light."""
    return rounded / solved if rounded > DARK_LUX and solved > DARK_LUX else 1.0


def _balanced_choice(
    supply: Supply, target: BalanceTarget, outputs: FloatArray, solved: FloatArray
) -> _Choice:
    """Return the choice of key and fill; `solved` (rows,) is the light of the solved outputs [lux]."""
    heads, fixed, part = supply.heads.balanced, supply.rows.ambient, supply.by_balanced
    if len(heads) < len(outputs):
        rest = outputs.copy()
        rest[heads] = 0.0
        fixed = supply.rows.lux(rest)
    bright, dark = compared_sides(target.read_as)
    quotients = []
    if solved[EXPOSURE] > DARK_LUX:
        quotients.append(_Quotient(float(solved[EXPOSURE]), part[EXPOSURE], float(fixed[EXPOSURE])))
    if solved[bright] > DARK_LUX and solved[dark] > DARK_LUX:
        wanted = float(solved[bright] / solved[dark])
        if target.read_as == "key+fill:fill":
            both, both_rest = part[bright] + part[dark], float(fixed[bright] + fixed[dark])
            quotients.append(_Quotient(wanted + 1, both, both_rest, part[dark], float(fixed[dark])))
        else:
            quotients.append(
                _Quotient(wanted, part[bright], float(fixed[bright]), part[dark], float(fixed[dark]))
            )
    return _Choice(heads, tuple(quotients), part, fixed, target.most_lux)


def _role_choice(
    rows: Rows,
    target: BalanceTarget,
    row: int,
    heads: npt.NDArray[np.intp],
    now: FloatArray,
    wanted_lux: float,
) -> _Choice:
    rest = now.copy()
    rest[heads] = 0.0
    fixed = rows.lux(rest)
    part = rows.matrix[:, heads]
    own = _Quotient(wanted_lux, part[row], float(fixed[row]))
    return _Choice(heads, (own,) if wanted_lux > DARK_LUX else (), part, fixed, target.most_lux)


class _Rounding:
    """The codes of all heads and their outputs while roles are rounded, one after the other.

    All codes that may be chosen are converted once, at the start: those at most one away from each head's own
    rounding, and the present ones.
    """

    def __init__(self, heads: HeldHeads, outputs: FloatArray, present: Codes | None) -> None:
        scene = heads.metering.scene
        dimmers, own = scene.dimmers, _own_rounding(scene, heads.limits, outputs)
        self._floors, self._full = heads.floor_codes, dimmers.full
        codes = np.empty((3 if present is None else 4, len(own)), dtype=np.int64)
        self._near = codes[:3]
        np.add(own, _ONE_APART, out=self._near)
        if present is not None:
            codes[3] = present
        # Codes that do not exist give the outputs of the nearest that do.
        found = dimmers.outputs(codes)
        self._near_outputs = found[:3]
        self._allowed = (self._near >= self._floors) & (self._near <= self._full)
        self._present = None if present is None else codes[3]
        self._present_outputs = None if present is None else found[3]
        self._codes, self.outputs = own, self._near_outputs[1].copy()

    @property
    def codes(self) -> Codes:
        return tuple(self._codes.tolist())

    def round_together(self, choice: _Choice) -> None:
        """Take the best codes for a choice's heads, or their present codes if those are nearly as good."""
        heads, kept_outputs = choice.heads, self._kept_outputs(choice.heads)
        kept_error = math.inf if kept_outputs is None else _error_of(choice, kept_outputs)
        if kept_outputs is not None and kept_error <= WORTH_A_CHANGE_STOPS:
            self._keep(heads, kept_outputs)
            return
        few = len(heads) <= TRY_ALL_UP_TO
        steps, error = self._all_choices(choice) if few else self._one_at_a_time(choice)
        nearly_as_good = math.isfinite(kept_error) and kept_error <= error + WORTH_A_CHANGE_STOPS
        if kept_outputs is not None and nearly_as_good:
            self._keep(heads, kept_outputs)
            return
        self._codes[heads] = self._near[steps, heads]
        self.outputs[heads] = self._near_outputs[steps, heads]

    def _kept_outputs(self, heads: npt.NDArray[np.intp]) -> FloatArray | None:
        """Return the outputs of the present codes of heads; None if there are none that are allowed."""
        if self._present is None or self._present_outputs is None:
            return None
        kept = self._present[heads]
        allowed = (kept >= self._floors[heads]) & (kept <= self._full[heads])
        return self._present_outputs[heads] if allowed.all() else None

    def _keep(self, heads: npt.NDArray[np.intp], kept_outputs: FloatArray) -> None:
        assert self._present is not None, "there are codes to keep"
        self._codes[heads], self.outputs[heads] = self._present[heads], kept_outputs

    def _all_choices(self, choice: _Choice) -> tuple[list[int], float]:
        """Return the steps of the best choice of all, and its error."""
        allowed = self._allowed[:, choice.heads].T.tolist()
        steps = _combinations(tuple(map(tuple, allowed)))
        errors = choice.error(self._near_outputs[steps, choice.heads])
        at = int(errors.argmin())
        # With too much on the face in any case, the first has every head at its lowest.
        error = float(errors[at])
        chosen: list[int] = steps[0 if math.isinf(error) else at].tolist()
        return chosen, error

    def _one_at_a_time(self, choice: _Choice) -> tuple[list[int], float]:
        """Return the steps of a good choice, and its error.

        Start from each head's own rounding and change one head at a time while that gains."""
        chosen = [1] * len(choice.heads)
        now = self._near_outputs[1, choice.heads]
        error = float(choice.error(now[np.newaxis])[0])
        if error <= GOOD_ENOUGH_STOPS:
            return chosen, error
        move_heads, move_steps = self._allowed[:, choice.heads].T.nonzero()
        move_outputs = self._near_outputs[move_steps, choice.heads[move_heads]]
        trial = np.repeat(now[np.newaxis], len(move_heads), axis=0)
        trial[np.arange(len(move_heads)), move_heads] = move_outputs
        for _ in range(len(chosen)):
            errors = choice.error(trial)
            at = int(np.argmin(errors))
            if not errors[at] < error - 1e-12:
                break
            error, head = float(errors[at]), int(move_heads[at])
            chosen[head] = int(move_steps[at])
            if error <= GOOD_ENOUGH_STOPS:
                break
            trial[:, head] = move_outputs[at]
            own_moves = move_heads == head
            trial[own_moves, head] = move_outputs[own_moves]
        return chosen, error


def _error_of(choice: _Choice, outputs: FloatArray) -> float:
    """Return the error [stops] of one choice (heads,)."""
    # Two rows, since one alone sums in another order than many do.
    return float(choice.error(np.array((outputs, outputs)))[0])


@lru_cache(maxsize=64)
def _combinations(allowed: tuple[tuple[bool, ...], ...]) -> npt.NDArray[np.intp]:
    """Return all choices (choices, heads) of one allowed step for each head."""
    steps = [[step for step, may in enumerate(of_head) if may] for of_head in allowed]
    return np.array(list(itertools.product(*steps)), dtype=np.intp)


Trims = Mapping[str, float | None]
"""Stops by role on top of the balance; None puts the role out."""

HALVINGS = 24


def trim_codes(
    metering: Metering, rows: Rows, target: BalanceTarget, limits: OutputLimits, codes: Codes, trims: Trims
) -> Codes:
    """Multiply the light of each trimmed role by 2^stops, within limits; other codes are unchanged.

    A trim of 0 returns the codes exactly. If upward trims would put more than `most_lux` on the face, all of
    them stop short of it together.
    """
    active = {role: stops for role, stops in trims.items() if stops != 0}
    if not active:
        return codes
    trimmed = _trimmed(metering.scene, limits, codes, active, 1.0)
    upward = any(stops is not None and stops > 0 for stops in active.values())
    if not upward or _face_allows(metering.scene, rows, target, trimmed):
        return trimmed
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        allowed = _face_allows(
            metering.scene, rows, target, _trimmed(metering.scene, limits, codes, active, middle)
        )
        low, high = (middle, high) if allowed else (low, middle)
    return _trimmed(metering.scene, limits, codes, active, low)


def _face_allows(scene: Scene, rows: Rows, target: BalanceTarget, codes: Codes) -> bool:
    if target.most_lux is None:
        return True
    lux = rows.lux(scene.dimmers.outputs(codes))
    return bool(max(lux[FACE_KEY], lux[FACE_FILL]) <= target.most_lux * (1 + 1e-9))


def _trimmed(scene: Scene, limits: OutputLimits, codes: Codes, trims: Trims, share_upward: float) -> Codes:
    """Return each trimmed role's codes, with only a share of every trim upward."""
    trimmed = list(codes)
    for i, role in enumerate(scene.roles):
        stops = trims.get(role, 0.0)
        if not limits.held[i] or stops == 0:
            continue
        if stops is None:
            trimmed[i] = 0
            continue
        by = stops * share_upward if stops > 0 else stops
        if by != 0:
            output = scene.dimmers.output(i, codes[i]) * math.exp2(by)
            trimmed[i] = scene.dimmers.held_code(i, min(output, 1.0))
    return tuple(trimmed)
