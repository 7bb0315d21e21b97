"""The reasons for errors of the light: limits of the lamps, steps of the wire, and waiting.

Theory. The error of a quantity has three parts, separated by evaluating the light three times:

    lamps   the solution before rounding, at the place it was solved for
    wire    the codes at that place, minus the line above
    wait    the codes at the present place of the subject, minus the line above

A quantity outside its band gets a reason for each part that counts, and always for the largest part.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fillside.balance.judgement.deviations import (
    EXPOSURE,
    RATIO,
    errors_of,
    of_role,
    off_words,
    role_of,
    stops_words,
)
from fillside.balance.limits import OutputLimits
from fillside.balance.measure import measure
from fillside.balance.report import (
    LimitKind,
    LimitReport,
    TargetReport,
    achieved_of,
    limit_of,
    target_report_of,
)
from fillside.balance.rows import EXPOSURE as EXPOSURE_ROW
from fillside.balance.rows import FACE_FILL, FACE_KEY, Metering, Rows
from fillside.balance.solver.rounding import Codes, Trims
from fillside.balance.solver.solve import SolvedOutputs
from fillside.balance.solver.supply import supply_of
from fillside.balance.solver.weight import dropped_roles
from fillside.balance.target import BalanceTarget
from fillside.rig.notation import stop_noun
from fillside.rig.scene.scene import Scene

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

COUNTS_FROM_STOPS = 0.02
"""Smallest part of an error that needs a reason: no code on a wire changes for less."""
SHARE_THAT_COUNTS = 0.1
"""Smallest share of the error that a part must have to explain it."""
CAN_STRAY_STEPS = 2.0
"""Largest error that the wire can explain, in steps of the head on its wire."""
CLEARLY_OVER = 1.1
"""Factor over `most_lux` that leaves no doubt. The light on the face is scaled with the exposure, although
its ambient part does not grow; beyond this factor the face gets too much in any room."""


@dataclass(frozen=True)
class JudgedLight:
    """A light to be judged: the solution, and the codes the light is going to.

    `solved_rows` are the rows that the solution is for, `rows` those of the subject's present place; both are
    the same object if the place is the same. `untrimmed` (heads,) are the outputs before trims and
    `final_outputs` (heads,) those of `codes`, the light's final state. `reachable` (heads,) are the heads
    that can be reached, `reliable` those of them that obey and stay.
    """

    metering: Metering
    target: BalanceTarget
    limits: OutputLimits
    solved: SolvedOutputs
    solved_rows: Rows
    rows: Rows
    untrimmed: FloatArray
    codes: Codes
    final_outputs: FloatArray
    reachable: BoolArray
    reliable: BoolArray
    trims: Trims

    @property
    def scene(self) -> Scene:
        """The rig as numbers."""
        return self.metering.scene

    @cached_property
    def target_report(self) -> TargetReport:
        """The target at the present place, trims included."""
        return target_report_of(self.metering, self.rows, self.target, self.untrimmed, self.trims)

    @cached_property
    def unrounded(self) -> FloatArray:
        """The solved outputs (heads,) with trims, within the limits of the lamps."""
        outputs = self.solved.outputs.copy()
        for role, stops in self.trims.items():
            heads = self.metering.role_masks[role] & self.limits.held
            outputs[heads] = self._trimmed(outputs, heads, stops)
        return outputs

    @cached_property
    def capped(self) -> bool:
        """True if upward trims stop short because the face would get too much light."""
        most = self.target.most_lux
        if most is None or not any(stops is not None and stops > 0 for stops in self.trims.values()):
            return False
        lux = self.solved_rows.lux(self.unrounded)
        return bool(max(lux[FACE_KEY], lux[FACE_FILL]) > most)

    def _trimmed(self, outputs: FloatArray, heads: BoolArray, stops: float | None) -> FloatArray:
        if stops is None:
            return np.zeros(int(heads.sum()))
        wanted: FloatArray = outputs[heads] * math.exp2(stops)
        return np.clip(wanted, self.limits.least[heads], self.limits.most[heads])

    def errors_at(self, rows: Rows, outputs: FloatArray, target_report: TargetReport) -> dict[str, float]:
        """Return the errors of outputs (heads,) at the place of `rows`."""
        now = measure(self.metering, rows, self.target, outputs, self.dropped_at(rows))
        return errors_of(target_report, achieved_of(self.target, target_report, now))

    def dropped_at(self, rows: Rows) -> tuple[str, ...]:
        """Return the roles among "key" and "fill" that give too little to count at the place of `rows`."""
        return self._dropped if rows is self.solved_rows else self._dropped_from(rows)

    @cached_property
    def _dropped(self) -> tuple[str, ...]:
        return self._dropped_from(self.solved_rows)

    def _dropped_from(self, rows: Rows) -> tuple[str, ...]:
        return dropped_roles(supply_of(self.metering, rows, self.limits), self.target)


def bound(at: LimitKind, says: str, role: str | None = None) -> LimitReport:
    """Return a limit that belongs to no head."""
    return LimitReport(head=None, role=role, at=at, says=says)


def at_limits(light: JudgedLight, what: str, outputs: FloatArray) -> Iterator[LimitReport]:
    """Yield the limits of a quantity's heads that are at an end of their range at outputs (heads,)."""
    for i in np.flatnonzero(_heads_of(light, what) & light.reliable):
        end = limit_of(light.limits, int(i), float(outputs[i]))
        if end is not None:
            name, role = light.scene.names[i], light.scene.roles[i]
            yield LimitReport(head=name, role=role, at=end, says=f"{name} is at its {_END[end]}")


