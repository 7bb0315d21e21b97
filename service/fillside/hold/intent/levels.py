"""From what is wanted to the wire codes to go to."""

from __future__ import annotations

from fillside.balance.solver.rounding import Codes, Trims
from fillside.balance.target import BalanceTarget
from fillside.hold.intent.balancing import Balancing
from fillside.hold.intent.intent import Intent, KeptLevels
from fillside.rig.scene.scene import Scene
from fillside.rig.tables.model import Point


def wanted_codes(
    balancing: Balancing, wanted: Intent, wish: BalanceTarget, untrimmed: Codes, balanced_at: Point
) -> Codes:
    """The codes to go to; `untrimmed` is what the balance holds when it acts, for a subject `balanced_at`
    [m]."""
    codes = _whoever_leaves(balancing, wanted, wish, untrimmed, balanced_at)
    return tuple(0 if i in wanted.leaving else code for i, code in enumerate(codes))


def _whoever_leaves(
    balancing: Balancing, wanted: Intent, wish: BalanceTarget, untrimmed: Codes, balanced_at: Point
) -> Codes:
    scene = balancing.scene
    if wanted.alone is not None:
        codes = dict(wanted.alone.lit)
        return tuple(codes.get(i, 0) for i in range(len(untrimmed))) if codes else work_light(scene)
    if wanted.mode == "dark":
        return work_light(scene)
    if wanted.mode == "freeze" and wanted.kept is not None:
        return _kept_codes(balancing, wish, wanted.kept, wanted.trims)
    return balancing.trim(balanced_at, wish, untrimmed, wanted.trims)


def work_light(scene: Scene) -> Codes:
    """All out but the work lights, so that nobody stands in the dark."""
    return tuple(
        full if rule == "work" else 0 for full, rule in zip(scene.full_scales, scene.rules, strict=True)
    )


def _kept_codes(balancing: Balancing, wish: BalanceTarget, kept: KeptLevels, trims: Trims) -> Codes:
    """Kept levels under the trims of now: each role by the difference to the trim that is in its levels."""
    scene = balancing.scene
    changes: dict[str, float | None] = {}
    # A work light that was still going out when the levels were taken goes on doing so.
    start = [0 if rule == "work" else code for code, rule in zip(kept.codes, scene.rules, strict=True)]
    for role in dict.fromkeys(scene.roles):
        then, now = kept.trims.get(role, 0.0), trims.get(role, 0.0)
        if then == now:
            continue
        changes[role] = now if now is None or then is None else now - then
        if then is None:
            for i in scene.of_role(role):
                start[i] = kept.untrimmed[i]
    return balancing.trim(kept.place, wish, tuple(start), changes)
