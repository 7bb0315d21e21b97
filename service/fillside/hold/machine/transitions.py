"""The transition table of the hold: the modes that orders lead to, and the parts of the intent they change.

Theory. The goal of the hold is one record, `Intent`; an order makes a new one from it, or is refused with
nothing changed. In `follow` the balance acts: it sets the levels for wherever the subject is. `freeze` and
`dark` keep a set of levels. Orders given meanwhile change the intent and nothing else, except a trim in
freeze, which acts on the kept levels. A change from follow to either mode takes the levels: those of the
balance if the light has settled, those of the moment during a fade. A change between freeze and dark carries
the levels over, so that freeze after dark restores the levels from before. A change to follow drops them.
Ordering the mode in force changes nothing in it.

`only` overrides all of this: it shows one head whatever the mode, until `all`, or until dark, which puts
everything out.

Three orders are not in the table, because they do not make a new intent: `subject` feeds the tracking, `undo`
restores an earlier intent, and `identify` lets one head dip on top of the held light (see `identify`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

from fillside.hold.intent.intent import Intent, KeptLevels, Mode
from fillside.hold.machine import changes
from fillside.hold.machine.changes import IntentChange, OrderContext
from fillside.orders.light import (
    All,
    BalanceOrder,
    CameraOrder,
    Dark,
    Expose,
    Follow,
    Freeze,
    Keep,
    Move,
    Only,
    Show,
    Trim,
)

Levels = Literal["take", "carry", "drop"]

LEVELS_KEPT: dict[tuple[Mode, Mode], Levels | None] = {
    ("follow", "follow"): None,
    ("follow", "freeze"): "take",
    ("follow", "dark"): "take",
    ("freeze", "follow"): "drop",
    ("freeze", "freeze"): None,
    ("freeze", "dark"): "carry",
    ("dark", "follow"): "drop",
    ("dark", "freeze"): "carry",
    ("dark", "dark"): None,
}
"""The treatment of the kept levels, by the mode before and the mode ordered; None if nothing changes."""

ALREADY: dict[Mode, str] = {
    "follow": "already following",
    "freeze": "already frozen",
    "dark": "already dark",
}
ENDS_ONLY: frozenset[Mode] = frozenset({"dark"})


def to_mode(intent: Intent, mode: Mode, levels_now: Callable[[], KeptLevels]) -> IntentChange:
    """Return the change to a mode; uses `levels_now` where the table says so."""
    alone = None if mode in ENDS_ONLY else intent.alone
    levels = LEVELS_KEPT[intent.mode, mode]
    if levels is None:
        changed = replace(intent, alone=alone)
        return IntentChange(changed, ALREADY[mode] if changed == intent else None)
    kept_levels = levels_now() if levels == "take" else intent.kept if levels == "carry" else None
    note = '"all" brings the other heads back' if alone is not None else None
    return IntentChange(replace(intent, mode=mode, kept=kept_levels, alone=alone), note)


@dataclass(frozen=True)
class Transition:
    """A row of the table: the fields of `Intent` that an order may change, and the
    function that changes them.

    `mode` is the mode that the order leads to; None if the mode stays.
    """

    fields: frozenset[str]
    change: Callable[[OrderContext, Any], IntentChange]
    mode: Mode | None = None


def _fields(*names: str) -> frozenset[str]:
    return frozenset(names)


def _mode(mode: Mode, *more: str) -> Transition:
    def change(context: OrderContext, order: Follow | Freeze | Dark) -> IntentChange:
        return to_mode(context.intent, mode, context.levels_now)

    return Transition(_fields("mode", "kept", *more), change, mode)


TRANSITIONS: dict[type[Any], Transition] = {
    Follow: _mode("follow"),
    Freeze: _mode("freeze"),
    Dark: _mode("dark", "alone"),
    Only: Transition(_fields("alone"), changes.only),
    Show: Transition(_fields("alone"), changes.show),
    All: Transition(_fields("alone"), changes.end_only),
    Trim: Transition(_fields("trims"), changes.trim),
    BalanceOrder: Transition(_fields("balance"), changes.balance),
    Expose: Transition(_fields("balance", "exposure_stops"), changes.expose),
    CameraOrder: Transition(_fields("camera"), changes.camera),
    Move: Transition(_fields("place"), changes.move),
    Keep: Transition(_fields("balance", "exposure_stops", "trims", "kept"), changes.keep),
}
"""Every order that changes the intent."""