_END = {"full": "full light", "floor": "floor"}


def trims_short(light: JudgedLight, roles: Iterable[str], frozen: bool) -> Iterator[LimitReport]:
    """Yield the limits that keep these roles' trims from being met; `frozen`: trims on frozen levels."""
    outputs = light.final_outputs if frozen else light.unrounded
    for role in roles:
        if light.trims.get(role, 0.0) != 0:
            yield from at_limits(light, of_role(role), outputs)
    if light.capped and not frozen:
        yield at_most_lux(light)


def at_most_lux(light: JudgedLight) -> LimitReport:
    """Return the limit for a face that gets as much light as it may."""
    text = f"the brighter side of the face is at its most, {light.target.most_lux:.0f} lx"
    return bound("most_lux", text)


def _heads_of(light: JudgedLight, what: str) -> BoolArray:
    """Return the heads whose light makes up a quantity."""
    metering, role = light.metering, role_of(what)
    if role is not None:
        return metering.role_masks[role]
    balanced: BoolArray = metering.is_key | metering.is_fill
    return light.limits.held | balanced if light.target.read_as == "face" else balanced


class Reasons:
    """The reasons for errors at the subject; an error up to `band_stops` needs none.

    `waits` is the reason the light is not set for the present place; None during a fade to it.
    """

    def __init__(
        self, light: JudgedLight, errors: Mapping[str, float], band_stops: float, waits: LimitKind | None
    ) -> None:
        self._light, self._errors = light, errors
        self._band_stops, self._waits = band_stops, waits
        rows, lamps = light.solved_rows, light.unrounded
        same = light.target_report if rows is light.rows else None
        target_report = same or target_report_of(
            light.metering, rows, light.target, light.untrimmed, light.trims
        )
        self._by_lamps = light.errors_at(rows, lamps, target_report)
        # A head that cannot be relied on has a limit of its own and needs none of these reasons.
        self._on_wire = light.errors_at(
            rows, np.where(light.reliable, light.final_outputs, lamps), target_report
        )

    def all(self) -> Iterator[LimitReport]:
        """Yield the limits of all quantities in order; a limit may occur twice."""
        for what, error in self._errors.items():
            if abs(error) > COUNTS_FROM_STOPS:
                yield from self._of(what, error)

    def _of(self, what: str, error: float) -> Iterator[LimitReport]:
        light = self._light
        lamps, on_wire = self._by_lamps.get(what, 0.0), self._on_wire.get(what, 0.0)
        wire = 0.0 if light.capped else _difference(on_wire, lamps)
        waits = 0.0 if light.solved_rows is light.rows else _difference(error, on_wire)
        beyond = abs(error) > self._band_stops
        least = max(COUNTS_FROM_STOPS, SHARE_THAT_COUNTS * abs(error)) if math.isfinite(error) else math.inf
        if beyond and not self._light.capped and light.reliable.all():
            least = min(least, max(_explained_stops(part, error) for part in (lamps, wire, waits)))
        if self._light.capped or _explained_stops(lamps, error) >= min(least, COUNTS_FROM_STOPS):
            yield from self._lamps(what, lamps)
        if beyond and _explained_stops(wire, error) >= least:
            yield self._wire(what, wire)
        if beyond and _explained_stops(waits, error) >= least and self._waits is not None:
            yield self._waiting(what, waits)

    def _lamps(self, what: str, error: float) -> Iterator[LimitReport]:
        """Yield the reasons the lamps cannot give a quantity from where they stand, whatever the wire."""
        found = [*self._ends(what), *self._bounds(what), *self._spill(what)]
        yield from found
        if not found:
            text = self._reason_without_limit(what)
            if text:
                yield bound("reach", f"{text}: {off_words(what, error)}", role_of(what))

    def _ends(self, what: str) -> Iterator[LimitReport]:
        """Yield heads at an end of their range, and heads that only a trim moved away from it: without the
        trim the balance is still out of reach."""
        light = self._light
        now = list(at_limits(light, what, light.unrounded))
        yield from now
        if all(stops == 0 for stops in light.trims.values()):
            return
        for limit in at_limits(light, what, light.solved.outputs):
            if limit not in now:
                yield limit.model_copy(update={"says": f"{limit.says} before its trim"})

    def _reason_without_limit(self, what: str) -> str:
        """Return the reason if no lamp is at a limit; empty if heads are lost, as reported elsewhere."""
        light, heads = self._light, _heads_of(self._light, what)
        if not light.reliable[heads].all():
            return ""
        if heads.any() and not (heads & light.limits.held).any():
            return f"{_and(dict.fromkeys(np.array(light.scene.roles)[heads]))} cannot be dimmed"
        dark = [
            rule
            for rule, own in (("key", light.metering.is_key), ("fill", light.metering.is_fill))
            if not own.any()
        ]
        if what == RATIO and dark:
            return f"this rig has no {_and(dark)}"
        return "the lamps cannot give all that is wanted from where they stand"

    def _bounds(self, what: str) -> Iterator[LimitReport]:
        light, target = self._light, self._light.target
        met = set(light.solved.bounds)
        if self._light.capped or (role_of(what) is None and "most_lux" in met):
            yield at_most_lux(light)
        elif what == EXPOSURE and self._asks_for_too_much():
            yield bound(
                "most_lux",
                f"the exposure wanted would put more than {target.most_lux:.0f} lx, its most, on the face",
            )
        if what == RATIO:
            for role in light.dropped_at(light.solved_rows):
                yield bound("weak", f"{role} gives too little here to count", role)
        if role_of(what) is None:
            for name in sorted(met - {"most_lux"}):
                yield _bound_met(name, target, self._solved_off_stops)

    @property
    def _solved_off_stops(self) -> float:
        """The exposure error of the balance itself, before rounding and without trims."""
        light = self._light
        lux = float(light.solved_rows.lux(light.solved.outputs)[EXPOSURE_ROW])
        return math.log2(lux / light.target.exposure_lux) if lux > 0 else -math.inf

    def _asks_for_too_much(self) -> bool:
        """Return true if the face would exceed `most_lux` if the lamps reached the target exposure."""
        light, most, short = self._light, self._light.target.most_lux, self._errors[EXPOSURE]
        if most is None or not -math.inf < short < 0:
            return False
        lux = light.rows.lux(light.final_outputs * light.reliable)
        return bool(max(lux[FACE_KEY], lux[FACE_FILL]) * math.exp2(-short) > most * CLEARLY_OVER)

    def _spill(self, what: str) -> Iterator[LimitReport]:
        light, role, error = self._light, role_of(what), self._by_lamps.get(what, 0.0)
        if role is None or light.metering.role_rules[role] != "background" or not 0 < error < math.inf:
            return
        text = f"the other heads and the room alone put {stops_words(error)} too much on the {role}"
        yield bound("spill", text, role)

    def _wire(self, what: str, error: float) -> LimitReport:
        """Return the limit of the head with the coarsest steps, if those can explain the error."""
        light = self._light
        heads = np.flatnonzero(self._whose_codes_count(what) & light.limits.held & light.reliable)
        steps = {int(i): _step_stops(light, int(i)) for i in heads}
        head = max(steps, key=lambda i: steps[i], default=None)
        if head is None or not abs(error) <= CAN_STRAY_STEPS * sum(steps.values()):
            # Codes stay on the wire if others are hardly better, and after `keep` or `undo`.
            text = f"the light rests until a change is worth it: {off_words(what, error)}"
            return bound("rest", text, role_of(what))
        name = light.scene.names[head]
        text = (
            f"the steps of {name} on its wire are {stops_words(steps[head])} there: {off_words(what, error)}"
        )
        return LimitReport(head=name, role=light.scene.roles[head], at="steps", says=text)

    def _whose_codes_count(self, what: str) -> BoolArray:
        """Return the heads (heads,) whose rounding a quantity depends on; a role includes its reference."""
        light, role = self._light, role_of(what)
        heads = _heads_of(light, what)
        rule = None if role is None else light.metering.role_rules[role]
        if role is None or rule is None:
            return heads
        if rule == "background":
            return light.limits.held
        return heads | light.metering.is_key if light.target.reference(role, rule) == "key" else heads

    def _waiting(self, what: str, error: float) -> LimitReport:
        if self._waits == "following":
            return bound("following", "the subject moved, and the light is about to follow")
        return bound("rest", f"the pace lets the light rest: {off_words(what, error)}", role_of(what))


