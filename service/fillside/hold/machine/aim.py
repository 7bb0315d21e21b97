"""The aim of the light: derives the goal and speed of the fader from the intent and the current solution.

Theory. Every intent has goal codes: those of the selected heads under `only`, of the work lights in dark, the
kept levels in freeze, otherwise the balance with its trims. A head that identifies itself leaves its goal and
returns. The light moves at the speed of orders until it has arrived, even if the subject moves meanwhile;
after that it follows at the following speed. Light above the limit for the subject's face falls faster than
either until it is below the limit.
"""

from __future__ import annotations

import math
from dataclasses import replace

from fillside.balance.solver.rounding import Codes, Trims
from fillside.balance.target import BalanceTarget
from fillside.hold.fading.fader import TOO_BRIGHT_STOPS_S, Fader
from fillside.hold.intent.balancing import Balancing
from fillside.hold.intent.current_solution import CurrentSolution
from fillside.hold.intent.intent import Intent, KeptLevels
from fillside.hold.machine.identify import SPEED_STOPS_S, Dip, with_code
from fillside.hold.tracking.subject import TrackedSubject
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point, Rig


class Aim:
    """The intent in force and the light that fades to it. Times are seconds and never fall."""

    def __init__(
        self,
        rig: Rig,
        intent: Intent,
        balancing: Balancing,
        subject: TrackedSubject,
        solution: CurrentSolution,
        fader: Fader,
    ) -> None:
        self._rig, self._balancing, self._subject = rig, balancing, subject
        self._solution, self._fader = solution, fader
        self._ordered_until_s = -math.inf
        self._unhurried_stops_s: float | None = None
        self.dip: Dip | None = None
        self.put_in_force(intent, intent.rig(rig))

    def put_in_force(self, intent: Intent, ordered: Rig | None) -> None:
        """Put an intent in force. Ends a dip. `ordered` is the rig as the intent orders it; None if the
        balance target stays."""
        self.intent, self.dip = intent, None
        if ordered is not None:
            self.target, self.when_lost = intent.target(ordered), ordered.balance.when_lost

    @property
    def order_speed(self) -> float:
        """The speed at which orders fade [stop/s]."""
        return self._rig.hold.order_speed

    @property
    def codes(self) -> Codes:
        """The goal codes, ignoring a head that identifies itself."""
        return self.codes_for(self.intent)

    def codes_for(self, intent: Intent) -> Codes:
        """Return the codes that an intent asks for now."""
        return intended_codes(
            self._balancing, intent, self.target, self._solution.codes, self._solution.place
        )

    @property
    def present(self) -> Codes:
        """The codes of the present light, ignoring a head that identifies itself."""
        codes, dip = self._fader.steady_codes, self.dip
        return codes if dip is None else with_code(codes, dip.head, self.codes[dip.head])

    def levels_now(self) -> KeptLevels:
        """Return the levels for freeze or dark to keep: those of the balance, or
        those of the present moment during a fade."""
        untrimmed = self._solution.codes
        if self._fader.moving and self.intent.alone is None:
            return KeptLevels(self.present, self.intent.trims, untrimmed, self._subject.place)
        return KeptLevels(untrimmed, {}, untrimmed, self._solution.place)

    def is_too_bright(self, codes: Codes) -> bool:
        """Return true if the balance acts and codes exceed the limit for the subject's face."""
        return self.intent.acts and self._balancing.is_too_bright(self._subject.place, self.target, codes)

    def as_ordered(self, time_s: float) -> None:
        """Fade at the speed of orders; moves of the subject meanwhile use that speed too."""
        self._go(self.order_speed)
        self._ordered_until_s = time_s + self._fader.left_s

    def show(self, dip: Dip | None, time_s: float) -> None:
        """Begin a step of a head's dip; None ends it."""
        self.dip = dip
        if dip is not None:
            self.as_ordered(time_s)
            self.dip = replace(dip, until_s=self._ordered_until_s)

    def step(self, time_s: float) -> bool:
        """Advance to a time; return true if any code changed."""
        changed = self._fader.step(time_s)
        if self._unhurried_stops_s is not None and not self.is_too_bright(self._fader.codes):
            self._go(self._unhurried_stops_s)
        if self.dip is not None and self.dip.is_done(time_s, self._fader.moving):
            self.show(self.dip.next, time_s)
        return changed

    def wake_in(self, time_s: float) -> float | None:
        """Seconds until the next step is due; None when nothing moves."""
        if self.dip is not None and not self._fader.moving:
            return 0.0
        due = (self._solution.due_in(time_s), self._fader.wake_in(time_s))
        return min((wait for wait in due if wait is not None), default=None)

    def pursue(self, time_s: float) -> None:
        """Follow the subject if the balance acts and the pace allows it."""
        if not self.intent.acts:
            self._solution.rest()
        elif self._solution.pursue(self.target, time_s, self._goes_too_bright()):
            follows = time_s >= self._ordered_until_s
            self._go(self._rig.hold.follow_speed_stops_s if follows else self.order_speed)

    def _goes_too_bright(self) -> bool:
        return self.target.most_lux is not None and self.is_too_bright(self.codes)

    def _go(self, speed_stops_s: float) -> None:
        codes = self.codes
        if self.dip is not None:
            codes, speed_stops_s = self.dip.over(codes), min(speed_stops_s, SPEED_STOPS_S)
        hurries = speed_stops_s < TOO_BRIGHT_STOPS_S and self.is_too_bright(self._fader.codes)
        self._unhurried_stops_s = speed_stops_s if hurries else None
        self._fader.aim(codes, TOO_BRIGHT_STOPS_S if hurries else speed_stops_s)


