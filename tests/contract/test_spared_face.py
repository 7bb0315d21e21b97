"""Contract: the most light on a face holds for every role, not for key and fill alone.

The light on the cheeks is worked out here by the inverse-square law, flat receptors turned 45 degrees.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from contract.hold_studio import CANDELAS, CHAIR, Studio, output, studio
from fillside.balance.solution import solve_rig
from fillside.hold.events import HeadBack
from fillside.rig.tables.model import Rig

MOST_LUX = 600.0


def rim_in_front(most_lux: float | None) -> Rig:
    """The hair light stands before the face, and is wanted six stops over the key."""
    tables: dict[str, Any] = {"balance": {"ratio": "2:1", "exposure": 60.0, "relative": {"hair": 6.0}}}
    rig = studio(**tables, subject={} if most_lux is None else {"most_lux": most_lux}).dump()
    rig["heads"][2]["position"] = (0.4, -0.9, 1.5)
    return Rig.model_validate(rig)


def brighter_cheek_lux(rig: Rig, outputs: list[float]) -> float:
    at = np.array(CHAIR)
    look = np.array(rig.camera.position) - at
    look /= np.linalg.norm(look)
    right = np.array([look[1], -look[0], 0.0]) / math.hypot(look[0], look[1])
    sides = []
    for side in (right, -right):
        axis, lux = (look + side) / math.sqrt(2), 0.0
        for head, share in zip(rig.heads, outputs, strict=True):
            way = np.array(head.position) - at
            cosine = max(0.0, float(way @ axis) / float(np.linalg.norm(way)))
            lux += (head.role != "work") * share * CANDELAS / float(way @ way) * cosine
        sides.append(lux)
    return max(sides)


@pytest.mark.parametrize("protect", ["ratio", "exposure"])
def test_a_hair_light_that_shines_on_the_face_is_taken_down_as_well(protect: str) -> None:
    free = rim_in_front(None)
    outputs = [head.output for head in solve_rig(free).report.heads]
    assert brighter_cheek_lux(free, outputs) > 2 * MOST_LUX
    capped = rim_in_front(MOST_LUX)
    capped = capped.model_copy(update={"balance": capped.balance.model_copy(update={"protect": protect})})
    outputs = [head.output for head in solve_rig(capped).report.heads]
    assert brighter_cheek_lux(capped, outputs) <= MOST_LUX * (1 + 1e-6)


def goal_lux(up: Studio) -> float:
    return brighter_cheek_lux(up.rig, [head["goal"]["output"] for head in up.state["heads"]])


def now_lux(up: Studio) -> float:
    return brighter_cheek_lux(up.rig, [output(up.rig, i, code) for i, code in enumerate(up.codes)])


@pytest.mark.parametrize("trims", [{}, {"hair": "out"}])
def test_light_that_is_kept_spares_the_face_and_falls_as_fast_as_any(trims: dict[str, str]) -> None:
    up = Studio(studio(subject={"most_lux": MOST_LUX}, hold={"order_speed": 0.5}))
    for role, to in trims.items():
        up.do("trim", role=role, to=to)
    up.settle()
    up.event(HeadBack("key", 65535))
    over = math.log2(now_lux(up) / MOST_LUX)
    assert over > 0.5
    answer = up.do("keep")
    assert "kept" in (answer.note or "")
    assert goal_lux(up) <= MOST_LUX * (1 + 1e-6)
    assert up.state["balance"]["exposure_lux"] > MOST_LUX
    assert [limit["at"] for limit in up.state["limits"]] == ["most_lux"]
    up.wait(over / 3.0 + 0.1)
    assert now_lux(up) <= MOST_LUX * (1 + 1e-6)
    up.settle()
    assert now_lux(up) == pytest.approx(MOST_LUX, rel=0.01)
    assert up.ratio_stops() == pytest.approx(math.log2(up.state["balance"]["ratio"]), abs=0.02)


def test_light_that_is_kept_in_a_freeze_stays_and_spares_the_face_once_it_follows() -> None:
    up = Studio(studio(subject={"most_lux": MOST_LUX}))
    up.settle()
    up.event(HeadBack("key", 65535))
    up.do("freeze")
    before = up.codes
    assert now_lux(up) > 1.5 * MOST_LUX
    up.do("keep")
    up.settle()
    assert up.codes == before
    assert [limit["at"] for limit in up.state["limits"]] == ["most_lux"]
    up.do("follow")
    assert goal_lux(up) <= MOST_LUX * (1 + 1e-6)
