"""Wire codes chosen together, so that rounding costs the ratio and the exposure as little as possible.

Each head may go one code up or down from its own rounding, never below its floor. The choice is the one whose
larger error, of ratio and exposure, is the least. Codes already on the wire stay unless another choice gains
more than 0.02 stop, so that a resting light does not chatter.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fillside.balance.limits import OutputLimits
from fillside.balance.rows import EXPOSURE, FACE_FILL, FACE_KEY, FIRST_ROLE_ROW, LIT, SHADOW, Metering, Rows
from fillside.balance.solver.relative import DARK_LUX, reference_lux
from fillside.balance.target import BalanceTarget
from fillside.rig.scene.scene import Scene

FloatArray = npt.NDArray[np.float64]
Codes = tuple[int, ...]

WORTH_A_CHANGE_STOPS = 0.02
TRY_ALL_UP_TO = 6
"""Up to this many heads are tried in every combination (3^6); more are improved one head at a time."""
GOOD_ENOUGH_STOPS = 1e-4


def own_rounding(scene: Scene, limits: OutputLimits, outputs: FloatArray) -> Codes:
    """Each held head's own wire code for its output (heads,); 0 for the others."""
    return tuple(np.where(limits.held, scene.dimmers.held_codes(outputs), 0).tolist())


@dataclass(frozen=True)
class _Quotient:
    """A target quotient of two metered quantities, each linear in the chosen outputs."""

    above: FloatArray
    below: FloatArray
    above_rest: float
    below_rest: float
    wanted: float

    def error(self, outputs: FloatArray) -> FloatArray:
        """|error| in stops for choices (choices, heads)."""
        above = np.maximum(outputs @ self.above + self.above_rest, 1e-300)
        below = np.maximum(outputs @ self.below + self.below_rest, 1e-300)
        value: FloatArray = np.abs(np.log2(above / below) - math.log2(self.wanted))
        return value


@dataclass(frozen=True)
class _Choice:
    """Heads rounded together: indices, quotients to keep, and a cap on the two sides of the face [lux]."""

    heads: npt.NDArray[np.intp]
    quotients: tuple[_Quotient, ...]
    face: FloatArray
    face_rest: FloatArray
    most_lux: float

    def error(self, outputs: FloatArray) -> FloatArray:
        """The larger |error| in stops per choice (choices, heads); infinite where the face gets too much."""
        worst = np.zeros(len(outputs))
        for quotient in self.quotients:
            worst = np.maximum(worst, quotient.error(outputs))
        if math.isfinite(self.most_lux):
            lux = outputs @ self.face.T + self.face_rest
            worst = np.where((lux > self.most_lux * (1 + 1e-9)).any(axis=1), np.inf, worst)
        return worst


def choose_codes(
    metering: Metering,
    rows: Rows,
    target: BalanceTarget,
    limits: OutputLimits,
    outputs: FloatArray,
    present: Codes | None = None,
) -> Codes:
    """Wire codes for solved outputs (heads,): key and fill together, then each other role.

    Errors count from the solved outputs, which meet the target wherever it can be reached.
    """
    scene = metering.scene
    codes = list(own_rounding(scene, limits, outputs))
    balanced = np.flatnonzero((metering.is_key | metering.is_fill) & limits.held)
    if len(balanced):
        _round_together(scene, limits, codes, _balanced_choice(rows, target, balanced, outputs), present)
    order = sorted(enumerate(rows.roles), key=lambda kr: metering.role_rules[kr[1]] == "background")
    for k, role in order:
        heads = np.flatnonzero(metering.role_masks[role] & limits.held)
        if len(heads):
            now = scene.dimmers.outputs(codes)
            given = ~limits.held & ~np.asarray(scene.fixed)
            now[given] = outputs[given]
            rule = metering.role_rules[role]
            reference = _share(
                reference_lux(rows, target, role, rule, now), reference_lux(rows, target, role, rule, outputs)
            )
            choice = _role_choice(rows, target, FIRST_ROLE_ROW + k, heads, outputs, now, reference)
            _round_together(scene, limits, codes, choice, present)
    return tuple(codes)


def _share(rounded: float, solved: float) -> float:
    """A rounded reference over the solved one; 1 where there is no light."""
    return rounded / solved if rounded > DARK_LUX and solved > DARK_LUX else 1.0


def _balanced_choice(
    rows: Rows, target: BalanceTarget, heads: npt.NDArray[np.intp], outputs: FloatArray
) -> _Choice:
    rest = outputs.copy()
    rest[heads] = 0.0
    fixed, solved = rows.lux(rest), rows.lux(outputs)
    bright, dark = (FACE_KEY, FACE_FILL) if target.read_as == "face" else (LIT, SHADOW)
    part = rows.matrix[:, heads]
    quotients = []
    if solved[EXPOSURE] > DARK_LUX:
        nothing = np.zeros(len(heads))
        quotients.append(
            _Quotient(part[EXPOSURE], nothing, float(fixed[EXPOSURE]), 1.0, float(solved[EXPOSURE]))
        )
    if solved[bright] > DARK_LUX and solved[dark] > DARK_LUX:
        wanted = float(solved[bright] / solved[dark])
        if target.read_as == "key+fill:fill":
            both, both_rest = part[bright] + part[dark], float(fixed[bright] + fixed[dark])
            quotients.append(_Quotient(both, part[dark], both_rest, float(fixed[dark]), wanted + 1))
        else:
            quotients.append(
                _Quotient(part[bright], part[dark], float(fixed[bright]), float(fixed[dark]), wanted)
            )
    face = [FACE_KEY, FACE_FILL]
    return _Choice(heads, tuple(quotients), part[face], fixed[face], _most_lux(target))


