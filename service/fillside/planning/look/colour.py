"""Colour differences between heads, screens and room light: their importance and the matching filters."""

from __future__ import annotations

import math
from collections.abc import Mapping

from fillside.photometry.colour import mired, planckian_uv, shift_mired
from fillside.planning.figures import PlanningAnswer
from fillside.rig.scene.whites import cct_at_full_k
from fillside.rig.tables.model import WORK_ROLE, Rig

ONE_STEP_UV = 0.0011
"""Radius in CIE 1976 u', v' of a circle of one step (CIE TN 001:2014, from memory)."""
SEEN_STEPS = 3.0
"""Steps from which lights side by side visibly differ (common practice, no source)."""
MINOR_SHARE = 0.03
"""Share of the light on the face below which a source is listed, but does not matter."""

FULL_GEL_MIRED = abs(shift_mired(3200, 5600))
_SHEETS = {16: "two full", 8: "full", 4: "half", 2: "quarter", 1: "eighth"}
"""Correction gels by eighths of a full one; CTB cools, CTO warms."""

ASSUMES = (
    "colour temperatures as stated on the lamps; lamps of one temperature can still differ toward green or "
    "magenta, which only a colour meter or a grey card shows; gels of one name differ by maker, so "
    "go by the mired printed on the sheet"
)


def uv_per_mired(cct_k: float) -> float:
    """Return the shift of the black body's CIE 1976 u', v' = (u, 1.5 v) per mired at a temperature [K]."""
    low, high = planckian_uv(1e6 / (mired(cct_k) - 0.5)), planckian_uv(1e6 / (mired(cct_k) + 0.5))
    return math.hypot(high[0] - low[0], 1.5 * (high[1] - low[1]))


def steps_apart(cct_k: float, other_cct_k: float) -> float:
    """Return the number of one-step circles between two black-body colours [K], at their middle in mired."""
    difference_mired = abs(shift_mired(cct_k, other_cct_k))
    middle_k = min(max(2e6 / (mired(cct_k) + mired(other_cct_k)), 1000.0), 15_000.0)
    return difference_mired * uv_per_mired(middle_k) / ONE_STEP_UV


class ColourAnswer(PlanningAnswer):
    """One source against the key: the filter shift that matches it, and its importance.

    `shift_mired` is the shift of a filter on this source [mired], negative cools. `light_share` is its part
    of the light on the face at the planned levels, None where it lights something else or is not known.
    """

    source: str
    cct_k: float
    against: str
    shift_mired: float
    steps: float
    light_share: float | None
    matters: bool
    do: str | None


def gel_text(shift: float) -> str:
    """Return the correction gels for a shift [mired], by the parts of a full one that their names state.

    A full gel counts as the shift between 3200 and 5600 K, a half gel as half of that, and so on (common
    practice, no source). Makers' sheets of one name differ by ten or twenty mired.

    >>> gel_text(-71), gel_text(134), gel_text(-50), gel_text(-200), gel_text(5)
    ('half CTB', 'full CTO', 'quarter and eighth CTB', 'full and half CTB', '')
    """
    eighths = round(8 * abs(shift) / FULL_GEL_MIRED)
    if not 0 < eighths <= 16:
        return "" if eighths == 0 else f"more than two full {'CTB' if shift < 0 else 'CTO'}"
    eighths = {7: 8, 11: 10, 13: 12, 14: 12, 15: 16}.get(eighths, eighths)
    sheets = [name for part, name in _SHEETS.items() if eighths & part]
    return f"{' and '.join(sheets)} {'CTB' if shift < 0 else 'CTO'}"


def _advice(source: str, shift: float, cct_k: float, key_cct_k: float) -> str:
    gel = gel_text(shift)
    by = f"{f'{gel}, ' if gel else 'a filter of '}about {shift:+.0f} mired"
    return (
        f"{source}: {by}, or a lamp of {key_cct_k:.0f} K, matches the key; "
        f"{'warmer' if cct_k < key_cct_k else 'bluer'} if left alone"
    )


def colour_answers(
    ccts_k: Mapping[str, float], against: str, shares: Mapping[str, float]
) -> tuple[ColourAnswer, ...]:
    """Compare every source of `ccts_k` [K] with the one named `against`, largest difference first.

    `shares` gives each source's part of the light on the face (0..1). A source missing there, such as a
    screen, the room, or a light on hair or wall, matters whenever the difference is visible.
    """
    key_k = ccts_k[against]
    answers = []
    for source, cct_k in ccts_k.items():
        if source == against:
            continue
        share = shares.get(source)
        steps, shift = steps_apart(cct_k, key_k), shift_mired(cct_k, key_k)
        matters = steps >= SEEN_STEPS and (share is None or share >= MINOR_SHARE)
        answers.append(
            ColourAnswer(
                source=source,
                cct_k=cct_k,
                against=against,
                shift_mired=shift,
                steps=steps,
                light_share=share,
                matters=matters,
                do=_advice(source, shift, cct_k, key_k) if matters else None,
            )
        )
    return tuple(sorted(answers, key=lambda a: -abs(a.shift_mired)))


def stated_ccts_k(rig: Rig) -> dict[str, float]:
    """Return the colour temperatures at full [K] of the heads whose lamp states one."""
    stated = [head for head in rig.heads if head.lamp is not None and head.lamp.cct is not None]
    found = {head.name: cct_at_full_k(rig, head) for head in stated}
    return {name: cct for name, cct in found.items() if cct is not None}


def heads_beside_key(rig: Rig) -> tuple[ColourAnswer, ...]:
    """Compare every head of stated colour with the first such key, before any light is planned."""
    ccts = stated_ccts_k(rig)
    rules = {head.name: head.rule for head in rig.heads if head.name in ccts and head.rule != WORK_ROLE}
    key = next((name for name, rule in rules.items() if rule == "key"), None)
    return () if key is None else colour_answers({name: ccts[name] for name in rules}, key, {})