def intended_codes(
    balancing: Balancing, intent: Intent, target: BalanceTarget, untrimmed: Codes, balanced_at: Point
) -> Codes:
    """Return the codes an intent asks for; `untrimmed` are the codes of the balance
    for a subject `balanced_at` [m]."""
    codes = _without_leaving(balancing, intent, target, untrimmed, balanced_at)
    if not intent.leaving:
        return codes
    return tuple(0 if i in intent.leaving else code for i, code in enumerate(codes))


def _without_leaving(
    balancing: Balancing, intent: Intent, target: BalanceTarget, untrimmed: Codes, balanced_at: Point
) -> Codes:
    """Return the same, before the heads that leave the rig are put out."""
    if intent.alone is not None:
        lit = dict(intent.alone.lit)
        return tuple(lit.get(i, 0) for i in range(len(untrimmed))) if lit else _work_light(balancing.scene)
    if intent.mode == "dark":
        return _work_light(balancing.scene)
    if intent.mode == "freeze" and intent.kept is not None:
        return _kept_codes(balancing, target, intent.kept, intent.trims)
    return balancing.trim(balanced_at, target, untrimmed, intent.trims)


def _work_light(scene: Scene) -> Codes:
    """Return codes with everything out except the work lights, so that nobody stands in the dark."""
    return tuple(
        full if rule == "work" else 0 for full, rule in zip(scene.full_scales, scene.rules, strict=True)
    )


def _kept_codes(balancing: Balancing, target: BalanceTarget, kept: KeptLevels, trims: Trims) -> Codes:
    """Return kept levels under the present trims, each role changed by the difference
    from the trim in its levels."""
    scene = balancing.scene
    changes: dict[str, float | None] = {}
    # A work light that was still fading out when the levels were taken stays on its way out.
    start = [0 if rule == "work" else code for code, rule in zip(kept.codes, scene.rules, strict=True)]
    for role in dict.fromkeys(scene.roles):
        then, now = kept.trims.get(role, 0.0), trims.get(role, 0.0)
        if then == now:
            continue
        changes[role] = now if now is None or then is None else now - then
        if then is None:
            for i in scene.of_role(role):
                start[i] = kept.untrimmed[i]
    return balancing.trim(kept.place, target, tuple(start), changes)