def _explained_stops(part: float, error: float) -> float:
    """Return the part of an error that is explained [stops]; 0 if the signs differ."""
    return max(0.0, math.copysign(1.0, error) * part)


def _difference(error: float, other: float) -> float:
    """Return the difference of two errors; 0 if both are infinite."""
    return 0.0 if error == other else error - other


def _bound_met(name: str, target: BalanceTarget, off_stops: float) -> LimitReport:
    """Return the limit of a bound that is met; beyond the lamps' range it counts from the end of that."""
    if name == "most_over":
        most = f"{target.most_over:g} {stop_noun(target.most_over)}"
        text = f"keeping the ratio may cost {most} of exposure and no more"
        if off_stops > target.most_over + COUNTS_FROM_STOPS:
            text += ", counted from the least that the lamps can give"
        return bound("most_over", text)
    most = f"{target.most_under:g} {stop_noun(target.most_under)}"
    text = f"keeping the ratio may leave the exposure {most} short and no more"
    if off_stops < -target.most_under - COUNTS_FROM_STOPS:
        text += ", counted from the most that the lamps can give"
    return bound("most_under", text)


def _step_stops(light: JudgedLight, head: int) -> float:
    """Return the larger of the two steps from a head's code to its neighbours [stops]."""
    scene, code = light.scene, light.codes[head]
    here = scene.dimmers.output(head, code)
    steps = [0.0]
    for other in (code - 1, code + 1):
        there = scene.dimmers.output(head, other) if 0 < other <= scene.full_scales[head] else 0.0
        if here > 0 and there > 0:
            steps.append(abs(math.log2(there / here)))
    return max(steps)


def _and(words: Iterable[str]) -> str:
    return " and ".join(words)
