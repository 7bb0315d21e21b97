"""From one white to another, so slowly that nobody sees a step."""

from __future__ import annotations

import math
from collections.abc import Iterator

from fillside.photometry.colour import mired
from fillside.rig.scene.whites import wanted_cct_k, white_of
from fillside.rig.tables.model import Rig

STEP_MIRED = 2.0
"""Less than can just be told of two whites side by side (common practice, no source)."""


def white_way(old: Rig, new: Rig) -> Iterator[Rig]:
    """The old rig held at whites nearer and nearer to the new file's, the last at those.

    There are none where no lamp with a warm and a cool channel is to be held at another white.
    """
    ends = _ends(old, new)
    steps = math.ceil(max((abs(mired(b) - mired(a)) for a, b in ends.values()), default=0.0) / STEP_MIRED)
    for step in range(1, steps + 1):
        between = {role: _between(a, b, step / steps) for role, (a, b) in ends.items()}
        rest = {head.role: k for head in old.heads if (k := wanted_cct_k(old, head)) is not None}
        balance = old.balance.model_copy(update={"cct": {**rest, **between}})
        yield old.model_copy(update={"balance": balance})


def _ends(old: Rig, new: Rig) -> dict[str, tuple[float, float]]:
    """By role the white held now and the one to come [K], of lamps that mix two."""
    there = old.model_copy(update={"balance": old.balance.model_copy(update={"cct": new.balance.cct})})
    found = {}
    for head in old.heads:
        now, then = white_of(old, head), white_of(there, head)
        if now is not None and then is not None and now.mix is not None and now.wanted_k != then.wanted_k:
            found[head.role] = now.wanted_k or now.held_k, then.wanted_k or then.held_k
    return found


def _between(a_k: float, b_k: float, part: float) -> float:
    """A colour temperature between two [K], by mired, as eyes and cameras count."""
    return 1e6 / (mired(a_k) + part * (mired(b_k) - mired(a_k)))