def _role_choice(
    rows: Rows,
    target: BalanceTarget,
    row: int,
    heads: npt.NDArray[np.intp],
    outputs: FloatArray,
    now: FloatArray,
    scale: float,
) -> _Choice:
    rest = now.copy()
    rest[heads] = 0.0
    fixed = rows.lux(rest)
    solved = float(rows.lux(outputs)[row]) * scale
    part, face = rows.matrix[:, heads], [FACE_KEY, FACE_FILL]
    own = _Quotient(part[row], np.zeros(len(heads)), float(fixed[row]), 1.0, solved)
    return _Choice(heads, (own,) if solved > DARK_LUX else (), part[face], fixed[face], _most_lux(target))


def _most_lux(target: BalanceTarget) -> float:
    return math.inf if target.most_lux is None else target.most_lux


@dataclass(frozen=True)
class _Options:
    """The allowed codes of each head of a choice, and the outputs they give."""

    codes: list[list[int]]
    outputs: list[FloatArray]

    @classmethod
    def near(cls, scene: Scene, limits: OutputLimits, codes: Sequence[int], heads: list[int]) -> _Options:
        """The codes at most one away from the given ones, within the limits of the heads."""
        near = np.array(codes, dtype=np.int64) + np.array([[-1], [0], [1]])
        allowed = (near >= np.array(limits.floor_codes)) & (near <= scene.dimmers.full)
        outputs = scene.dimmers.outputs(np.clip(near, 0, scene.dimmers.full))
        return cls(
            [near[allowed[:, i], i].tolist() for i in heads], [outputs[allowed[:, i], i] for i in heads]
        )


def _round_together(
    scene: Scene, limits: OutputLimits, codes: list[int], choice: _Choice, present: Codes | None
) -> None:
    """Write the best codes of the heads in `choice` into `codes`."""
    heads = choice.heads.tolist()
    options = _Options.near(scene, limits, codes, heads)
    best = _all_choices(options, choice) if len(heads) <= TRY_ALL_UP_TO else None
    chosen = _one_at_a_time(scene, codes, options, choice) if best is None else best
    if present is not None and _keeps(scene, limits, chosen, choice, present):
        chosen = [present[i] for i in heads]
    for i, code in zip(heads, chosen, strict=True):
        codes[i] = code


def _all_choices(options: _Options, choice: _Choice) -> list[int]:
    grid = np.stack([axis.ravel() for axis in np.meshgrid(*options.outputs, indexing="ij")], axis=1)
    error = choice.error(grid)
    at = int(np.argmin(error))
    if math.isinf(error[at]):
        return [option[0] for option in options.codes]
    index = np.unravel_index(at, [len(option) for option in options.codes])
    return [option[int(k)] for option, k in zip(options.codes, index, strict=True)]


def _one_at_a_time(scene: Scene, codes: list[int], options: _Options, choice: _Choice) -> list[int]:
    chosen = [codes[i] for i in choice.heads]
    now = scene.dimmers.outputs(codes)[choice.heads]
    error = float(choice.error(now[np.newaxis])[0])
    moves = [(k, code) for k, option in enumerate(options.codes) for code in option]
    move_outputs = np.concatenate(options.outputs)
    for _ in range(len(chosen)):
        if error <= GOOD_ENOUGH_STOPS:
            break
        trial = np.repeat(now[np.newaxis], len(moves), axis=0)
        trial[np.arange(len(moves)), [k for k, _ in moves]] = move_outputs
        errors = choice.error(trial)
        at = int(np.argmin(errors))
        if not errors[at] < error - 1e-12:
            break
        error, now = float(errors[at]), trial[at]
        chosen[moves[at][0]] = moves[at][1]
    return chosen


def _keeps(scene: Scene, limits: OutputLimits, chosen: list[int], choice: _Choice, present: Codes) -> bool:
    """True where the present codes are allowed, and nearly as good as those chosen."""
    heads, kept = choice.heads, np.array(present, dtype=np.int64)
    if ((kept < np.array(limits.floor_codes)) | (kept > scene.dimmers.full))[heads].any():
        return False
    other = kept.copy()
    other[heads] = chosen
    errors = choice.error(scene.dimmers.outputs(np.stack([kept, other]))[:, heads])
    return bool(np.isfinite(errors[0]) and errors[0] <= errors[1] + WORTH_A_CHANGE_STOPS)


Trims = Mapping[str, float | None]
"""Stops by role on top of the balance; None puts the role out."""

HALVINGS = 24


def trim_codes(
    metering: Metering, rows: Rows, target: BalanceTarget, limits: OutputLimits, codes: Codes, trims: Trims
) -> Codes:
    """The codes with the light of each trimmed role times 2^stops, within limits; other codes are unchanged.

    A trim of 0 gives the codes back exactly. Where upward trims would put more than `most_lux` on the face,
    all of them stop short of it together.
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
    """Each trimmed role's codes, with only a share of every trim upward."""
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
