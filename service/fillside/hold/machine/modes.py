"""The three modes as a table.

Theory. `follow` lets the balance act: the levels are whatever holds it where the subject is. `freeze` and
`dark` keep a set of levels aside. What was ordered meanwhile changes what is wanted and nothing else,
except a trim in freeze, which acts on the levels that are kept. Going from follow to either takes the
levels: the balance's own when the light has settled, those of this moment in the middle of a fade. Between
freeze and dark the same levels are carried over, so that freeze after dark brings back what was there
before it. Going to follow drops them. Each mode's own order changes nothing in it.

`only` lies over all of this: it shows one head whatever the mode does below it, until `all`, or until dark,
which puts everything out."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from fillside.hold.intent.intent import Intent, KeptLevels, Mode

Levels = Literal["take", "carry", "drop"]

MODE_AFTER: dict[tuple[Mode, Mode], Levels | None] = {
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
"""What becomes of the levels kept aside, from one mode to another; None where the order changes nothing."""

ALREADY: dict[Mode, str] = {
    "follow": "already following",
    "freeze": "already frozen",
    "dark": "already dark",
}
ENDS_ONLY: frozenset[Mode] = frozenset({"dark"})


def to_mode(wanted: Intent, mode: Mode, levels_now: KeptLevels) -> tuple[Intent, str | None]:
    """What is wanted after the order for a mode, and what to say; `levels_now` are taken if need be."""
    alone = None if mode in ENDS_ONLY else wanted.alone
    levels = MODE_AFTER[wanted.mode, mode]
    if levels is None:
        changed = replace(wanted, alone=alone)
        return changed, ALREADY[mode] if changed == wanted else None
    kept = {"take": levels_now, "carry": wanted.kept, "drop": None}[levels]
    note = '"all" brings the other heads back' if alone is not None else None
    return replace(wanted, mode=mode, kept=kept, alone=alone), note
