"""The cautions that an answer of a first rig brings with it, for the place where it is given.

Their words are those of `rig.cautions` and `checklists`; which of them an answer brings is found by comparing
a rig with it to one without.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fillside.planning.answers.wires import SIM, dimmed_roles
from fillside.planning.safety.checklists import checklists
from fillside.planning.starter.wires import DRIVER
from fillside.rig.checks.cautions import caution_texts
from fillside.rig.tables.model import Rig

Answers = Mapping[str, Any]
SHOWN_AFTER = ("lamp", "dimmable", "modifier")
"""The questions about a head whose answers may bring a caution."""


def cautions_after(question: str, answers: Answers) -> list[str]:
    """What to mind now that the question of that key is answered; nothing for most."""
    if question == "driver":
        return _of_wire(answers)
    role, _, key = question.partition(".")
    if key not in SHOWN_AFTER:
        return []
    plain = _head(role, {})
    before = caution_texts(_rig([plain]))
    return [says for says in caution_texts(_rig([_head(role, answers)])) if says not in before]


def _of_wire(answers: Answers) -> list[str]:
    if answers["driver"] == SIM:
        return []
    heads = [_head(role, answers) for role in dimmed_roles(answers)]
    simulated = caution_texts(_rig(heads))
    rig = _rig(heads, answers["driver"])
    switch = [line for line in checklists(rig).before if "switch" in line.lower()]
    return [*(says for says in caution_texts(rig) if says not in simulated), *switch]


def _head(role: str, answers: Answers) -> dict[str, Any]:
    """A head with what is answered so far, and without what its cautions do not come from."""
    fixed = answers.get(f"{role}.dimmable") is False
    head: dict[str, Any] = {
        "name": role,
        "role": role if role in ("key", "fill") else "key",
        "position": (0.9, -0.9, 1.9),
        "intensity": 1000.0,
        "lamp": {"kind": answers.get(f"{role}.lamp", "led"), "dimmable": not fixed},
        "modifier": {"kind": answers.get(f"{role}.modifier", "shoot-through"), "diameter": 0.5},
        "dimming": {"curve": "fixed" if fixed else "linear"},
    }
    return head if fixed else {**head, "drive": {"driver": DRIVER}}


def _rig(heads: list[dict[str, Any]], kind: str = SIM) -> Rig:
    return Rig.model_validate(
        {
            "rig": {"name": "first"},
            "camera": {"position": (0.0, -2.4, 1.25)},
            "marks": {"middle": (0.0, 0.0, 1.2)},
            "balance": {"exposure": 300.0},
            "heads": heads,
            "drivers": {DRIVER: {"kind": kind}},
        }
    )
