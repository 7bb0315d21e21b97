"""What the hold shows, and the light in it as it is judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from fillside.balance.judgement.reasons import JudgedLight, trims_short
from fillside.balance.judgement.verdict import Circumstances, judge
from fillside.balance.report import LimitReport
from fillside.balance.solver.rounding import Codes
from fillside.balance.target import BalanceTarget
from fillside.hold.intent.balancing import Balancing
from fillside.hold.intent.intent import SOLVE_FIELDS, Intent
from fillside.hold.snapshot.current_solution import CurrentSolution
from fillside.hold.snapshot.health import HeadCondition, as_reported
from fillside.hold.snapshot.trouble import head_limits
from fillside.hold.tracking.subject import TrackedSubject


@dataclass(frozen=True)
class ShownLight:
    """What a state is made from; `standing` is what the balance holds, before trims.

    `goal` are the codes the light goes to, `lasting` those it is to rest on: a head that shows itself, named
    by `identifying`, comes back from the one to the other. `unix_s` as in `Hold`.
    """

    balancing: Balancing
    wanted: Intent
    wish: BalanceTarget
    standing: CurrentSolution
    subject: TrackedSubject
    health: tuple[HeadCondition, ...]
    unix_s: float
    identifying: str | None
    codes: Codes
    goal: Codes
    lasting: Codes

    @property
    def working(self) -> tuple[bool, ...]:
        """For each head whether it can be reached."""
        return tuple(head.state != "lost" for head in self.health)


def light_of(shown: ShownLight) -> JudgedLight:
    """The light that is to be judged."""
    balancing, basis = shown.balancing, shown.standing.basis
    rows = balancing.rows_at(shown.subject.place)
    working = np.array(shown.working)
    staying = np.array([i not in shown.wanted.leaving for i in range(len(working))])
    obeying = np.array([head.state != "disobeying" for head in shown.health])
    here = basis.metering is balancing.metering and basis.rows.point == rows.point
    return JudgedLight(
        metering=balancing.metering,
        target=shown.wish,
        limits=balancing.limits,
        solved=basis.solved,
        solved_at=rows if here else basis.rows,
        rows=rows,
        untrimmed=balancing.outputs(shown.standing.codes),
        codes=shown.lasting,
        landing=balancing.outputs(as_reported(shown.lasting, shown.health)),
        working=working,
        counted=working & staying & obeying,
        trims=shown.wanted.trims,
    )


def circumstances_of(shown: ShownLight) -> Circumstances:
    """What bears on that light beside the balance."""
    wanted, scene = shown.wanted, shown.balancing.scene
    return Circumstances(
        mode=wanted.mode,
        shown=None if wanted.alone is None else tuple(scene.names[i] for i, _ in wanted.alone.lit),
        unwell=head_limits(scene, shown.health),
        leaving=wanted.leaving,
        dead_band_stops=scene.rig.hold.dead_band_stops,
        fading=shown.codes != shown.goal,
        pending=shown.standing.pending,
    )


def note_after(shown: ShownLight, note: str | None, before: Mapping[str, Any]) -> str | None:
    """The note on an order, and what keeps the order from being met in full.

    `before` are the fields of what is wanted that it changed, with their earlier values. It is said where the
    order acts on the light by itself: the balance in follow, trims in a freeze too.
    """
    light, how = light_of(shown), circumstances_of(shown)
    found: list[LimitReport] = []
    if shown.wanted.acts and SOLVE_FIELDS & before.keys():
        found = [limit for limit in judge(light, how).limits if limit.at != "colour"]
    elif "trims" in before and how.shown is None and how.mode != "dark":
        now, then = shown.wanted.trims, before["trims"]
        roles = [role for role in {**now, **then} if now.get(role, 0.0) != then.get(role, 0.0)]
        found = list(trims_short(light, roles, frozen=how.mode == "freeze"))
    if not found:
        return note
    reached = f"not reached: {'; '.join(dict.fromkeys(limit.says for limit in found))}"
    return reached if note is None else f"{note}; {reached}"
